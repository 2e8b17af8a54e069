package main

import (
	"bytes"
	"encoding/json"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"example.org/meltstation/alerts/plan"
)

// shopRecipe is a recipe of the Boathouse.
const shopRecipe = "../../testdata/recipes/harbour-fog.toml"

func planned(t *testing.T, in string, args ...string) (code int, out, errs string) {
	t.Helper()
	var o, e bytes.Buffer
	code = Main(t.Context(), append([]string{"plan"}, args...), Streams{In: strings.NewReader(in), Out: &o, Err: &e})
	return code, o.String(), e.String()
}

func TestPlanPrintsTheSheet(t *testing.T) {
	code, out, errs := planned(t, "", shopRecipe, "--count", "Bowl, three wicks=2", "--count", "Tumbler=9", "--count", "Tin=7", "--window", "90 s")
	if code != 0 {
		t.Fatal(code, errs)
	}
	want, err := os.ReadFile("../../testdata/recipes/harbour-fog.sheet.txt")
	if err != nil {
		t.Fatal(err)
	}
	if out != string(want) {
		t.Errorf("the sheet is\n%s", out)
	}
}

func TestPlanAsJSONScaledFromStandardInput(t *testing.T) {
	recipe, err := os.ReadFile(shopRecipe)
	if err != nil {
		t.Fatal(err)
	}
	code, out, errs := planned(t, string(recipe), "-", "--json", "--scale", "2", "--count", "Tumbler=3", "--jug", "Small jug")
	if code != 0 {
		t.Fatal(code, errs)
	}
	var s plan.Sheet
	if err := json.Unmarshal([]byte(out), &s); err != nil {
		t.Fatal(err)
	}
	if s.Jars != 6 || s.Jug != "Small jug" || s.WaxGrams() < 6*7*28.349523125 {
		t.Errorf("%d containers in %q with %g g of wax", s.Jars, s.Jug, s.WaxGrams())
	}
}

func TestPlanSaysWhatIsWrong(t *testing.T) {
	bad := filepath.Join(t.TempDir(), "bad.toml")
	if err := os.WriteFile(bad, []byte("name = \"Fog\"\nscale = \"1\"\n[[wax]]\nname = \"w\"\n"), 0o600); err != nil {
		t.Fatal(err)
	}
	tests := []struct {
		name string
		args []string
		code int
		say  string
	}{
		{"no file", nil, 2, "give one recipe file"},
		{"two files", []string{"a", "b"}, 2, "give one recipe file"},
		{"not there", []string{"nowhere.toml"}, 1, "nowhere.toml"},
		{"a mistake in it", []string{bad}, 1, "bad.toml:2: scale"},
		{"not a count", []string{shopRecipe, "--count", "Tumbler"}, 2, "Tumbler=12"},
		{"no such container", []string{shopRecipe, "--count", "Bucket=1"}, 1, `it has "Bowl, three wicks"`},
		{"bare weight", []string{shopRecipe, "--wax", "2"}, 2, "write g, kg, oz or lb"},
		{"scaled to nothing", []string{shopRecipe, "--scale", "0"}, 1, "above zero"},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			code, out, errs := planned(t, "", tt.args...)
			if code != tt.code || out != "" || !strings.Contains(errs, tt.say) {
				t.Errorf("exit %d, %q, %q; want exit %d and %q", code, out, errs, tt.code, tt.say)
			}
		})
	}
}

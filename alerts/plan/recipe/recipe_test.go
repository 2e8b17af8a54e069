package recipe_test

import (
	"encoding/json"
	"flag"
	"fmt"
	"os"
	"path/filepath"
	"reflect"
	"strings"
	"testing"
	"testing/fstest"

	"example.org/meltstation/alerts/plan"
	"example.org/meltstation/alerts/plan/recipe"
	"example.org/meltstation/alerts/plan/units"
)

var update = flag.Bool("update", false, "write the printed sheets anew")

const shop = "../../../testdata/recipes"

func read(t testing.TB, name string) ([]byte, plan.Recipe) {
	t.Helper()
	data, err := os.ReadFile(filepath.Join(shop, name))
	if err != nil {
		t.Fatal(err)
	}
	r, err := recipe.Parse(name, data)
	if err != nil {
		t.Fatal(err)
	}
	return data, r
}

func TestTheShopsRecipes(t *testing.T) {
	all, err := recipe.LoadDir(os.DirFS(shop))
	if err != nil {
		t.Fatal(err)
	}
	if len(all) < 2 {
		t.Fatalf("%d recipes", len(all))
	}
	for name, r := range all {
		if stops := r.Bands().Validate(); len(stops) > 0 {
			t.Errorf("%s: %v", name, stops)
		}
	}
}

func TestReadInTheUnitsOfTheFile(t *testing.T) {
	_, r := read(t, "harbour-fog.toml")
	for what, pair := range map[string][2]float64{
		"scent-add":        {r.Thresholds.ScentAdd, units.Celsius(180)},
		"margin":           {r.Thresholds.FlashMargin, 10},
		"container's wax":  {r.Containers[0].Wax, 14 * units.GramsPerOunce},
		"volume":           {r.Containers[2].Volume, 4 * units.MillilitresPerOz},
		"headspace of 12%": {r.Containers[2].Headspace, 4 * units.MillilitresPerOz * 0.12},
		"jug":              {r.Jugs[0].Holds, 6 * units.GramsPerPound},
		"lowest flash":     {r.Thresholds.Flash.Celsius, units.Celsius(201)},
	} {
		if d := pair[0] - pair[1]; d > 1e-9 || d < -1e-9 {
			t.Errorf("%s is %v, want %v", what, pair[0], pair[1])
		}
	}
	_, r = read(t, "slipway.toml")
	if got, want := r.Thresholds.PourHigh, 56+units.KelvinDifference(5); got != want {
		t.Errorf("the window opens at %v, want %v: 5 °F above the best", got, want)
	}
	if r.Containers[0].Wicks != 1 || r.Oils[0].Share != 100 {
		t.Errorf("what is left out has no common value: %+v %+v", r.Containers[0], r.Oils[0])
	}
}

func TestWritingAndReadingKeepsEverything(t *testing.T) {
	for _, name := range []string{"harbour-fog.toml", "slipway.toml"} {
		data, want := read(t, name)
		out, err := recipe.Update(data, want)
		if err != nil {
			t.Fatal(err)
		}
		got, err := recipe.Parse(name, out)
		if err != nil {
			t.Fatalf("%v\n%s", err, out)
		}
		if !reflect.DeepEqual(got, want) {
			t.Errorf("%s: read back as\n%+v\nwant\n%+v", name, got, want)
		}
		if !strings.HasPrefix(string(out), "# ") || !strings.Contains(string(out), "are invented.") {
			t.Errorf("%s: the comment at the head is lost:\n%s", name, out)
		}
		again, err := recipe.Update(out, got)
		if err != nil || string(again) != string(out) {
			t.Errorf("%s: written twice it differs (%v)", name, err)
		}
		form, err := recipe.ToJSON(want)
		if err != nil {
			t.Fatal(err)
		}
		got, err = recipe.FromJSON(form)
		if err != nil || !reflect.DeepEqual(got, want) {
			t.Errorf("%s: the form's JSON reads back as %+v (%v)", name, got, err)
		}
	}
}

func TestCommentsStayWithTheirKeys(t *testing.T) {
	const file = `# The head.

# Before the name.
name = "Fog" # beside the name
notes = """
# no comment
two lines"""  # beside the notes
scale = "1 g"

# Before the wax.
[[wax]] # beside the wax
name = "One" # beside the first
share = 60
[[wax]]
name = "Two" # beside the second
share = 40
lot = "L-1" # goes with its key

[timers]
# Before the cure.
cure = "10 days"   # short in summer
# trim = "2 h"
`
	r, err := recipe.Parse("f.toml", []byte(file))
	if err != nil {
		t.Fatal(err)
	}
	r.Wax[1].Lot = ""
	out, err := recipe.Update([]byte(file), r)
	if err != nil {
		t.Fatal(err)
	}
	got := string(out)
	for _, want := range []string{
		"# The head.\n\n# Before the name.\nname ", `"Fog"   # beside the name`, "two lines\"\"\"   # beside the notes\n",
		"# Before the wax.\n[[wax]]   # beside the wax\n", `"One"   # beside the first`, `"Two"   # beside the second`,
		"# Before the cure.\ncure ", "# short in summer\n", "# trim = \"2 h\"\n",
	} {
		if strings.Count(got, want) != 1 {
			t.Errorf("%q stands there %d times:\n%s", want, strings.Count(got, want), got)
		}
	}
	if strings.Contains(got, "goes with its key") {
		t.Errorf("a comment outlives its key:\n%s", got)
	}
	if back, err := recipe.Parse("f.toml", out); err != nil || !reflect.DeepEqual(back, r) {
		t.Errorf("read back as %+v (%v)", back, err)
	}
	if again, err := recipe.Update(out, r); err != nil || string(again) != got {
		t.Errorf("written twice it differs (%v):\n%s", err, again)
	}
	if plain, err := recipe.Update([]byte("not [ TOML"), r); err != nil || !strings.HasPrefix(string(plain), "name") {
		t.Errorf("over a broken file: %s (%v)", plain, err)
	}
}

func TestTheFormEditsTheKeysOfTheFile(t *testing.T) {
	_, r := read(t, "harbour-fog.toml")
	form, err := recipe.ToJSON(r)
	if err != nil {
		t.Fatal(err)
	}
	var d map[string]any
	if err := json.Unmarshal(form, &d); err != nil {
		t.Fatal(err)
	}
	if got := d["temperatures"].(map[string]any)["scent_add"]; got != "180 °F" {
		t.Errorf("scent_add is %v in the form", got)
	}
	d["temperatures"].(map[string]any)["scent_add"] = "hot"
	form, _ = json.Marshal(d)
	_, err = recipe.FromJSON(form)
	if es := recipe.Errors(err); len(es) != 1 || es[0].Field != "temperatures.scent_add" {
		t.Errorf("%v does not name the field", err)
	}
}

func TestErrorsNameFileLineAndMend(t *testing.T) {
	data, _ := read(t, "harbour-fog.toml")
	good := string(data)
	tests := []struct {
		name       string
		old, new   string
		at         string // where in the spoilt file; "" = nowhere
		field, say string
	}{
		{"unknown key", `scent_add    =`, `sent_add    =`, `sent_add`, "temperatures.sent_add", `did you mean "scent_add"?`},
		{"unknown table", "[timers]", "[tmers]", `[tmers]`, "tmers", `did you mean "timers"?`},
		{"no unit", `"180 F"`, `"180"`, `"180"`, "temperatures.scent_add", "write °F or °C"},
		{"fluid ounces of wax", `"14 oz"`, `"14 fl oz"`, `14 fl oz`, "container[1].wax", "measure volume"},
		{"second of its kind", `wax   = "7 oz"`, `wax   = "seven"`, `seven`, "container[2].wax", "not a number"},
		{"shares", "share    = 70", "share    = 60", `[[fragrance.oil]]`, "fragrance.oil.share", "add up to 100 %"},
		{"basis", `basis = "of wax"         # or "of total"`, `basis = "of it"`, `of it`, "fragrance.basis", `write "of wax" or "of total"`},
		{"basis left out", `basis = "of wax"         # or "of total"`, ``, `[fragrance]`, "fragrance.basis", `the two differ`},
		{"method", `"closed cup"`, `"tea cup"`, `tea cup`, "fragrance.oil[1].method", "open cup"},
		{"number for text", `"180 F"`, `180`, `= 180`, "temperatures.scent_add", "in quotes"},
		{"not TOML", `[pouring]`, `[pouring`, `[pouring`, "can't be read", "as TOML"},
		{"twice", `name  = "Tumbler"`, `name  = "Tin"`, "\"Tin\"\nvolume", "container[3].name", "used twice"},
		{"heavy wax", `"0.88 g/ml"`, `"8.8 g/ml"`, `8.8`, "wax[1].density", "between 0.5 and 1.5"},
		{"no name", `name        = "Harbour Fog"`, ``, ``, "name", "needs a name"},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			if !strings.Contains(good, tt.old) {
				t.Fatalf("the recipe holds no %q", tt.old)
			}
			bad := strings.Replace(good, tt.old, tt.new, 1)
			_, err := recipe.Parse("h.toml", []byte(bad))
			if err == nil {
				t.Fatal("taken")
			}
			want := "h.toml: " + tt.field
			if tt.at != "" {
				before, _, ok := strings.Cut(bad, tt.at)
				if !ok {
					t.Fatalf("the spoilt recipe holds no %q", tt.at)
				}
				want = fmt.Sprintf("h.toml:%d: %s", 1+strings.Count(before, "\n"), tt.field)
			}
			if msg := err.Error(); !strings.HasPrefix(msg, want) || !strings.Contains(msg, tt.say) {
				t.Errorf("%v\nwant %q and %q", err, want, tt.say)
			}
		})
	}
}

func TestAFileThatIsNoRecipeIsToldSo(t *testing.T) {
	_, err := recipe.Parse("station.toml", []byte("[station]\nname = \"The Boathouse\"\n[[pot]]\nid = \"big\"\n[batch]\npour = \"57 C\"\n"))
	if es := recipe.Errors(err); len(es) != 1 || !strings.HasPrefix(err.Error(), "station.toml:1: is not a recipe") || strings.Contains(err.Error(), "did you mean") {
		t.Errorf("settings given for a recipe: %v", err)
	}
	_, err = recipe.Parse("r.toml", []byte("nam = \"x\"\n[[wax]]\nname = \"w\"\n"))
	if err == nil || !strings.Contains(err.Error(), `r.toml:1: nam is not a key of a recipe; did you mean "name"?`) {
		t.Errorf("a mistyped key: %v", err)
	}
}

func TestEveryMistakeIsListedAtOnce(t *testing.T) {
	data, _ := read(t, "harbour-fog.toml")
	bad := strings.Replace(string(data), `"180 F"`, `"180"`, 1)
	bad = strings.Replace(bad, `"14 oz"`, `"14"`, 1)
	_, err := recipe.Parse("h.toml", []byte(bad))
	es := recipe.Errors(err)
	if len(es) != 2 || es[0].Line >= es[1].Line {
		t.Errorf("%v: want both, in order of their lines", err)
	}
}

func TestADirectoryWithOneBadFileGivesTheOthers(t *testing.T) {
	data, _ := read(t, "slipway.toml")
	all, err := recipe.LoadDir(fstest.MapFS{
		"a.toml": {Data: data}, "b.toml": {Data: []byte("name = 3")}, "c.toml": {Data: data}, "notes.txt": {Data: []byte("x")},
	})
	if len(all) != 1 || err == nil {
		t.Fatalf("%d recipes, %v", len(all), err)
	}
	if msg := err.Error(); !strings.Contains(msg, "b.toml:1") || !strings.Contains(msg, "c.toml: name") {
		t.Errorf("%v", err)
	}
}

func TestPrintedSheets(t *testing.T) {
	for _, tt := range []struct {
		file, golden string
		counts       []plan.Count
		o            plan.Options
	}{
		{"harbour-fog.toml", "harbour-fog.sheet.txt", []plan.Count{{Container: "Bowl, three wicks", N: 2}, {Container: "Tumbler", N: 9}, {Container: "Tin", N: 7}}, plan.Options{Window: units90}},
		{"slipway.toml", "slipway.sheet.txt", []plan.Count{{Container: "Glass 220", N: 5}}, plan.Options{Cooling: &plan.Cooling{K: 0.0009, Room: 21}}},
	} {
		_, r := read(t, tt.file)
		s, err := r.Sheet(tt.counts, tt.o)
		if err != nil {
			t.Fatal(err)
		}
		var b strings.Builder
		if err := s.Print(&b); err != nil {
			t.Fatal(err)
		}
		file := filepath.Join(shop, tt.golden)
		if *update {
			if err := os.WriteFile(file, []byte(b.String()), 0o644); err != nil {
				t.Fatal(err)
			}
		}
		want, err := os.ReadFile(file)
		if err != nil {
			t.Fatal(err)
		}
		if b.String() != string(want) {
			t.Errorf("%s: the sheet has changed; look at it and run the test with -update:\n%s", tt.golden, b.String())
		}
	}
}

const units90 = 90e9 // 90 s

func FuzzParse(f *testing.F) {
	for _, n := range []string{"harbour-fog.toml", "slipway.toml"} {
		data, _ := read(f, n)
		f.Add(data)
	}
	f.Add([]byte("name = \"x\"\n[[wax]]\nname = \"w\"\nshare = 1e400\n"))
	f.Add([]byte("[fragrance]\nload = nan\nbasis = \"of wax\"\n"))
	f.Add([]byte("# a\n\n#b\nname = \"x\" # c\n# d\n[[wax]] # e\nname = 'w' # f\n#g"))
	f.Add([]byte("a.b.c = 1\n[a]\n[[a]]\n"))
	f.Fuzz(func(t *testing.T, data []byte) {
		r, err := recipe.Parse("f.toml", data)
		if err != nil {
			if err.Error() == "" {
				t.Error("an error without a word")
			}
			return
		}
		out, err := recipe.Format(r)
		if err != nil {
			t.Fatalf("taken, but not written: %v", err)
		}
		back, err := recipe.Parse("f.toml", out)
		if err != nil {
			t.Fatalf("written, but not read back: %v\n%s", err, out)
		}
		if !reflect.DeepEqual(r, back) {
			t.Fatalf("read back as\n%+v\nwant\n%+v\n%s", back, r, out)
		}
		kept, err := recipe.Update(data, r)
		if err != nil {
			t.Fatal(err)
		}
		if back, err := recipe.Parse("f.toml", kept); err != nil || !reflect.DeepEqual(r, back) {
			t.Fatalf("with its comments read back as\n%+v (%v)\nwant\n%+v\n%s", back, err, r, kept)
		}
		var counts []plan.Count
		for _, c := range r.Containers {
			counts = append(counts, plan.Count{Container: c.Name, N: 3})
		}
		s, err := r.Sheet(counts, plan.Options{})
		if err != nil {
			return
		}
		if _, err := json.Marshal(s); err != nil {
			t.Fatal(err)
		}
	})
}

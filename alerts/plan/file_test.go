package plan_test

import (
	"reflect"
	"strings"
	"testing"

	"pgregory.net/rapid"

	"example.org/meltstation/alerts/plan/recipe"
)

func TestAnyRecipeSurvivesItsFile(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		r := recipes().Draw(t, "recipe")
		r.Name = strings.TrimSpace(r.Name)
		out, err := recipe.Format(r)
		if err != nil {
			t.Fatal(err)
		}
		back, err := recipe.Parse("x.toml", out)
		if err != nil {
			t.Fatalf("%v\n%s", err, out)
		}
		if !reflect.DeepEqual(r, back) {
			t.Fatalf("read back as\n%+v\nwant\n%+v\n%s", back, r, out)
		}
		form, err := recipe.ToJSON(r)
		if err != nil {
			t.Fatal(err)
		}
		back, err = recipe.FromJSON(form)
		if err != nil || !reflect.DeepEqual(r, back) {
			t.Fatalf("the form reads back as\n%+v (%v)\nwant\n%+v", back, err, r)
		}
	})
}

package recipes_test

import (
	"errors"
	"os"
	"path/filepath"
	"strings"
	"sync"
	"testing"

	"example.org/meltstation/alerts/plan"
	"example.org/meltstation/alerts/plan/recipe"
	"example.org/meltstation/dashboard/recipes"
)

func fog(name string) plan.Recipe {
	r := plan.Defaults()
	r.Name = name
	r.Wax = []plan.Wax{{Name: "rapeseed-coconut", Share: 100}}
	r.Load = 8
	r.Oils = []plan.Oil{{Name: "sea fog", Share: 100, Flash: 96, Method: plan.MethodClosed}}
	r.Containers = []plan.Container{{Name: "Tin 200", Wax: 150, Wicks: 1}}
	return r
}

func open(t *testing.T) (*recipes.Dir, string) {
	t.Helper()
	path := filepath.Join(t.TempDir(), "recipes")
	d, err := recipes.Open(path)
	if err != nil {
		t.Fatal(err)
	}
	return d, path
}

func TestPutGetDelete(t *testing.T) {
	d, path := open(t)
	if err := d.Put("harbour-fog", fog("Harbour Fog")); err != nil {
		t.Fatal(err)
	}
	if r, err := d.Get("harbour-fog"); err != nil || r.Name != "Harbour Fog" || r.Oils[0].Flash != 96 {
		t.Errorf("%+v, %v", r, err)
	}
	if i, err := os.Stat(filepath.Join(path, "harbour-fog.toml")); err != nil || i.Mode().Perm() != 0o600 {
		t.Errorf("file: %v, %v; want mode 0600", i, err)
	}
	if err := d.Delete("harbour-fog"); err != nil {
		t.Error(err)
	}
	if _, err := d.Get("harbour-fog"); !errors.Is(err, recipes.ErrNone) {
		t.Errorf("after it was deleted: %v", err)
	}
}

func TestTheMakersCommentsStay(t *testing.T) {
	d, path := open(t)
	body, err := recipe.Format(fog("Harbour Fog"))
	if err != nil {
		t.Fatal(err)
	}
	file := filepath.Join(path, "fog.toml")
	if err := os.WriteFile(file, append([]byte("# My first one.\n\n"), body...), 0o600); err != nil {
		t.Fatal(err)
	}
	r := fog("Harbour Fog")
	r.Load = 7
	if err := d.Put("fog", r); err != nil {
		t.Fatal(err)
	}
	b, err := os.ReadFile(file)
	if err != nil || !strings.HasPrefix(string(b), "# My first one.\n") {
		t.Errorf("%v: %s", err, b)
	}
	if got, err := d.Get("fog"); err != nil || got.Load != 7 {
		t.Errorf("load %g, %v", got.Load, err)
	}
}

func TestABadFileSpoilsNoOther(t *testing.T) {
	d, path := open(t)
	if err := d.Put("b", fog("Boathouse")); err != nil {
		t.Fatal(err)
	}
	if err := d.Put("a", fog("ardent")); err != nil {
		t.Fatal(err)
	}
	if err := os.WriteFile(filepath.Join(path, "broken.toml"), []byte("name = \"x\"\nwacks = 3\n"), 0o600); err != nil {
		t.Fatal(err)
	}
	list, err := d.List()
	if len(list) != 2 || list[0].Key != "a" || list[1].Key != "b" {
		t.Errorf("list %+v, want a and b by name", list)
	}
	if err == nil || !strings.Contains(err.Error(), "broken.toml:2") {
		t.Errorf("error %v, want one that names the line", err)
	}
}

func TestKeysStayInTheDirectory(t *testing.T) {
	d, path := open(t)
	for _, key := range []string{"", ".", "..", "../x", "a/b", `a\b`, "A", "ü", "-a", "a\x00b", strings.Repeat("a", 61), "x.toml"} {
		if err := d.Put(key, fog("X")); !errors.Is(err, recipes.ErrKey) {
			t.Errorf("Put(%q): %v", key, err)
		}
		if _, err := d.Get(key); err == nil {
			t.Errorf("Get(%q) found something", key)
		}
		if err := d.Delete(key); err == nil {
			t.Errorf("Delete(%q) deleted something", key)
		}
	}
	if files, _ := filepath.Glob(filepath.Join(filepath.Dir(path), "*")); len(files) != 1 {
		t.Errorf("files %q", files)
	}
}

func TestOneNameOneRecipe(t *testing.T) {
	d, path := open(t)
	var wg sync.WaitGroup
	errs := make([]error, 8)
	for i := range errs {
		wg.Go(func() { errs[i] = d.Put(string(rune('a'+i)), fog("Harbour Fog")) })
	}
	wg.Wait()
	good := 0
	for _, err := range errs {
		if err == nil {
			good++
		} else if !errors.Is(err, recipes.ErrFormat) || len(recipe.Errors(err)) != 1 {
			t.Error(err)
		}
	}
	if files, _ := filepath.Glob(filepath.Join(path, "*")); good != 1 || len(files) != 1 {
		t.Errorf("%d were kept, files %q; want one", good, files)
	}
}

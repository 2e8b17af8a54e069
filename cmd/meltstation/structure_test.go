package main

import (
	"go/parser"
	"go/token"
	"io/fs"
	"os"
	"path"
	"path/filepath"
	"slices"
	"sort"
	"strings"
	"testing"
)

const module = "example.org/meltstation/"

// law says which packages of ours each package may import. A package under one
// that is named here follows it and may import it. Test files are free, but for
// the rules that TestImports states apart.
var law = map[string][]string{
	"probe":           {},
	"probe/w1":        {"probe"},
	"probe/serialtc":  {"probe", "probe/its90"},
	"probe/its90":     {},
	"probe/calibrate": {"probe"},
	"probe/trace":     {"probe"},
	"alerts/plan":     {},
	"alerts/forecast": {},
	"alerts/replay":   {"alerts/forecast", "alerts/plan", "probe"},
	"alerts":          {"alerts/plan", "alerts/forecast", "probe"},
	"alerts/notify":   {"alerts", "alerts/plan", "probe"},
	"alerts/record":   {"alerts/plan"},
	"alerts/shelf":    {"alerts/plan"},
	"alerts/lesson":   {"alerts/plan", "alerts/record", "alerts/forecast"},
	"alerts/station":  {"alerts", "alerts/plan", "alerts/forecast", "alerts/notify", "alerts/record", "alerts/shelf", "alerts/lesson", "probe", "probe/trace"},
	"dashboard":       {"alerts", "alerts/plan", "alerts/forecast", "alerts/notify", "alerts/record", "alerts/replay", "alerts/shelf", "alerts/lesson", "alerts/station", "probe", "probe/trace", "probe/calibrate"},
	"sim":             {"probe"},
	"cmd/meltstation": {"*"},
	"dashboard/page":  {},
}

// ruleFor is the most particular entry of the law that holds for a package.
func ruleFor(pkg string) (string, bool) {
	for p := pkg; p != "."; p = path.Dir(p) {
		if _, ok := law[p]; ok {
			return p, true
		}
	}
	return "", false
}

func goFiles(t *testing.T) map[string][]string {
	t.Helper()
	root := filepath.Join("..", "..")
	out := map[string][]string{}
	err := filepath.WalkDir(root, func(p string, d fs.DirEntry, err error) error {
		if err != nil {
			return err
		}
		if d.IsDir() && (d.Name() == "testdata" || strings.HasPrefix(d.Name(), ".") && p != root && p != ".." && d.Name() != "..") {
			return fs.SkipDir
		}
		if strings.HasSuffix(p, ".go") {
			rel, err := filepath.Rel(root, p)
			if err != nil {
				return err
			}
			dir := filepath.ToSlash(filepath.Dir(rel))
			out[dir] = append(out[dir], p)
		}
		return nil
	})
	if err != nil {
		t.Fatal(err)
	}
	if len(out) < 10 {
		t.Fatalf("found only %d packages below %s", len(out), root)
	}
	return out
}

// TestImports holds the arrows between our packages to the law above.
func TestImports(t *testing.T) {
	for pkg, files := range goFiles(t) {
		rule, ok := ruleFor(pkg)
		if !ok {
			t.Errorf("package %s has no place in the import law", pkg)
			continue
		}
		for _, name := range files {
			f, err := parser.ParseFile(token.NewFileSet(), name, nil, parser.ImportsOnly)
			if err != nil {
				t.Fatal(err)
			}
			test := strings.HasSuffix(name, "_test.go")
			for _, im := range f.Imports {
				p := strings.Trim(im.Path.Value, `"`)
				if p == "nhooyr.io/websocket" && pkg == "dashboard" && !test && filepath.Base(name) != "live.go" {
					t.Errorf("%s imports %s: only dashboard/live.go may", name, p)
				}
				dep, ours := strings.CutPrefix(p, module)
				if !ours || test {
					continue
				}
				target, _ := ruleFor(dep)
				inside := dep == rule || strings.HasPrefix(dep, rule+"/")
				if !inside && !slices.Contains(law[rule], "*") && !slices.Contains(law[rule], target) {
					t.Errorf("%s: %s may not import %s", name, pkg, dep)
				}
			}
		}
	}
}

// TestPackageDocs wants exactly one package comment in every package.
func TestPackageDocs(t *testing.T) {
	for pkg, files := range goFiles(t) {
		var with []string
		plain := false
		for _, name := range files {
			if strings.HasSuffix(name, "_test.go") {
				continue
			}
			plain = true
			f, err := parser.ParseFile(token.NewFileSet(), name, nil, parser.PackageClauseOnly|parser.ParseComments)
			if err != nil {
				t.Fatal(err)
			}
			if f.Doc != nil {
				with = append(with, filepath.Base(name))
			}
		}
		if plain && len(with) != 1 {
			t.Errorf("package %s has %d package comments %v; want 1", pkg, len(with), with)
		}
	}
}

// TestTopLevel keeps the top of the tree to what it is meant to show.
func TestTopLevel(t *testing.T) {
	want := []string{"DEVELOPERS.md", "README.md", "alerts", "cmd", "dashboard", "go.mod", "go.sum", "probe", "sim", "testdata"}
	entries, err := os.ReadDir(filepath.Join("..", ".."))
	if err != nil {
		t.Fatal(err)
	}
	var got []string
	for _, e := range entries {
		if !strings.HasPrefix(e.Name(), ".") {
			got = append(got, e.Name())
		}
	}
	sort.Strings(got)
	if !slices.Equal(got, want) {
		t.Errorf("top level holds %v, want %v", got, want)
	}
}

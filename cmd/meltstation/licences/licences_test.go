package licences_test

import (
	"bytes"
	"encoding/json"
	"flag"
	"os"
	"os/exec"
	"path/filepath"
	"runtime/debug"
	"strings"
	"testing"

	"example.org/meltstation/cmd/meltstation/licences"
)

var update = flag.Bool("update", false, "copy the licences of all modules from the module cache")

type module struct {
	Path, Version, Dir string
	Main               bool
}

// modules asks the go command what the program is built of.
func modules(t *testing.T) []module {
	t.Helper()
	list := exec.Command("go", "list", "-deps", "-f", "{{with .Module}}{{if not .Main}}{{.Path}}{{end}}{{end}}", "example.org/meltstation/cmd/meltstation")
	list.Env = append(os.Environ(), "CGO_ENABLED=0", "GOFLAGS=") // -race, which a test run may set, needs cgo
	paths, err := list.Output()
	if err != nil {
		t.Fatalf("go list: %v", err)
	}
	seen := map[string]bool{}
	args := []string{"list", "-m", "-json"}
	for _, p := range strings.Fields(string(paths)) {
		if !seen[p] {
			seen[p] = true
			args = append(args, p)
		}
	}
	out, err := exec.Command("go", args...).Output()
	if err != nil {
		t.Fatalf("go list -m: %v", err)
	}
	var ms []module
	dec := json.NewDecoder(bytes.NewReader(out))
	for dec.More() {
		var m module
		if err := dec.Decode(&m); err != nil {
			t.Fatal(err)
		}
		ms = append(ms, m)
	}
	return ms
}

// TestEveryModule wants a text of a known licence for every module in the
// program, the very text that the module carries.
func TestEveryModule(t *testing.T) {
	var infos []*debug.Module
	for _, m := range modules(t) {
		names, _ := filepath.Glob(filepath.Join(m.Dir, "LICEN[SC]E*"))
		more, _ := filepath.Glob(filepath.Join(m.Dir, "COPYING*"))
		names = append(names, more...)
		if len(names) == 0 {
			t.Errorf("%s carries no licence", m.Path)
			continue
		}
		want, err := os.ReadFile(names[0])
		if err != nil {
			t.Fatal(err)
		}
		kept := filepath.Join("texts", strings.ReplaceAll(m.Path, "/", "~")+".txt")
		if *update {
			if err := os.WriteFile(kept, want, 0o644); err != nil {
				t.Fatal(err)
			}
		}
		got, err := os.ReadFile(kept)
		if err != nil || !bytes.Equal(got, want) {
			t.Errorf("%s: the text kept is not the module's (%v); run this test with -update", m.Path, err)
		}
		infos = append(infos, &debug.Module{Path: m.Path, Version: m.Version})
	}
	if *update {
		return // what is embedded is from before
	}
	parts, err := licences.Parts(infos)
	if err != nil {
		t.Fatal(err)
	}
	for _, p := range parts {
		if p.Licence == "unknown" {
			t.Errorf("%s: its licence is not known", p.Name)
		}
	}
	var list strings.Builder
	if err := licences.List(&list, parts, false); err != nil || strings.Count(list.String(), "\n") != len(parts) {
		t.Errorf("list: %v\n%s", err, &list)
	}
}

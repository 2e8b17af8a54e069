// Command mutants asks whether the tests can fail: it breaks one core rule at a
// time and runs the tests that should notice. The tree itself is never touched,
// because the broken file is laid over it ("go test -overlay").
//
//	go run ./.ci/mutants                 # all of them, a few minutes
//	go run ./.ci/mutants -only pairing   # those whose file or reason has that word
//
// It ends with 1 if a mutant survives, does not build, or no longer fits the
// source, so a rule that moves takes its mutant along.
package main

import (
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"flag"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"time"
)

// mutant is one broken rule.
type mutant struct {
	why  string // what the rule is for
	file string // from the top of the tree
	old  string // must be there exactly once
	new  string
	run  string   // pattern of the tests that should notice; "" = all of the packages
	pkgs []string // packages to test; nil = the file's own
}

// outcome is what became of a mutant.
type outcome string

const (
	killed    outcome = "killed"
	survived  outcome = "SURVIVED"
	noBuild   outcome = "DOES NOT BUILD"
	misplaced outcome = "DOES NOT FIT THE SOURCE"
	fails     outcome = "FAILS UNBROKEN"
)

func main() {
	only := flag.String("only", "", "run only mutants whose file or reason has this word")
	limit := flag.Duration("timeout", 5*time.Minute, "how long one mutant's tests may take; a test that hangs has noticed")
	fit := flag.Bool("fit", false, "only see whether every mutant still fits the source")
	verbose := flag.Bool("v", false, "show which test noticed")
	flag.Parse()
	if _, err := os.Stat("go.mod"); err != nil {
		fmt.Fprintln(os.Stderr, "mutants: run this at the top of the tree:", err)
		os.Exit(2)
	}
	if *fit {
		os.Exit(fits())
	}
	dir, err := os.MkdirTemp("", "mutants")
	if err != nil {
		fmt.Fprintln(os.Stderr, "mutants:", err)
		os.Exit(2)
	}
	code := run(dir, *only, *limit, *verbose)
	os.RemoveAll(dir)
	os.Exit(code)
}

// fits says which mutants have lost their place.
func fits() int {
	code := 0
	for _, m := range mutants {
		source, err := os.ReadFile(m.file)
		if n := bytes.Count(source, []byte(m.old)); err != nil || n != 1 {
			fmt.Printf("%s: %s: %d places have\n%s\n", m.file, m.why, n, m.old)
			code = 1
		}
	}
	if code == 0 {
		fmt.Printf("ok %d mutants fit the source\n", len(mutants))
	}
	return code
}

func run(dir, only string, limit time.Duration, verbose bool) int {
	began := time.Now()
	count := map[outcome]int{}
	all := 0
	for _, m := range mutants {
		if only != "" && !strings.Contains(m.file+" "+m.why, only) {
			continue
		}
		all++
		start := time.Now()
		got, told := try(dir, m, limit)
		count[got]++
		fmt.Printf("%-9s %5.1f s  %s: %s\n", got, time.Since(start).Seconds(), m.file, m.why)
		if got != killed || verbose {
			fmt.Print(told)
		}
	}
	if all == 0 {
		fmt.Fprintf(os.Stderr, "mutants: none has %q\n", only)
		return 2
	}
	fmt.Printf("%d of %d killed in %v", count[killed], all, time.Since(began).Round(time.Second))
	for _, o := range []outcome{survived, noBuild, misplaced, fails} {
		if count[o] > 0 {
			fmt.Printf(", %d %s", count[o], strings.ToLower(string(o)))
		}
	}
	fmt.Println()
	if count[killed] != all {
		return 1
	}
	return 0
}

// try breaks the rule and returns what the tests said, with the lines that tell.
func try(dir string, m mutant, limit time.Duration) (outcome, string) {
	source, err := os.ReadFile(m.file)
	if err != nil {
		return misplaced, "  " + err.Error() + "\n"
	}
	if n := bytes.Count(source, []byte(m.old)); n != 1 {
		return misplaced, fmt.Sprintf("  %d places have\n%s\n", n, m.old)
	}
	broken := filepath.Join(dir, "broken.go")
	if err := os.WriteFile(broken, bytes.Replace(source, []byte(m.old), []byte(m.new), 1), 0o600); err != nil {
		return misplaced, "  " + err.Error() + "\n"
	}
	here, err := filepath.Abs(m.file)
	if err != nil {
		return misplaced, "  " + err.Error() + "\n"
	}
	overlay, err := json.Marshal(map[string]map[string]string{"Replace": {here: broken}})
	if err != nil {
		return misplaced, "  " + err.Error() + "\n"
	}
	list := filepath.Join(dir, "overlay.json")
	if err := os.WriteFile(list, overlay, 0o600); err != nil {
		return misplaced, "  " + err.Error() + "\n"
	}
	pkgs := m.pkgs
	if pkgs == nil {
		pkgs = []string{"./" + filepath.Dir(m.file)}
	}
	ctx, cancel := context.WithTimeout(context.Background(), limit+2*time.Minute)
	defer cancel()
	var told string
	for _, pkg := range pkgs {
		args := []string{"-vet=off", "-failfast", "-timeout", limit.String(), "-run", m.run, pkg}
		if usesRapid(pkg) {
			args = append(args, "-rapid.nofailfile") // it would leave its finds in the tree
		}
		if err := passes(ctx, args); err != nil {
			return fails, err.Error()
		}
		out, err := exec.CommandContext(ctx, "go", append([]string{"test", "-overlay", list, "-count=1"}, args...)...).CombinedOutput()
		told += indent(string(out))
		switch {
		case err == nil:
		case bytes.Contains(out, []byte("[build failed]")), bytes.Contains(out, []byte("[setup failed]")):
			return noBuild, told
		default:
			return killed, noticed(string(out))
		}
	}
	return survived, told
}

var passed = map[string]error{}

// passes reports whether these tests pass as the tree is: one that fails anyway
// notices nothing.
func passes(ctx context.Context, args []string) error {
	key := strings.Join(args, " ")
	err, ok := passed[key]
	if !ok {
		if out, failed := exec.CommandContext(ctx, "go", append([]string{"test"}, args...)...).CombinedOutput(); failed != nil {
			err = errors.New(indent(string(out)))
		}
		passed[key] = err
	}
	return err
}

// usesRapid reports whether a package's tests know rapid's flags.
func usesRapid(pkg string) bool {
	files, err := filepath.Glob(filepath.Join(pkg, "*_test.go"))
	if err != nil {
		return false
	}
	for _, f := range files {
		if b, err := os.ReadFile(f); err == nil && bytes.Contains(b, []byte("\"pgregory.net/rapid\"")) {
			return true
		}
	}
	return false
}

// noticed keeps the names of the tests that failed.
func noticed(out string) string {
	var b strings.Builder
	for line := range strings.Lines(out) {
		if s := strings.TrimSpace(line); strings.HasPrefix(s, "--- FAIL:") || strings.HasPrefix(s, "panic:") {
			b.WriteString("  " + s + "\n")
		}
	}
	return b.String()
}

func indent(s string) string {
	return "  " + strings.ReplaceAll(strings.TrimSpace(s), "\n", "\n  ") + "\n"
}

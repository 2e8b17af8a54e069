package main

import (
	"bytes"
	"strings"
	"testing"
)

// TestWrongCommandLine is what a maker sees who mistypes: one sentence of what is
// wrong, where to read on, and exit code 2.
func TestWrongCommandLine(t *testing.T) {
	for _, c := range []struct{ args, says string }{
		{"plan recipe.toml --vessels 3", "meltstation plan: there is no option --vessels\n"},
		{"plan recipe.toml --count", "meltstation plan: --count wants a value after it\n"},
		{"plan recipe.toml --scale much", `meltstation plan: --scale "much": give a number` + "\n"},
		{"plan recipe.toml --json=perhaps", "meltstation plan: --json stands alone, without a value\n"},
		{"probes --for 3", `meltstation probes: --for "3": write a time with its unit, like 3s or 10m` + "\n"},
		{"probes --baud fast", `meltstation probes: --baud "fast": give a whole number` + "\n"},
		{"run now", `meltstation run: run takes no argument "now"` + "\n"},
	} {
		var out, err bytes.Buffer
		code := Main(t.Context(), strings.Fields(c.args), Streams{Out: &out, Err: &err})
		name := strings.Fields(c.args)[0]
		want := c.says + `"meltstation ` + name + ` --help" says what it takes.` + "\n"
		if code != 2 || err.String() != want || out.Len() > 0 {
			t.Errorf("%s: code %d, out %q, err\n%s want\n%s", c.args, code, &out, &err, want)
		}
	}
}

// TestHelpOfEachCommand asks for help in the ways people do; every command answers on
// standard output with its usage line and every option it has.
func TestHelpOfEachCommand(t *testing.T) {
	for _, c := range commands() {
		var first string
		for _, args := range [][]string{{"help", c.name}, {c.name, "--help"}, {c.name, "-h"}} {
			var out, err bytes.Buffer
			if code := Main(t.Context(), args, Streams{Out: &out, Err: &err}); code != 0 || err.Len() > 0 {
				t.Errorf("%v: code %d, err %q", args, code, &err)
			}
			if !strings.HasPrefix(out.String(), "Usage: meltstation "+c.name) {
				t.Errorf("%v: %q", args, &out)
			}
			if first == "" {
				first = out.String()
			}
			if out.String() != first {
				t.Errorf("%v differs from help %s", args, c.name)
			}
		}
	}
}

package main

import (
	"context"
	"errors"
	"flag"
	"fmt"
	"io"
	"strings"
	"time"
)

// Streams are what a command reads and writes.
type Streams struct {
	In       io.Reader
	Out, Err io.Writer
}

// command is one thing the program does, in a file of its own.
type command struct {
	name    string
	args    string // what follows the name, for the usage line
	summary string // one line
	run     func(ctx context.Context, args []string, std Streams) error
}

// commands lists every command in the order the help shows them.
func commands() []command {
	return []command{
		demoCommand(),
		runCommand(),
		pairCommand(),
		probesCommand(),
		calibrateCommand(),
		replayCommand(),
		exportCommand(),
		backupCommand(),
		restoreCommand(),
		planCommand(),
		callCommand(),
		unitCommand(),
		licencesCommand(),
		versionCommand(),
	}
}

// errUsage marks an error of the command line itself: exit code 2.
var errUsage = errors.New("usage")

// Main runs one command and returns the exit code: 0 done, 1 failed, 2 the
// command line is wrong.
func Main(ctx context.Context, args []string, std Streams) int {
	if len(args) == 0 {
		usage(std.Out)
		return 2
	}
	switch args[0] {
	case "help", "-h", "-help", "--help":
		if len(args) == 1 {
			usage(std.Out)
			return 0
		}
		args = []string{args[1], "--help"} // "help plan"
	case "-version", "--version":
		args[0] = "version"
	}
	for _, c := range commands() {
		if c.name != args[0] {
			continue
		}
		err := c.run(ctx, args[1:], std)
		switch {
		case err == nil, errors.Is(err, flag.ErrHelp):
			return 0
		case errors.Is(err, errUsage):
			fmt.Fprintf(std.Err, "meltstation %s: %s\n", c.name, strings.TrimPrefix(err.Error(), errUsage.Error()+": "))
			fmt.Fprintf(std.Err, "\"meltstation %s --help\" says what it takes.\n", c.name)
			return 2
		default:
			fmt.Fprintf(std.Err, "meltstation %s: %v\n", c.name, err)
			return 1
		}
	}
	fmt.Fprintf(std.Err, "meltstation: there is no command %q; \"meltstation help\" lists them\n", args[0])
	return 2
}

func usage(w io.Writer) {
	var b strings.Builder
	b.WriteString("meltstation watches the wax and calls you in time.\n\n")
	for _, c := range commands() {
		fmt.Fprintf(&b, "  meltstation %s\n      %s\n", strings.TrimSpace(c.name+" "+c.args), c.summary)
	}
	b.WriteString("\nIt is an aid, not a safety device: never leave melting wax alone.\n")
	io.WriteString(w, b.String())
}

// parse reads a command's flags. Flags may stand before or after the other
// arguments, which it returns.
func parse(fs *flag.FlagSet, c string, args []string, std Streams) ([]string, error) {
	fs.SetOutput(io.Discard) // Main says what is wrong, once
	fs.Usage = func() {}
	var rest []string
	for {
		if err := fs.Parse(args); err != nil {
			if errors.Is(err, flag.ErrHelp) {
				flagHelp(std.Out, c, fs)
				return nil, err
			}
			return nil, fmt.Errorf("%w: %s", errUsage, flagError(fs, err))
		}
		args = fs.Args()
		if len(args) == 0 {
			return rest, nil
		}
		rest, args = append(rest, args[0]), args[1:]
	}
}

// flagHelp lists the options as the usage line and README write them, with two
// dashes; package flag reads either.
func flagHelp(w io.Writer, c string, fs *flag.FlagSet) {
	var b strings.Builder
	fmt.Fprintf(&b, "Usage: meltstation %s\n", c)
	fs.VisitAll(func(f *flag.Flag) {
		value, what := flag.UnquoteUsage(f)
		fmt.Fprintf(&b, "  %s\n      %s", strings.TrimSpace("--"+f.Name+" "+value), what)
		switch f.DefValue {
		case "", "0", "0s", "false":
		default:
			fmt.Fprintf(&b, " (default %s)", f.DefValue)
		}
		b.WriteByte('\n')
	})
	io.WriteString(w, b.String())
}

// flagError words package flag's errors for someone who is no programmer.
func flagError(fs *flag.FlagSet, err error) string {
	s := err.Error()
	if name, ok := strings.CutPrefix(s, "flag provided but not defined: -"); ok {
		return "there is no option --" + name
	}
	if name, ok := strings.CutPrefix(s, "flag needs an argument: -"); ok {
		return "--" + name + " wants a value after it"
	}
	if rest, ok := strings.CutPrefix(s, "invalid value "); ok {
		value, rest, ok := strings.Cut(rest, " for flag -")
		name, why, ok2 := strings.Cut(rest, ": ")
		if ok && ok2 {
			if f := fs.Lookup(name); f != nil && why == "parse error" {
				if g, is := f.Value.(flag.Getter); is {
					why = likeness(g.Get())
				}
			}
			return "--" + name + " " + value + ": " + why
		}
	}
	if rest, ok := strings.CutPrefix(s, "invalid boolean value "); ok {
		if _, name, ok := strings.Cut(rest, " for -"); ok {
			name, _, _ = strings.Cut(name, ":")
			return "--" + name + " stands alone, without a value"
		}
	}
	return s
}

// likeness says how a value of v's type is written.
func likeness(v any) string {
	switch v.(type) {
	case time.Duration:
		return "write a time with its unit, like 3s or 10m"
	case int, int64, uint, uint64:
		return "give a whole number"
	case float64:
		return "give a number"
	}
	return "it can't be read"
}

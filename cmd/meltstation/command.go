package main

import (
	"context"
	"errors"
	"flag"
	"fmt"
	"io"
	"strings"
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
	}
}

// errUsage marks an error of the command line itself: exit code 2.
var errUsage = errors.New("usage")

// Main runs one command and returns the exit code: 0 done, 1 failed, 2 the
// command line is wrong.
func Main(ctx context.Context, args []string, std Streams) int {
	if len(args) == 0 || args[0] == "help" || args[0] == "-h" || args[0] == "--help" {
		usage(std.Out)
		if len(args) == 0 {
			return 2
		}
		return 0
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
			fmt.Fprintf(std.Err, "meltstation %s: %v\n", c.name, err)
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
	fs.SetOutput(std.Err)
	fs.Usage = func() {
		fmt.Fprintf(std.Err, "Usage: meltstation %s\n", c)
		fs.PrintDefaults()
	}
	var rest []string
	for {
		if err := fs.Parse(args); err != nil {
			if errors.Is(err, flag.ErrHelp) {
				return nil, err
			}
			return nil, fmt.Errorf("%w: %w", errUsage, err)
		}
		args = fs.Args()
		if len(args) == 0 {
			return rest, nil
		}
		rest, args = append(rest, args[0]), args[1:]
	}
}

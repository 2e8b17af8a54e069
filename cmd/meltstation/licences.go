package main

import (
	"context"
	"errors"
	"flag"
	"fmt"
	"runtime"
	"runtime/debug"

	"example.org/meltstation/cmd/meltstation/licences"
	"example.org/meltstation/dashboard/page"
)

func licencesCommand() command {
	return command{
		name: "licences", args: "[--full]", summary: "what is built in, and under which licence",
		run: func(_ context.Context, args []string, std Streams) error {
			fs := flag.NewFlagSet("licences", flag.ContinueOnError)
			full := fs.Bool("full", false, "print every licence whole")
			if rest, err := parse(fs, "licences [--full]", args, std); err != nil || len(rest) > 0 {
				if err == nil {
					err = fmt.Errorf("%w: licences takes no argument %q", errUsage, rest[0])
				}
				return err
			}
			info, ok := debug.ReadBuildInfo()
			if !ok {
				return errors.New("this build does not say what it is made of; build it with modules")
			}
			chart, err := page.Vendored()
			if err != nil {
				return err
			}
			more := []licences.Part{{Name: "Go standard library", Version: runtime.Version(), Licence: "BSD-3-Clause", Text: "See https://go.dev/LICENSE"}}
			for _, v := range chart {
				more = append(more, licences.Part{Name: v.Name, Version: v.Version, Licence: licences.Identify(v.Licence), Text: v.Licence})
			}
			parts, err := licences.Parts(info.Deps, more...)
			if err != nil {
				return err
			}
			return licences.List(std.Out, parts, *full)
		},
	}
}

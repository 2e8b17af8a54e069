package main

import (
	"context"
	"flag"
	"fmt"
	"log/slog"
	"runtime"
	"runtime/debug"

	"example.org/meltstation/cmd/meltstation/app"
	"example.org/meltstation/cmd/meltstation/config"
)

func runCommand() command {
	return command{
		name: "run", args: "[--config FILE]", summary: "watch the pots: the daemon",
		run: func(ctx context.Context, args []string, std Streams) error {
			fs := flag.NewFlagSet("run", flag.ContinueOnError)
			path := fs.String("config", "", "the settings `file`; without one, sensible defaults")
			check := fs.Bool("check", false, "only say whether the settings can be used")
			rest, err := parse(fs, "run [--config FILE] [--check]", args, std)
			if err != nil {
				return err
			}
			if len(rest) > 0 {
				return fmt.Errorf("%w: run takes no argument %q", errUsage, rest[0])
			}
			c := config.Default()
			if *path != "" {
				if c, err = config.Load(*path); err != nil {
					return err
				}
			}
			if *check {
				name, probes := *path, count(len(c.Probes), "probe")
				if name == "" {
					name = "The station without a settings file"
				}
				if len(c.Probes) == 0 {
					probes = "1-Wire probes as they are found"
				}
				fmt.Fprintf(std.Out, "%s can be used: %s, %s\n", name, count(len(c.Pots), "pot"), probes)
				return nil
			}
			log := slog.New(slog.NewTextHandler(std.Err, nil))
			return app.Run(ctx, app.Options{
				Config: c, Version: version(), Log: log,
				Ready: func(r app.Running) {
					fmt.Fprintf(std.Out, "The station is watching. Open %s\nThe trace is in %s. Ctrl-C stops the station.\n", r.URL, r.Trace)
				},
			})
		},
	}
}

func count(n int, word string) string {
	if n == 1 {
		return "1 " + word
	}
	return fmt.Sprintf("%d %ss", n, word)
}

func versionCommand() command {
	return command{
		name: "version", summary: "print which version this is",
		run: func(_ context.Context, args []string, std Streams) error {
			fs := flag.NewFlagSet("version", flag.ContinueOnError)
			rest, err := parse(fs, "version", args, std)
			if err != nil {
				return err
			}
			if len(rest) > 0 {
				return fmt.Errorf("%w: version takes no argument %q", errUsage, rest[0])
			}
			_, err = fmt.Fprintf(std.Out, "meltstation %s, built with %s\n", version(), runtime.Version())
			return err
		},
	}
}

// version is the program's, as the build recorded it.
func version() string {
	info, ok := debug.ReadBuildInfo()
	if !ok {
		return "unknown"
	}
	v := info.Main.Version
	if v == "" || v == "(devel)" {
		v = "development"
	}
	return v
}

package main

import (
	"context"
	"errors"
	"flag"
	"fmt"
	"time"

	"example.org/meltstation/cmd/meltstation/app"
	"example.org/meltstation/cmd/meltstation/config"
)

func callCommand() command {
	return command{
		name: "call", args: "--config FILE", summary: "try every way to reach you: webhook, mail, push, pin",
		run: func(ctx context.Context, args []string, std Streams) error {
			fs := flag.NewFlagSet("call", flag.ContinueOnError)
			path := fs.String("config", "", "the settings `file` that names the channels")
			if rest, err := parse(fs, "call --config FILE", args, std); err != nil {
				return err
			} else if len(rest) > 0 || *path == "" {
				return fmt.Errorf("%w: give the settings file with --config", errUsage)
			}
			c, err := config.Load(*path)
			if err != nil {
				return err
			}
			ctx, cancel := context.WithTimeout(ctx, time.Minute)
			defer cancel()
			results, err := app.CallAll(ctx, c)
			if err != nil {
				return err
			}
			failed := 0
			for _, r := range results {
				if r.Err != nil {
					failed++
					fmt.Fprintf(std.Out, "%-12s %-8s failed: %v\n", r.Name, r.Kind, r.Err)
					continue
				}
				fmt.Fprintf(std.Out, "%-12s %-8s reached in %.1f s\n", r.Name, r.Kind, r.Took.Seconds())
			}
			if failed > 0 {
				return errors.New("not every channel could be reached")
			}
			return nil
		},
	}
}

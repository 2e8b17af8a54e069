package main

import (
	"context"
	_ "embed"
	"flag"
	"fmt"
	"os"
	"path/filepath"
	"strings"
)

// unitText is the systemd unit with everything closed that the station does not
// need; each line that opens something says for what.
//
//go:embed meltstation.service
var unitText string

func unitCommand() command {
	return command{
		name: "unit", args: "[--config FILE]", summary: "print a systemd unit that starts the station at boot",
		run: func(_ context.Context, args []string, std Streams) error {
			fs := flag.NewFlagSet("unit", flag.ContinueOnError)
			conf := fs.String("config", "/etc/meltstation/station.toml", "the settings `file` the unit starts with")
			rest, err := parse(fs, "unit [--config FILE]", args, std)
			if err != nil {
				return err
			}
			if len(rest) > 0 {
				return fmt.Errorf("%w: unit takes no argument %q", errUsage, rest[0])
			}
			for _, p := range []*string{conf} {
				if !filepath.IsAbs(*p) || strings.ContainsAny(*p, " \t\n\"'%\\") {
					return fmt.Errorf("%w: --config must be an absolute path without blanks or quotes", errUsage)
				}
			}
			exe, err := os.Executable()
			if err != nil || strings.ContainsAny(exe, " \t\n\"'%\\") || strings.HasPrefix(exe, os.TempDir()) {
				exe = "/usr/local/bin/meltstation"
			}
			_, err = fmt.Fprint(std.Out, strings.NewReplacer("{{exe}}", exe, "{{config}}", *conf).Replace(unitText))
			return err
		},
	}
}

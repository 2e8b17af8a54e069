package main

import (
	"context"
	"errors"
	"flag"
	"fmt"
	"os"
	"path/filepath"
	"time"

	"example.org/meltstation/cmd/meltstation/app"
	"example.org/meltstation/probe/trace"
)

// backupCommand copies the trace of a station that may be running.
func backupCommand() command {
	return command{
		name: "backup", args: "FILE", summary: "copy the trace, also while the station runs",
		run: runBackup,
	}
}

func runBackup(ctx context.Context, args []string, std Streams) error {
	fs := flag.NewFlagSet("backup", flag.ContinueOnError)
	at := whereFlags(fs)
	rest, err := parse(fs, "backup FILE|FOLDER [--config FILE|--data FOLDER|--trace FILE]", args, std)
	if err != nil {
		return err
	}
	if len(rest) != 1 {
		return fmt.Errorf("%w: name the file to write, or a folder to put it in", errUsage)
	}
	_, src, err := at.settle()
	if err != nil {
		return err
	}
	dst := rest[0]
	if info, err := os.Stat(dst); err == nil && info.IsDir() {
		dst = filepath.Join(dst, "meltstation-"+time.Now().UTC().Format("20060102T150405Z")+".db")
	}
	err = trace.Backup(ctx, src, dst)
	switch {
	case errors.Is(err, os.ErrNotExist):
		return fmt.Errorf("%w; name the trace with --trace FILE, or the station's data folder with --data FOLDER", err)
	case errors.Is(err, trace.ErrDamaged):
		return fmt.Errorf("%w; nothing was written: keep the backups you have, and start the station again, which sets the damaged file aside and carries over what can be read", err)
	case err != nil:
		return err
	}
	info, err := os.Stat(dst)
	if err != nil {
		return err
	}
	fmt.Fprintf(std.Out, "Copied and checked: %s (%.1f MB)\n", dst, float64(info.Size())/1e6)
	return nil
}

// restoreCommand brings a backup back.
func restoreCommand() command {
	return command{
		name: "restore", args: "FILE", summary: "bring a backup back, keeping what it replaces",
		run: runRestore,
	}
}

func runRestore(ctx context.Context, args []string, std Streams) error {
	fs := flag.NewFlagSet("restore", flag.ContinueOnError)
	at := whereFlags(fs)
	rest, err := parse(fs, "restore FILE [--config FILE|--data FOLDER|--trace FILE]", args, std)
	if err != nil {
		return err
	}
	if len(rest) != 1 {
		return fmt.Errorf("%w: name the backup to bring back", errUsage)
	}
	_, dst, err := at.settle()
	if err != nil {
		return err
	}
	kept, err := trace.Restore(ctx, rest[0], dst, time.Now())
	if errors.Is(err, trace.ErrDamaged) {
		return fmt.Errorf("%w; nothing was changed: try an older backup", err)
	}
	if err != nil {
		return err
	}
	fmt.Fprintf(std.Out, "Checked and brought back: %s\n", dst)
	if kept != "" {
		fmt.Fprintf(std.Out, "What was there is kept as %s\n", kept)
	}
	fmt.Fprintf(std.Out, "Start the station again; it goes on from there. (%s is the trace in its data folder.)\n", app.TraceName)
	return nil
}

package main

import (
	"cmp"
	"context"
	"errors"
	"flag"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"time"

	"example.org/meltstation/alerts"
	"example.org/meltstation/alerts/record"
	"example.org/meltstation/cmd/meltstation/app"
	"example.org/meltstation/cmd/meltstation/config"
	"example.org/meltstation/dashboard/records"
	"example.org/meltstation/probe/trace"
)

// where is the trace that a command is about.
type where struct{ config, data, file *string }

func whereFlags(fs *flag.FlagSet) where {
	return where{
		config: fs.String("config", "", "the station's settings `file`"),
		data:   fs.String("data", "", "the station's data `folder`"),
		file:   fs.String("trace", "", "the trace itself, a `file` such as "+app.TraceName),
	}
}

// settle returns the station's settings and the path of its trace.
func (w where) settle() (*config.Config, string, error) {
	given := 0
	for _, v := range []string{*w.config, *w.data, *w.file} {
		if v != "" {
			given++
		}
	}
	if given > 1 {
		return nil, "", fmt.Errorf("%w: give one of --config, --data and --trace", errUsage)
	}
	c := config.Default()
	if *w.config != "" {
		var err error
		if c, err = config.Load(*w.config); err != nil {
			return nil, "", err
		}
	}
	return c, cmp.Or(*w.file, filepath.Join(cmp.Or(*w.data, c.Data), app.TraceName)), nil
}

// exportCommand writes a batch out of the trace.
func exportCommand() command {
	return command{
		name: "export", args: "BATCH [--format csv]", summary: "write out a batch: its trace, record, picture or calendar",
		run: runExport,
	}
}

func runExport(ctx context.Context, args []string, std Streams) error {
	fs := flag.NewFlagSet("export", flag.ContinueOnError)
	at := whereFlags(fs)
	format := fs.String("format", "csv", "`csv` (every reading, event, alarm and cue), json (the same with the record), html (the record for paper), svg (the curve) or ics (what is still due, for a calendar)")
	to := fs.String("out", "", "the `file` to write; without it, the screen")
	rest, err := parse(fs, "export [BATCH|latest] [--format csv|json|html|svg|ics] [--out FILE] [--config FILE|--data FOLDER|--trace FILE]", args, std)
	if err != nil {
		return err
	}
	if len(rest) > 1 {
		return fmt.Errorf("%w: export takes one batch at a time", errUsage)
	}
	if !slices.Contains(records.Formats, *format) {
		return fmt.Errorf("%w: --format is one of %s, not %q", errUsage, strings.Join(records.Formats, ", "), *format)
	}
	c, path, err := at.settle()
	if err != nil {
		return err
	}
	store, err := trace.Open(path, trace.Options{ReadOnly: true})
	if errors.Is(err, os.ErrNotExist) {
		return fmt.Errorf("there is no trace at %s; name it with --trace FILE, or the station's data folder with --data FOLDER", path)
	}
	if err != nil {
		return err
	}
	defer store.Close()
	batch, err := findBatch(ctx, store, append(rest, "latest")[0])
	if err != nil {
		return err
	}
	names := map[string]string{}
	for _, p := range c.Probes {
		names[p.Spec.ID] = p.Spec.Name
	}
	book := &records.Book{Store: store, Station: c.Name, Location: time.Local, Units: alerts.Units{Temperature: c.Units, Mass: c.Mass, Probes: names}, PotName: func(id string) string {
		for _, p := range c.Pots {
			if p.ID == id {
				return p.Name
			}
		}
		return ""
	}}
	write := func(w io.Writer) error {
		switch *format {
		case "json":
			r, err := book.Record(ctx, batch.ID)
			if err != nil {
				return err
			}
			photos, err := book.Photos(ctx, r)
			if err != nil {
				return err
			}
			pictures := map[string][]byte{} // JPEG
			for name, p := range photos {
				pictures[name] = p.Data
			}
			return trace.WriteJSON(ctx, w, store, batch, struct {
				record.Record
				Pictures map[string][]byte `json:"pictures,omitempty"`
			}{r, pictures})
		default:
			return book.Write(ctx, w, batch.ID, *format)
		}
	}
	if *to == "" {
		err = write(std.Out)
	} else {
		err = writeFile(*to, write)
	}
	if err != nil {
		return fmt.Errorf("exporting batch %s: %w", batch.ID, err)
	}
	if n := store.Health().Damaged; n > 0 {
		return fmt.Errorf("batch %s is written, but %d packets of readings (some seconds each) are damaged on disk and missing from it; \"meltstation restore\" brings back a backup", batch.ID, n)
	}
	return nil
}

// findBatch returns the batch of a code, or the newest for "latest".
func findBatch(ctx context.Context, store *trace.Store, id string) (trace.Batch, error) {
	if id == "latest" {
		list, err := store.Batches(ctx, trace.Query{Limit: 1})
		if err != nil {
			return trace.Batch{}, err
		}
		if len(list) == 0 {
			return trace.Batch{}, fmt.Errorf("no batch is in %s yet", store.Path())
		}
		return list[0], nil
	}
	b, err := store.Batch(ctx, id)
	if !errors.Is(err, trace.ErrNoBatch) {
		return b, err
	}
	ids, listErr := store.BatchIDs(ctx)
	if listErr != nil || len(ids) == 0 {
		return b, err
	}
	return b, fmt.Errorf("%w; the nearest are %s", err, strings.Join(nearest(id, ids, 5), ", "))
}

// nearest returns the n of ids that are the least different from id; of those
// alike, the earlier in the list.
func nearest(id string, ids []string, n int) []string {
	ids = slices.Clone(ids)
	far := map[string]int{}
	for _, other := range ids {
		far[other] = distance(strings.ToLower(id), strings.ToLower(other))
	}
	slices.SortStableFunc(ids, func(a, b string) int { return cmp.Compare(far[a], far[b]) })
	return ids[:min(n, len(ids))]
}

// distance is how many characters must be added, removed or changed to make b of
// a (Levenshtein, 1966).
func distance(a, b string) int {
	x, y := []rune(a), []rune(b)
	row := make([]int, len(y)+1)
	for j := range row {
		row[j] = j
	}
	for i := range x {
		diagonal := row[0]
		row[0] = i + 1
		for j := range y {
			cost := diagonal
			if x[i] != y[j] {
				cost++
			}
			diagonal = row[j+1]
			row[j+1] = min(cost, row[j]+1, diagonal+1)
		}
	}
	return row[len(y)]
}

// writeFile writes a file whole or not at all: under another name first.
func writeFile(path string, write func(io.Writer) error) (err error) {
	f, err := os.CreateTemp(filepath.Dir(path), "."+filepath.Base(path)+".*")
	if err != nil {
		return err
	}
	defer func() {
		if err != nil {
			f.Close()
			os.Remove(f.Name())
		}
	}()
	if err := write(f); err != nil {
		return err
	}
	if err := f.Sync(); err != nil {
		return err
	}
	if err := f.Close(); err != nil {
		return err
	}
	return os.Rename(f.Name(), path)
}

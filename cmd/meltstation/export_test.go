package main

import (
	"bytes"
	"encoding/json"
	"math"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"example.org/meltstation/alerts/forecast"
	"example.org/meltstation/alerts/station"
	"example.org/meltstation/cmd/meltstation/app"
	"example.org/meltstation/probe"
	"example.org/meltstation/probe/trace"
)

// runCommandLine runs one command of the program in this process.
func runCommandLine(t *testing.T, want int, args ...string) (out, errs string) {
	t.Helper()
	var o, e bytes.Buffer
	if code := Main(t.Context(), args, Streams{In: strings.NewReader(""), Out: &o, Err: &e}); code != want {
		t.Fatalf("meltstation %s: exit code %d, want %d\n%s%s", strings.Join(args, " "), code, want, &o, &e)
	}
	return o.String(), e.String()
}

// overheard is a forecaster that knows nothing of the batch but its readings, and
// remembers what it was given and what it would have said.
type overheard struct {
	*forecast.Engine
	target float64
	said   *[]forecastSaid
}

type forecastSaid struct {
	celsius float64
	status  forecast.Status
	eta     float64
}

func (o overheard) Add(t, c float64) {
	o.Engine.Add(t, c)
	f := o.Crossing(o.target, forecast.Cooling)
	*o.said = append(*o.said, forecastSaid{c, f.Status, f.Eta})
}

// A batch goes through the station; what export writes of it, replay takes, and
// forecasts what the station forecast, reading by reading.
func TestExportedBatchReplaysTheSame(t *testing.T) {
	const target = 57.0
	var said []forecastSaid
	perform(t, demoScenario(11), func(k forecast.Known) station.Forecaster {
		said = nil // a batch begins with a new one
		return overheard{forecast.New(k), target, &said}
	})
	found, err := filepath.Glob(filepath.Join(filepath.Dir(t.TempDir()), "*", "demo.db"))
	if err != nil || len(found) != 1 {
		t.Fatal(found, err)
	}
	table := filepath.Join(t.TempDir(), "batch.csv")
	runCommandLine(t, 0, "export", "--trace", found[0], "--out", table)
	out, _ := runCommandLine(t, 0, "replay", "--target", "57C", "--direction", "cooling", "--json", table)
	lines := strings.Split(strings.TrimSpace(out), "\n")
	var replayed []forecastSaid
	for _, line := range lines {
		var l struct {
			Celsius  *float64 `json:"temp_c"`
			Forecast struct {
				Status forecast.Status `json:"status"`
				Eta    *float64        `json:"eta_s"`
			} `json:"forecast"`
		}
		if err := json.Unmarshal([]byte(line), &l); err != nil {
			t.Fatalf("%v in %s", err, line)
		}
		if l.Celsius == nil {
			continue
		}
		f := forecastSaid{*l.Celsius, l.Forecast.Status, math.NaN()}
		if l.Forecast.Eta != nil {
			f.eta = *l.Forecast.Eta
		}
		replayed = append(replayed, f)
	}
	t.Logf("the station forecast at %d readings, the replay at %d", len(said), len(replayed))
	differ, with := 0, 0 // replay prints hundredths of a second
	for i := range min(len(said), len(replayed)) {
		s, r := said[i], replayed[i]
		if s.celsius != r.celsius {
			t.Fatalf("reading %d is %v °C, in the station it was %v", i, r.celsius, s.celsius)
		}
		if !math.IsNaN(s.eta) {
			with++
		}
		if s.status != r.status || math.Abs(s.eta-r.eta) > 0.0051 || math.IsNaN(s.eta) != math.IsNaN(r.eta) {
			differ++
			if differ < 5 {
				t.Errorf("reading %d: replay says %+v, the station said %+v", i, r, s)
			}
		}
	}
	if differ > 0 || with < 100 {
		t.Errorf("%d of %d forecasts differ, %d with a time", differ, len(said), with)
	}
}

// boathouse is a data folder with a few batches.
func boathouse(t *testing.T) (data string, store func() *trace.Store) {
	t.Helper()
	data = t.TempDir()
	open := func() *trace.Store {
		s, err := trace.Open(filepath.Join(data, app.TraceName), trace.Options{})
		if err != nil {
			t.Fatal(err)
		}
		return s
	}
	s := open()
	defer s.Close()
	begin := time.Date(2025, time.October, 4, 7, 30, 0, 0, time.UTC)
	for _, id := range []string{"BH-001", "BH-002", "BH-010"} {
		if err := s.PutBatch(t.Context(), trace.Batch{ID: id, Pot: "pot", Name: "Tarred Rope", Stage: "cooling", Started: begin, Sheet: []byte(`{"name":"Tarred Rope"}`)}); err != nil {
			t.Fatal(err)
		}
		for n := range 20 {
			at := time.Duration(n) * time.Second
			s.Append(trace.Entry{Batch: id, Pot: "pot", At: at, Wall: begin.Add(at), Kind: trace.KindReading, Probe: "pot-1", Role: probe.RolePot,
				Celsius: 80 - float64(n)/16, Raw: 80 - float64(n)/16, Quality: probe.Good})
		}
		if _, err := s.Commit(t.Context(), trace.Entry{Batch: id, Pot: "pot", At: 21 * time.Second, Wall: begin.Add(21 * time.Second), Kind: trace.KindEvent,
			ID: "e", Name: "note", Data: []byte(`{"id":"e","kind":"note","text":"=smells of tar, a lot"}`)}); err != nil {
			t.Fatal(err)
		}
	}
	return data, open
}

func TestExport(t *testing.T) {
	data, _ := boathouse(t)
	out, _ := runCommandLine(t, 0, "export", "BH-002", "--data", data)
	if !strings.HasPrefix(out, "# batch BH-002, Tarred Rope\r\n") || !strings.Contains(out, `"'=smells of tar, a lot"`) {
		t.Errorf("CSV:\n%s", out)
	}
	if n := strings.Count(out, "pot-1,pot,good"); n != 20 {
		t.Errorf("%d readings, want 20", n)
	}
	for _, args := range [][]string{{}, {"latest"}} {
		out, _ := runCommandLine(t, 0, append([]string{"export", "--data", data}, args...)...)
		if !strings.HasPrefix(out, "# batch BH-010") {
			t.Errorf("export %v gives %.40q, want the newest batch", args, out)
		}
	}
	out, _ = runCommandLine(t, 0, "export", "BH-001", "--trace", filepath.Join(data, app.TraceName), "--format", "json")
	var whole struct {
		Batch   trace.Batch
		Record  map[string]any
		Entries []trace.Entry
	}
	if err := json.Unmarshal([]byte(out), &whole); err != nil || whole.Batch.ID != "BH-001" || len(whole.Entries) != 21 || whole.Record == nil {
		t.Errorf("JSON: %v, %+v", err, whole.Batch)
	}
	file := filepath.Join(data, "record.html")
	if out, _ := runCommandLine(t, 0, "export", "BH-001", "--data", data, "--format", "html", "--out", file); out != "" {
		t.Errorf("export to a file says %q", out)
	}
	if html, err := os.ReadFile(file); err != nil || !strings.Contains(string(html), "BH-001") {
		t.Errorf("the record: %v", err)
	}
	for _, tt := range []struct {
		want string
		code int
		args []string
	}{
		{"the nearest are BH-002, BH-001, BH-010", 1, []string{"BH-004", "--data", data}},
		{"not poured yet", 1, []string{"BH-001", "--data", data, "--format", "ics"}},
		{"there is no trace at", 1, []string{"--data", t.TempDir()}},
		{"--format is one of", 2, []string{"--data", data, "--format", "pdf"}},
		{"one batch at a time", 2, []string{"BH-001", "BH-002", "--data", data}},
		{"give one of", 2, []string{"BH-001", "--data", data, "--trace", "x"}},
	} {
		if _, errs := runCommandLine(t, tt.code, append([]string{"export"}, tt.args...)...); !strings.Contains(errs, tt.want) {
			t.Errorf("export %v says %q, want %q in it", tt.args, errs, tt.want)
		}
	}
	// A file that fails half-way is not left behind.
	before, _ := os.ReadDir(data)
	runCommandLine(t, 1, "export", "BH-001", "--data", data, "--format", "ics", "--out", filepath.Join(data, "wait.ics"))
	if after, _ := os.ReadDir(data); len(after) != len(before) {
		t.Errorf("left behind: %v", after)
	}
}

func TestBackupAndRestore(t *testing.T) {
	data, open := boathouse(t)
	want, _ := runCommandLine(t, 0, "export", "BH-001", "--data", data)
	s := open() // a station that runs
	defer s.Close()
	folder := t.TempDir()
	out, _ := runCommandLine(t, 0, "backup", folder, "--data", data)
	copies, err := filepath.Glob(filepath.Join(folder, "meltstation-*.db"))
	if err != nil || len(copies) != 1 || !strings.Contains(out, copies[0]) {
		t.Fatalf("backup says %q; in the folder: %q, %v", out, copies, err)
	}
	if _, errs := runCommandLine(t, 1, "backup", copies[0], "--data", data); !strings.Contains(errs, "nothing is overwritten") {
		t.Errorf("backup onto a file that is there says %q", errs)
	}
	if _, errs := runCommandLine(t, 1, "restore", copies[0], "--data", data); !strings.Contains(errs, "another meltstation already writes") {
		t.Errorf("restore under a running station says %q", errs)
	}
	if err := s.PutBatch(t.Context(), trace.Batch{ID: "BH-011", Pot: "pot"}); err != nil {
		t.Fatal(err)
	}
	if err := s.Close(); err != nil {
		t.Fatal(err)
	}
	out, _ = runCommandLine(t, 0, "restore", copies[0], "--data", data)
	if !strings.Contains(out, ".replaced-") {
		t.Errorf("restore says %q, not what it kept", out)
	}
	if got, _ := runCommandLine(t, 0, "export", "BH-001", "--data", data); got != want {
		t.Error("the batch that was brought back is not the one that was copied")
	}
	if out, _ := runCommandLine(t, 0, "export", "--data", data); !strings.HasPrefix(out, "# batch BH-010") {
		t.Errorf("the newest batch is %.40q, want BH-010", out)
	}
	text := filepath.Join(folder, "notes.txt")
	if err := os.WriteFile(text, []byte("pour cooler next time\n"), 0o600); err != nil {
		t.Fatal(err)
	}
	if _, errs := runCommandLine(t, 1, "restore", text, "--data", data); !strings.Contains(errs, "not a meltstation database") {
		t.Errorf("restore of a text says %q", errs)
	}
	runCommandLine(t, 2, "restore", "--data", data)
	runCommandLine(t, 2, "backup", "--data", data)
}

func TestNearest(t *testing.T) {
	got := nearest("bh-01", []string{"ZZ-1", "BH-011", "BH-10", "BH-01"}, 3)
	if want := "BH-01 BH-011 BH-10"; strings.Join(got, " ") != want {
		t.Errorf("nearest: %v, want %s", got, want)
	}
	// The usual example: k→s, e→i, g.
	if d := distance("kitten", "sitting"); d != 3 {
		t.Errorf("distance of kitten and sitting is %d, want 3", d)
	}
}

func TestVersion(t *testing.T) {
	for _, how := range []string{"version", "--version"} {
		if out, errs := runCommandLine(t, 0, how); !strings.HasPrefix(out, "meltstation "+version()+", built with go") || errs != "" {
			t.Errorf("%s prints %q, %q", how, out, errs)
		}
	}
	if _, errs := runCommandLine(t, 2, "version", "please"); !strings.Contains(errs, "takes no argument") {
		t.Errorf("an argument too many: %q", errs)
	}
}

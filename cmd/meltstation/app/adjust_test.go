package app

import (
	"context"
	"log/slog"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"example.org/meltstation/alerts/station"
	"example.org/meltstation/cmd/meltstation/config"
	"example.org/meltstation/probe"
	"example.org/meltstation/probe/calibrate"
	"example.org/meltstation/probe/trace"
)

// A calibration is taken up while the station runs; a doubtful one is shown, and a
// file that can't be used leaves the last one in force.
func TestAdjuster(t *testing.T) {
	c := config.Default()
	c.Data = t.TempDir()
	log := slog.New(slog.DiscardHandler)
	store, err := trace.Open(filepath.Join(c.Data, TraceName), trace.Options{Log: log})
	if err != nil {
		t.Fatal(err)
	}
	defer store.Close()
	st, err := station.New(context.Background(), station.Options{
		Name: c.Name, Units: c.Units, Mass: c.Mass, Pots: pots(c), Default: c.Sheet,
		Boiling: c.Sheet.Thresholds.BathCeiling, Store: store, Alarms: c.Alarms, Log: log,
	})
	if err != nil {
		t.Fatal(err)
	}
	trouble := func() string {
		for _, tr := range st.Troubles() {
			if tr.Key == "calibration" {
				return tr.Text
			}
		}
		return ""
	}
	const id = "28-0316a2795bff"
	specs := []probe.Spec{{ID: id, Kind: "w1", Where: id}, {ID: "other"}}
	a := newAdjuster(c, Options{Log: log}, st)

	if out := a.apply(specs); out[0].Adjust != nil || trouble() != "" {
		t.Errorf("no calibrations: adjusted %v, trouble %q", out[0].Adjust != nil, trouble())
	}
	path := filepath.Join(c.Data, calibrate.FileName)
	add := func(raw float64, at time.Time) {
		t.Helper()
		if _, err := calibrate.Add(path, calibrate.Point{Probe: id, Kind: calibrate.Ice, Raw: raw, At: at, By: "Ada"}); err != nil {
			t.Fatal(err)
		}
	}
	add(0.75, time.Now().Add(-time.Hour)) // a DS18B20 may be off by 0.5 °C
	out := a.apply(specs)
	if out[0].Adjust == nil || out[0].Adjust(57.75) != 57 || out[1].Adjust != nil || specs[0].Adjust != nil {
		t.Error("the new calibration is not applied, or to the wrong probe")
	}
	if !strings.Contains(trouble(), "±0.5 °C") {
		t.Errorf("trouble %q", trouble())
	}
	add(0.25, time.Now())
	if out := a.apply(specs); out[0].Adjust(57.25) != 57 || trouble() != "" {
		t.Errorf("after a better one: %v, trouble %q", out[0].Adjust(57.25), trouble())
	}
	if err := os.WriteFile(path, []byte("[[point]]\nprobe = \n"), 0o600); err != nil {
		t.Fatal(err)
	}
	if out := a.apply(specs); out[0].Adjust == nil || out[0].Adjust(57.25) != 57 || !strings.Contains(trouble(), "line 2") {
		t.Errorf("after the file was spoilt: trouble %q", trouble())
	}
}

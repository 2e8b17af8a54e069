package main

import (
	"bytes"
	"context"
	"log/slog"
	"math"
	"net/http"
	"path/filepath"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"

	"example.org/meltstation/alerts"
	"example.org/meltstation/alerts/plan"
	"example.org/meltstation/alerts/station"
	"example.org/meltstation/cmd/meltstation/app"
	"example.org/meltstation/probe"
	"example.org/meltstation/probe/trace"
	"example.org/meltstation/sim"
)

// The demo's batch, through checker, station, alarms and forecast, with the
// maker listening to the cues, in no real time.
func TestDemoBatchThroughTheStation(t *testing.T) {
	l := sim.BoathouseLimits()
	sheet, err := demoSheet(l)
	if err != nil {
		t.Fatal(err)
	}
	for _, w := range sheet.Warnings {
		t.Logf("warning on the sheet: %s: %s", w.Key, w.Text)
	}
	s := demoScenario(7)
	s.Maker.Last = "wicks"
	s.Every = 2 * time.Second
	play := sim.NewPlay(s)

	store, err := trace.Open(filepath.Join(t.TempDir(), "demo.db"), trace.Options{Now: play.Now})
	if err != nil {
		t.Fatal(err)
	}
	defer store.Close()
	type heard struct {
		key string
		at  time.Duration
	}
	var calls []heard
	st, err := station.New(t.Context(), station.Options{
		Name: "The Boathouse", Units: "C", Mass: "g", Default: sheet, Boiling: l.Boiling, Store: store,
		Pots: []station.PotOptions{{ID: "pot", Name: "Pot", Jug: "Steel jug"}}, Now: play.Now, Demo: true, Lapse: demoLapse,
		Alarms: alerts.DefaultSettings(), Log: slog.New(slog.DiscardHandler),
		Post: func(n alerts.Notice) {
			t.Logf("%8v %-8s %-16s %s", n.At.Round(time.Second), n.Class, n.Key, n.Why)
			if n.Why == "raised" {
				calls = append(calls, heard{n.Key, n.At})
			}
		},
	})
	if err != nil {
		t.Fatal(err)
	}
	hands := &stationHands{ctx: t.Context(), station: st, pot: "pot", sheet: sheet}
	check := map[probe.Role]*probe.Checker{}
	for role := range s.Sensors {
		spec := probe.Spec{ID: string(role), Role: role, Pot: "pot"}
		if role == probe.RoleRoom {
			spec.Pot = ""
		}
		check[role] = probe.NewChecker(spec)
	}
	stage := ""
	var stages []string
	type said struct{ at, eta, lo, hi float64 }
	forecasts := map[string][]said{}
	reached := map[string]float64{}
	err = play.Run(hands, func(m sim.Moment) error {
		st.Take(check[m.Role].Check(m.Time, m.Sample, m.Err))
		if m.Role != probe.RoleRoom { // the last of the three
			return nil
		}
		st.Tick()
		hands.look()
		v := hands.view
		if string(v.Stage) != stage {
			stage = string(v.Stage)
			stages = append(stages, stage)
			t.Logf("%8v stage %s, wax %.1f", m.At.Round(time.Second), stage, m.Wax)
		}
		if n := v.Next; n != nil && n.Eta != nil && n.Status == "ok" {
			f := said{at: m.At.Seconds(), eta: *n.Eta, lo: math.NaN(), hi: math.Inf(1)}
			if n.Lo != nil {
				f.lo = *n.Lo
			}
			if n.Hi != nil {
				f.hi = *n.Hi
			}
			forecasts[n.Key] = append(forecasts[n.Key], f)
		}
		switch {
		case stage == "scent":
			setOnce(reached, "scent-add", m.At.Seconds())
		case stage == "window":
			setOnce(reached, "window-open", m.At.Seconds())
		}
		return nil
	})
	if err != nil {
		t.Fatal(err)
	}
	for key, fs := range forecasts {
		want, ok := reached[key]
		if !ok {
			continue
		}
		in, n := 0, 0
		last := -1e9
		for _, f := range fs {
			left := want - f.at
			n++
			if left >= f.lo && left <= f.hi {
				in++
			}
			if f.at-last >= 120 {
				last = f.at
				t.Logf("%s: at %5.0f s %5.0f s left, said %5.0f (%5.0f to %5.0f)", key, f.at, left, f.eta, f.lo, f.hi)
			}
		}
		t.Logf("%s: %d of %d forecasts held the truth", key, in, n)
	}
	for _, want := range []string{"melting", "scent", "stirring", "cooling", "window", "pouring", "setting"} {
		if !slices.Contains(stages, want) {
			t.Errorf("never in stage %q: %v", want, stages)
		}
	}
	for _, want := range []string{"scent-due", "scent-now", "stir-end", "warm-jars", "window-opening", "pour-now"} {
		if !slices.ContainsFunc(calls, func(h heard) bool { return h.key == want }) {
			t.Errorf("never called %q", want)
		}
	}
	for _, h := range calls {
		if slices.ContainsFunc(alerts.Catalogue(), func(r alerts.Rule) bool { return r.Key == h.key && r.Class == alerts.Alarm }) {
			t.Errorf("alarm %q at %v in a batch without trouble", h.key, h.at)
		}
	}
	total := play.Now().Sub(time.Date(2026, 1, 1, 0, 0, 0, 0, time.UTC))
	t.Logf("whole batch %v, at the demo's pace %v", total, time.Duration(float64(total)/demoLapse))
}

// runDemoUntil runs the demo on real sockets until the station has published an
// update that ok accepts, and returns what it wrote and the last snapshot.
func runDemoUntil(t *testing.T, f demoFlags, ok func(station.Update) bool) (string, station.Snapshot) {
	t.Helper()
	d, err := newDemo(f)
	if err != nil {
		t.Fatal(err)
	}
	ctx, cancel := context.WithTimeout(t.Context(), time.Minute)
	defer cancel()
	var last station.Snapshot
	var seen bool
	var watcher sync.WaitGroup
	d.ready = func(r app.Running) {
		updates, end := r.Station.Subscribe(4096)
		watcher.Go(func() {
			defer cancel()
			defer end()
			if resp, err := http.Get(r.URL + "readyz"); err != nil || resp.StatusCode != http.StatusOK {
				t.Errorf("the page at %s: %v, %v", r.URL, resp, err)
			} else {
				resp.Body.Close()
			}
			for u := range updates {
				if ok(u) {
					seen, last = true, r.Station.Snapshot()
					return
				}
				if ctx.Err() != nil {
					return
				}
			}
		})
	}
	var out, bad bytes.Buffer
	if err := d.run(ctx, Streams{In: strings.NewReader(""), Out: &out, Err: &bad}); err != nil {
		t.Fatalf("%v\n%s", err, bad.String())
	}
	watcher.Wait()
	if !seen {
		t.Fatalf("nothing happened\n%s\n%s", out.String(), bad.String())
	}
	return out.String(), last
}

func TestDemoRunsAndGoesOnWhereItEnded(t *testing.T) {
	f := demoFlags{listen: "127.0.0.1:0", lapse: demoFastest, seed: 7, units: "C", keep: t.TempDir()}
	out, first := runDemoUntil(t, f, func(u station.Update) bool {
		return u.Pot != nil && u.Pot.Stage == plan.StageMelting && u.Pot.LastGood != nil && *u.Pot.LastGood.Celsius > 20
	})
	if len(first.Pots) != 1 || first.Pots[0].Batch == nil {
		t.Fatalf("no batch: %+v", first)
	}
	if !first.Demo || first.Lapse != demoFastest || first.Name != "The Boathouse" {
		t.Errorf("demo %v, lapse %v, name %q", first.Demo, first.Lapse, first.Name)
	}
	code := first.Pots[0].Batch.ID
	path := filepath.Join(f.keep, app.TraceName)
	for _, want := range []string{"http://127.0.0.1:", path, "meltstation export", code} {
		if !strings.Contains(out, want) {
			t.Errorf("the output does not say %q:\n%s", want, out)
		}
	}
	_, again := runDemoUntil(t, f, func(u station.Update) bool {
		return u.Pot != nil && u.Pot.LastGood != nil
	})
	p := again.Pots[0]
	if p.Batch == nil || p.Batch.ID != code {
		t.Fatalf("the batch did not go on: %+v", p.Batch)
	}
	if n := len(p.Events); n != 1 || p.Events[0].Kind != plan.EventStart {
		t.Errorf("events after going on: %+v", p.Events)
	}
	if was, is := *first.Pots[0].LastGood.Celsius, *p.LastGood.Celsius; math.Abs(is-was) > 3 {
		t.Errorf("the wax had %.1f °C and goes on with %.1f", was, is)
	}
	if again.Now.Before(first.Now) {
		t.Errorf("the clock went back from %v to %v", first.Now, again.Now)
	}
}

func TestDemoRefusesWhatItCannotDo(t *testing.T) {
	for _, c := range []struct{ args, want string }{
		{"--lapse 0", "from 1 to 120"},
		{"--lapse 1000", "from 1 to 120"},
		{"--listen 0.0.0.0:80", "stays on this machine"},
		{"--listen here", "address and a port"},
		{"--mishap flood", "bare-flame"},
		{"--units K", "C or F"},
		{"now", `no "now"`},
	} {
		var out, bad bytes.Buffer
		code := Main(t.Context(), append([]string{"demo"}, strings.Fields(c.args)...), Streams{Out: &out, Err: &bad})
		if code != 2 || !strings.Contains(bad.String(), c.want) {
			t.Errorf("demo %s: exit code %d, %q; want 2 and %q", c.args, code, bad.String(), c.want)
		}
	}
}

func setOnce(m map[string]float64, k string, v float64) {
	if _, ok := m[k]; !ok {
		m[k] = v
	}
}

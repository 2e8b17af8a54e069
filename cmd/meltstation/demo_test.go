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
	"example.org/meltstation/alerts/forecast"
	"example.org/meltstation/alerts/plan"
	"example.org/meltstation/alerts/station"
	"example.org/meltstation/cmd/meltstation/app"
	"example.org/meltstation/probe"
	"example.org/meltstation/probe/trace"
	"example.org/meltstation/sim"
)

// performance is a scenario played to a station: what the maker heard and when.
type performance struct {
	notices []alerts.Notice
	stages  []string
	said    map[string][]saying // by what was waited for ("window-open")
	at      map[string]time.Duration
	took    time.Duration
	poured  bool
}

// saying is one forecast as the page shows it, s.
type saying struct{ at, eta, lo, hi float64 }

func (p *performance) raised(key string) bool {
	return slices.ContainsFunc(p.notices, func(n alerts.Notice) bool { return n.Key == key && n.Why == "raised" })
}

// perform plays a scenario through checker, station, alarms and forecast, with
// the maker listening to the cues, in no real time.
func perform(t *testing.T, s sim.Scenario, newForecaster func(forecast.Known) station.Forecaster) *performance {
	t.Helper()
	sheet, err := demoSheet(s.Limits)
	if err != nil {
		t.Fatal(err)
	}
	s.Maker.Last = "wicks"
	s.Every = 2 * time.Second
	play := sim.NewPlay(s)
	store, err := trace.Open(filepath.Join(t.TempDir(), "demo.db"), trace.Options{Now: play.Now})
	if err != nil {
		t.Fatal(err)
	}
	defer store.Close()
	out := &performance{said: map[string][]saying{}, at: map[string]time.Duration{}}
	st, err := station.New(t.Context(), station.Options{
		Name: "The Boathouse", Units: "C", Mass: "g", Default: sheet, Boiling: s.Limits.Boiling, Store: store,
		Pots: []station.PotOptions{{ID: demoPot, Name: "Pot", Jug: sheet.Jug}}, Now: play.Now, Demo: true, Lapse: demoLapse,
		Alarms: alerts.DefaultSettings(), Log: slog.New(slog.DiscardHandler), NewForecaster: newForecaster,
		Post: func(n alerts.Notice) { out.notices = append(out.notices, n) },
	})
	if err != nil {
		t.Fatal(err)
	}
	hands := &stationHands{ctx: t.Context(), station: st, pot: demoPot, sheet: sheet}
	check := map[probe.Role]*probe.Checker{}
	for role := range s.Sensors {
		spec := probe.Spec{ID: string(role), Role: role, Pot: demoPot}
		if role == probe.RoleRoom {
			spec.Pot = ""
		}
		check[role] = probe.NewChecker(spec)
	}
	err = play.Run(hands, func(m sim.Moment) error {
		st.Take(check[m.Role].Check(m.Time, m.Sample, m.Err))
		if m.Role != probe.RoleRoom { // the last of the three
			return nil
		}
		st.Tick()
		hands.look()
		v := hands.view
		stage := string(v.Stage)
		if n := len(out.stages); n == 0 || out.stages[n-1] != stage {
			out.stages = append(out.stages, stage)
			if _, ok := out.at[stage]; !ok {
				out.at[stage] = m.At
			}
		}
		if n := v.Next; n != nil && n.Eta != nil && n.Status == string(forecast.OK) {
			f := saying{at: m.At.Seconds(), eta: *n.Eta, lo: math.NaN(), hi: math.Inf(1)}
			if n.Lo != nil {
				f.lo = *n.Lo
			}
			if n.Hi != nil {
				f.hi = *n.Hi
			}
			out.said[n.Key] = append(out.said[n.Key], f)
		}
		out.took = m.At
		return nil
	})
	if err != nil {
		t.Fatal(err)
	}
	out.poured = slices.Contains(hands.Tapped(), "poured")
	return out
}

func TestDemoBatchThroughTheStation(t *testing.T) {
	p := perform(t, demoScenario(7), nil)
	for _, want := range []string{"melting", "scent", "stirring", "cooling", "window", "pouring", "setting"} {
		if !slices.Contains(p.stages, want) {
			t.Errorf("never in stage %q: %v", want, p.stages)
		}
	}
	for _, want := range []string{
		alerts.KeyScentDue, alerts.KeyScentNow, alerts.KeyStirEnd, alerts.KeyWarmJars, alerts.KeyWindowOpening, alerts.KeyPourNow,
	} {
		if !p.raised(want) {
			t.Errorf("never called %q", want)
		}
	}
	for _, n := range p.notices {
		if n.Class == alerts.Alarm {
			t.Errorf("alarm %q %s at %v in a batch without trouble", n.Key, n.Why, n.At)
		}
	}
	// The pour window, as it was forecast ten minutes ahead, and five.
	open := p.at["window"].Seconds()
	for _, lead := range []float64{600, 300} {
		best := saying{at: math.Inf(1)}
		for _, f := range p.said["window-open"] {
			if math.Abs(open-f.at-lead) < math.Abs(open-best.at-lead) {
				best = f
			}
		}
		left := open - best.at
		t.Logf("%.0f s before the window opened: in about %.0f s (%.0f to %.0f)", left, best.eta, best.lo, best.hi)
		if math.Abs(left-lead) > 5 || math.Abs(best.eta-left) > 60 {
			t.Errorf("%.0f s before the window opened the page said %.0f s", left, best.eta)
		}
	}
	pace := time.Duration(float64(p.took) / demoLapse)
	t.Logf("whole batch %v, at the demo's pace %v", p.took, pace)
	if pace < 2*time.Minute || pace > 190*time.Second {
		t.Errorf("the demo's batch takes %v, want about three minutes", pace)
	}
}

// deaf is a forecaster that is never told a reading, so never has an answer:
// alarms need none.
type deaf struct{ station.Forecaster }

func (deaf) Add(_, _ float64) {}

// Each of the demo's mishaps that is an alarm's business must be called by its
// name, without any forecast; the batch gets poured all the same.
func TestDemoMishapsAreCalled(t *testing.T) {
	for what, want := range map[string]string{
		sim.LiftProbe:   "",
		sim.UnplugProbe: alerts.KeyProbeLost,
		sim.StickProbe:  "", // noise hides it from the checker; see probe.Checker
		sim.BoilDry:     alerts.KeyBoiledDry,
		sim.BareFlame:   alerts.KeyFlashApproach, // and then the maker takes it off the flame
		sim.OpenWindow:  "",
		sim.ForgetHeat:  alerts.KeyHeatLeftOn,
	} {
		t.Run(what, func(t *testing.T) {
			s := demoScenario(7)
			i, ok := sim.Typical(what)
			if !ok {
				t.Fatal("no such mishap")
			}
			s.Incidents = []sim.Incident{i}
			p := perform(t, s, func(k forecast.Known) station.Forecaster { return deaf{forecast.New(k)} })
			for _, n := range p.notices {
				if n.Class == alerts.Alarm && n.Why == "raised" {
					t.Logf("%8v %s %.1f °C", n.At.Round(time.Second), n.Key, n.Celsius)
				}
			}
			if want != "" && !p.raised(want) {
				t.Errorf("%q was not raised", want)
			}
			if !p.poured {
				t.Error("never poured")
			}
		})
	}
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
		return u.Pot != nil && u.Pot.Stage == plan.StageMelting && u.Pot.LastGood != nil && *u.Pot.LastGood.Celsius > 22
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
	left, err := leftAt(t.Context(), path)
	if err != nil || !left.open || left.wax < 22 {
		t.Fatalf("the trace left the pot at %+v, %v", left, err)
	}
	f.lapse = 5 // so slow that the wax hardly warms until it is read
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
	if is := *p.LastGood.Celsius; math.Abs(is-left.wax) > 2.5 {
		t.Errorf("the wax had %.1f °C and goes on with %.1f", left.wax, is)
	}
	if p.Batch.Like == "" {
		t.Error("no earlier batch like it")
	}
	if list := batchesIn(t, path); len(list) != 1+len(demoPastBatches()) {
		t.Errorf("batches after going on: %v", list)
	}
	if again.Now.Before(first.Now) {
		t.Errorf("the clock went back from %v to %v", first.Now, again.Now)
	}
}

func batchesIn(t *testing.T, path string) []string {
	t.Helper()
	store, err := trace.Open(path, trace.Options{ReadOnly: true})
	if err != nil {
		t.Fatal(err)
	}
	defer store.Close()
	ids, err := store.BatchIDs(t.Context())
	if err != nil {
		t.Fatal(err)
	}
	return ids
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

func TestPathsAreQuotedForTheShell(t *testing.T) {
	for in, want := range map[string]string{
		"/tmp/meltstation-demo-1/trace.db": "/tmp/meltstation-demo-1/trace.db",
		"/home/x/my wax":                   "'/home/x/my wax'",
		"it's":                             `'it'\''s'`,
	} {
		if got := shellWord(in); got != want {
			t.Errorf("%s: %s, want %s", in, got, want)
		}
	}
}

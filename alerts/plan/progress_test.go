package plan_test

import (
	"slices"
	"testing"
	"time"

	"example.org/meltstation/alerts/plan"
)

// gone is a batch of the default sheet after some events, a minute apart.
func gone(kinds ...plan.EventKind) (*plan.Progress, time.Duration) {
	p := plan.NewProgress(plan.Sheet{Thresholds: plan.DefaultThresholds(), Timers: plan.DefaultTimers()})
	var at time.Duration
	for _, k := range kinds {
		at += time.Minute
		p.Apply(plan.Event{Kind: k, At: at})
	}
	return p, at
}

// TestStagesByTemperature walks the edges of the stages: each is entered at its
// threshold and left only past the hysteresis, so that noise doesn't make it flap.
func TestStagesByTemperature(t *testing.T) {
	th := plan.DefaultThresholds()
	melting := []plan.EventKind{plan.EventStart}
	cooling := []plan.EventKind{plan.EventStart, plan.EventScentAdded, plan.EventHeatOff, plan.EventJugOut}
	type step struct {
		celsius float64
		want    plan.Stage
	}
	for _, tt := range []struct {
		name   string
		before []plan.EventKind
		steps  []step
	}{
		{"scent-add from below", melting, []step{
			{th.ScentAdd - 0.1, plan.StageMelting}, {th.ScentAdd, plan.StageScent},
			{th.ScentAdd - 1.4, plan.StageScent}, {th.ScentAdd - 1.6, plan.StageMelting}}},
		{"the window from above", cooling, []step{
			{th.PourHigh + 0.1, plan.StageCooling}, {th.PourHigh, plan.StageWindow},
			{th.PourHigh + 1.4, plan.StageWindow}, {th.PourHigh + 1.6, plan.StageCooling}}},
		{"out of the window below", cooling, []step{
			{th.PourLow, plan.StageWindow}, {th.PourLow - 0.1, plan.StageCold},
			{th.PourLow + 0.7, plan.StageCold}, {th.PourLow + 0.8, plan.StageWindow}}},
	} {
		t.Run(tt.name, func(t *testing.T) {
			p, at := gone(tt.before...)
			for _, s := range tt.steps {
				at += time.Second
				p.Observe(at, s.celsius)
				if got, _ := p.Stage(); got != s.want {
					t.Errorf("at %.1f °C: %s, want %s", s.celsius, got, s.want)
				}
			}
		})
	}
}

// TestTimersCountFromPouring: trimming after about three hours, ready after the
// cure (common practice, no source), both counted from the last jar.
func TestTimersCountFromPouring(t *testing.T) {
	tm := plan.DefaultTimers()
	p, at := gone(plan.EventStart, plan.EventScentAdded, plan.EventJugOut)
	at += 2 * time.Hour // a slow morning
	p.Apply(plan.Event{Kind: plan.EventPoured, At: at})
	for _, s := range []struct {
		after time.Duration
		want  plan.Stage
	}{
		{0, plan.StageSetting}, {tm.Trim - time.Second, plan.StageSetting}, {tm.Trim, plan.StageTrim},
		{tm.Cure - time.Second, plan.StageTrim}, {tm.Cure, plan.StageDone},
	} {
		p.Tick(at + s.after)
		if got, _ := p.Stage(); got != s.want {
			t.Errorf("%v after pouring: %s, want %s", s.after, got, s.want)
		}
	}
}

// TestStirTimerCountsFromTheFragrance and not from the start.
func TestStirTimerCountsFromTheFragrance(t *testing.T) {
	stir := plan.DefaultTimers().Stir
	p, at := gone(plan.EventStart, plan.EventNote, plan.EventScentAdded)
	for _, s := range []struct {
		after time.Duration
		want  plan.Stage
	}{{stir - time.Second, plan.StageStirring}, {stir, plan.StageCooling}} {
		p.Tick(at + s.after)
		if got, _ := p.Stage(); got != s.want {
			t.Errorf("%v after the fragrance: %s, want %s", s.after, got, s.want)
		}
	}
}

// TestHeatIsNotAskedForTwice: whoever turned the heat off before the fragrance, as
// the cautions say, is not offered to do so again while stirring.
func TestHeatIsNotAskedForTwice(t *testing.T) {
	p, _ := gone(plan.EventStart, plan.EventScentAdded)
	if taps := p.Taps(); !slices.Contains(taps, plan.EventHeatOff) || slices.Contains(taps, plan.EventHeatOn) {
		t.Errorf("the heat is on: %v", taps)
	}
	p, _ = gone(plan.EventStart, plan.EventHeatOff, plan.EventScentAdded)
	if s, _ := p.Stage(); s != plan.StageStirring {
		t.Fatalf("stage %s", s)
	}
	if taps := p.Taps(); slices.Contains(taps, plan.EventHeatOff) || !slices.Contains(taps, plan.EventHeatOn) || taps[0] != plan.EventStirred {
		t.Errorf("the heat is off: %v", taps)
	}
}

// TestHeatOffBeforeTheWaxMelted: cold wax whose heat is off is not wax that got too
// cool to pour. It goes on melting when the heat is on again.
func TestHeatOffBeforeTheWaxMelted(t *testing.T) {
	th := plan.DefaultThresholds()
	p, at := gone(plan.EventStart)
	p.Observe(at, 20)
	p.Apply(plan.Event{Kind: plan.EventHeatOff, At: at + time.Minute, Celsius: 20})
	p.Observe(at+2*time.Minute, 20)
	if s, _ := p.Stage(); s != plan.StageMelting || p.HeatOn() || p.Taps()[0] != plan.EventHeatOn {
		t.Errorf("cold wax, heat off: %s, heat on %v, taps %v", s, p.HeatOn(), p.Taps())
	}
	p.Apply(plan.Event{Kind: plan.EventHeatOn, At: at + 3*time.Minute, Celsius: 20})
	p.Observe(at+4*time.Minute, th.ScentAdd)
	if s, _ := p.Stage(); s != plan.StageScent || p.Reheating() {
		t.Errorf("hot after all: %s, reheating %v", s, p.Reheating())
	}
	p.Apply(plan.Event{Kind: plan.EventHeatOff, At: at + 5*time.Minute, Celsius: th.ScentAdd})
	p.Observe(at+6*time.Minute, th.PourLow-1)
	if s, _ := p.Stage(); s != plan.StageCold {
		t.Errorf("melted and too cool again: %s", s)
	}
}

// TestHeatCountsAsOnUntilTold: a heat-off that was only noticed does not count.
func TestHeatCountsAsOnUntilTold(t *testing.T) {
	p, at := gone(plan.EventStart)
	p.Apply(plan.Event{Kind: plan.EventHeatOff, At: at + time.Minute, Detected: true})
	if !p.HeatOn() || !p.HeatSeemsOff() {
		t.Errorf("noticed: heat on %v, seems off %v; want both", p.HeatOn(), p.HeatSeemsOff())
	}
	p.Apply(plan.Event{Kind: plan.EventHeatOff, At: at + 2*time.Minute})
	if p.HeatOn() {
		t.Error("told that the heat is off, and it counts as on")
	}
	p.Apply(plan.Event{Kind: plan.EventJugOut, At: at + 3*time.Minute, Detected: true})
	if p.HeatOn() {
		t.Error("a jug that was only noticed to be out unsays the heat-off")
	}
}

// TestReheating: wax that got too cool to pour is warmed again, whether or not
// somebody tapped the heat off before; wax that waits for its fragrance melts on.
func TestReheating(t *testing.T) {
	th := plan.DefaultThresholds()
	scent := []plan.Part{{Name: "dusk", Grams: 50}}
	for _, tt := range []struct {
		name      string
		fragrance []plan.Part
		before    []plan.EventKind
		reheating bool
		then      plan.Stage // at scent-add temperature, when it gets there
	}{
		{"scented, tapped off", scent, []plan.EventKind{plan.EventStart, plan.EventScentAdded, plan.EventHeatOff, plan.EventJugOut}, true, plan.StageMelting},
		{"scented, the tap forgotten", scent, []plan.EventKind{plan.EventStart, plan.EventScentAdded, plan.EventStirred}, true, plan.StageMelting},
		{"without fragrance", nil, []plan.EventKind{plan.EventStart, plan.EventHeatOff}, true, plan.StageMelting},
		{"before the fragrance", scent, []plan.EventKind{plan.EventStart, plan.EventHeatOff}, false, plan.StageScent},
	} {
		t.Run(tt.name, func(t *testing.T) {
			p := plan.NewProgress(plan.Sheet{Thresholds: th, Timers: plan.DefaultTimers(), Fragrance: tt.fragrance})
			at := time.Duration(0)
			tap := func(k plan.EventKind) { at += time.Minute; p.Apply(plan.Event{Kind: k, At: at}) }
			for _, k := range tt.before {
				tap(k)
			}
			p.Observe(at, th.PourLow-1)
			if got, _ := p.Stage(); got != plan.StageCold {
				t.Fatalf("stage %s below the window", got)
			}
			tap(plan.EventHeatOn)
			if got, _ := p.Stage(); got != plan.StageMelting || p.Reheating() != tt.reheating {
				t.Errorf("heat on again: %s, reheating %v, want %v", got, p.Reheating(), tt.reheating)
			}
			p.Observe(at+time.Minute, th.ScentAdd)
			if got, _ := p.Stage(); got != tt.then {
				t.Errorf("at scent-add temperature: %s, want %s", got, tt.then)
			}
			if !tt.reheating {
				tap(plan.EventScentAdded)
				if got, _ := p.Stage(); got != plan.StageStirring {
					t.Errorf("the fragrance in: %s, want stirring", got)
				}
				return
			}
			tap(plan.EventHeatOff)
			p.Observe(at, th.PourHigh-1)
			if got, _ := p.Stage(); got != plan.StageWindow || p.Reheating() {
				t.Errorf("heat off in the window: %s, reheating %v", got, p.Reheating())
			}
		})
	}
}

// TestFold: what was taken back does not count, what was corrected counts as
// corrected, and a correction taken back leaves the first telling.
func TestFold(t *testing.T) {
	e := func(id string, kind plan.EventKind, at int) plan.Event {
		return plan.Event{ID: id, Kind: kind, At: time.Duration(at) * time.Minute}
	}
	fix := func(id, of string, now plan.Event) plan.Event {
		return plan.Event{ID: id, Kind: plan.EventCorrection, Corrects: of, Corrected: &now}
	}
	back := func(id, of string) plan.Event {
		return plan.Event{ID: id, Kind: plan.EventWithdrawal, Corrects: of}
	}
	base := []plan.Event{e("a", plan.EventStart, 0), e("b", plan.EventScentAdded, 10), e("c", plan.EventPoured, 30)}
	for _, tt := range []struct {
		name string
		more []plan.Event
		want []plan.Event
	}{
		{"nothing", nil, base},
		{"taken back", []plan.Event{back("w", "b")}, []plan.Event{base[0], base[2]}},
		{"taking back taken back", []plan.Event{back("w", "b"), back("v", "w")}, base},
		{"corrected, and so in another place", []plan.Event{fix("f", "b", e("", plan.EventScentAdded, 40))}, []plan.Event{base[0], base[2], e("b", plan.EventScentAdded, 40)}},
		{"the last correction holds", []plan.Event{fix("f", "b", e("", plan.EventNote, 1)), fix("g", "b", e("", plan.EventScentAdded, 12))}, []plan.Event{base[0], e("b", plan.EventScentAdded, 12), base[2]}},
		{"correction taken back", []plan.Event{fix("f", "b", e("", plan.EventScentAdded, 40)), back("w", "f")}, base},
	} {
		t.Run(tt.name, func(t *testing.T) {
			history := append(append([]plan.Event{}, base...), tt.more...)
			got := plan.Fold(history)
			if len(got) != len(tt.want) {
				t.Fatalf("%d events, want %d: %+v", len(got), len(tt.want), got)
			}
			for i := range got {
				if got[i].ID != tt.want[i].ID || got[i].Kind != tt.want[i].Kind || got[i].At != tt.want[i].At {
					t.Errorf("event %d: %+v, want %+v", i, got[i], tt.want[i])
				}
			}
		})
	}
}

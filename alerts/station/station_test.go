package station_test

import (
	"context"
	"errors"
	"math"
	"path/filepath"
	"slices"
	"sync"
	"testing"
	"time"

	"go.uber.org/goleak"

	"example.org/meltstation/alerts"
	"example.org/meltstation/alerts/plan"
	"example.org/meltstation/alerts/station"
	"example.org/meltstation/probe"
	"example.org/meltstation/probe/trace"
	"example.org/meltstation/sim"
)

func TestMain(m *testing.M) { goleak.VerifyTestMain(m) }

// kitchen is a station on a simulated pot whose time is moved by hand: no test
// sleeps.
type kitchen struct {
	t     *testing.T
	path  string
	pot   *sim.Pot
	store *trace.Store
	st    *station.Station
	opts  station.Options

	mu      sync.Mutex
	now     time.Time
	skew    time.Duration // what the wall clock was stepped by
	posted  []alerts.Notice
	updates <-chan station.Update
	cancel  func()
}

func (k *kitchen) clock() time.Time {
	k.mu.Lock()
	defer k.mu.Unlock()
	return k.now
}

func boathouse() plan.Sheet {
	c := sim.Boathouse()
	s := plan.Sheet{
		Name: "Harbour dusk", Recipe: "harbour-dusk", Thresholds: plan.DefaultThresholds(), Timers: plan.DefaultTimers(),
		Wax: []plan.Part{{Name: "rapeseed-coconut", Grams: c.WaxGrams, Lot: "RC-7"}}, Fragrance: []plan.Part{{Name: "dusk", Grams: c.WaxGrams * 0.06}},
	}
	s.Thresholds.Flash = &plan.FlashPoint{Celsius: 110, Method: "closed cup", Oil: "dusk"}
	return s
}

func newKitchen(t *testing.T, change func(*station.Options)) *kitchen {
	t.Helper()
	k := &kitchen{
		t: t, path: filepath.Join(t.TempDir(), "trace.db"), pot: sim.NewPot(sim.Boathouse()),
		now: time.Now(),
	}
	k.opts = station.Options{
		Name: "The Boathouse", Units: "C", Mass: "g", Pots: []station.PotOptions{{ID: "big", Name: "Big jug", Jug: "steel"}},
		Default: boathouse(), Boiling: 99.97, Alarms: alerts.DefaultSettings(), Now: k.clock,
		Post: func(n alerts.Notice) { k.posted = append(k.posted, n) },
	}
	if change != nil {
		change(&k.opts)
	}
	k.open()
	t.Cleanup(k.close)
	return k
}

func (k *kitchen) open() {
	k.t.Helper()
	var err error
	if k.store, err = trace.Open(k.path, trace.Options{Now: k.clock}); err != nil {
		k.t.Fatal(err)
	}
	k.opts.Store = k.store
	if k.st, err = station.New(context.Background(), k.opts); err != nil {
		k.t.Fatal(err)
	}
	k.updates, k.cancel = k.st.Subscribe(100_000)
}

func (k *kitchen) close() {
	if k.store == nil {
		return
	}
	k.cancel()
	ctx, cancel := context.WithCancel(context.Background())
	cancel()
	if err := k.st.Run(ctx); err != nil { // writes what is left
		k.t.Error(err)
	}
	if err := k.store.Close(); err != nil {
		k.t.Error(err)
	}
	k.store = nil
	if err := trace.Check(context.Background(), k.path); err != nil {
		k.t.Errorf("the trace is damaged: %v", err)
	}
}

// pass lets time go by, a reading a second.
func (k *kitchen) pass(d time.Duration) {
	for range int(d / time.Second) {
		k.mu.Lock()
		k.now = k.now.Add(time.Second)
		k.mu.Unlock()
		k.pot.Step(time.Second)
		k.reading(math.Round(k.pot.Wax()*16)/16, probe.Good)
		k.st.Tick()
	}
}

func (k *kitchen) reading(c float64, q probe.Quality) {
	k.st.Take(probe.Reading{Probe: "wax", Role: probe.RolePot, Pot: "big", At: k.clock(), Celsius: c, Raw: c, Quality: q})
}

// until lets time go by until the stage is s.
func (k *kitchen) until(s plan.Stage, most time.Duration) {
	k.t.Helper()
	const look = 5 * time.Second
	for range int(most / look) {
		if k.view().Stage == s {
			return
		}
		k.pass(look)
	}
	k.t.Fatalf("stage %q after %v, wax %.1f °C; want %q", k.view().Stage, most, k.pot.Wax(), s)
}

func (k *kitchen) view() station.PotView { return k.st.Snapshot().Pots[0] }

var taps int

func (k *kitchen) tap(kind plan.EventKind) plan.Event {
	k.t.Helper()
	taps++
	e, err := k.st.Tap(context.Background(), "big", station.Tap{ID: "tap-" + string(kind) + time.Duration(taps).String(), Kind: kind, Stamp: k.view().Stamp})
	if err != nil {
		k.t.Fatalf("tap %s: %v", kind, err)
	}
	return e
}

func (k *kitchen) start() string {
	k.t.Helper()
	code, err := k.st.Start(context.Background(), "big", station.StartRequest{ID: "start-0001", Sheet: boathouse()})
	if err != nil {
		k.t.Fatal(err)
	}
	k.pot.HeatOn()
	return code
}

// nearlyHot begins with molten wax in a hot bath, some minutes before the fragrance:
// for tests of what comes later, which heating up from cold would only draw out.
func (k *kitchen) nearlyHot() {
	c := sim.Boathouse()
	c.WaxStart, c.WaterStart = 78, 95
	k.pot = sim.NewPot(c)
}

func (k *kitchen) cued(key string) bool {
	return slices.ContainsFunc(k.posted, func(n alerts.Notice) bool { return n.Key == key && n.Why == "raised" })
}

// TestBatch sees one batch through from wax in the jug to cured candles.
func TestBatch(t *testing.T) {
	k := newKitchen(t, nil)
	code := k.start()
	k.until(plan.StageScent, 90*time.Minute)
	if !k.cued("scent-now") {
		t.Error("no scent-now cue at scent-add temperature")
	}
	k.pot.AddScent(k.pot.Grams()*0.06, 20)
	k.tap(plan.EventScentAdded)
	if got := k.view().Stage; got != plan.StageStirring {
		t.Fatalf("stage %q after the fragrance went in", got)
	}
	k.pass(boathouse().Timers.Stir + 5*time.Second)
	k.pot.HeatOff()
	k.tap(plan.EventHeatOff)
	k.pot.JugOut()
	k.tap(plan.EventJugOut)
	k.pass(5 * time.Minute)
	v := k.view()
	if v.Next == nil || v.Next.Key != "window-open" || v.Next.Eta == nil || *v.Next.Eta <= 0 || len(v.Fan) == 0 {
		t.Fatalf("five minutes after the jug came out there is no forecast of the pour window: %+v", v.Next)
	}
	k.until(plan.StageWindow, 3*time.Hour)
	k.until(plan.StageWindow, time.Minute)
	for !k.cued("pour-now") && k.view().Stage == plan.StageWindow {
		k.pass(time.Second)
	}
	for _, key := range []string{"warm-jars", "window-opening", "pour-now"} {
		if !k.cued(key) {
			t.Errorf("no %s cue on the way to the pour window", key)
		}
	}
	k.tap(plan.EventPourStart)
	k.pass(3 * time.Minute)
	e := k.tap(plan.EventPoured)
	if e.First == 0 || e.Last == 0 || e.Last > e.First {
		t.Errorf("poured from %.1f to %.1f °C", e.First, e.Last)
	}
	if got := k.view().Stage; got != plan.StageSetting {
		t.Errorf("stage %q after pouring", got)
	}
	b, err := k.store.Batch(context.Background(), code)
	if err != nil || b.Lots[0] != "RC-7" {
		t.Errorf("stored batch: %+v, %v", b, err)
	}
}

// TestRestart kills the station's process state in mid-batch (the store is
// closed without a word to the station) and goes on.
func TestRestart(t *testing.T) {
	k := newKitchen(t, nil)
	k.nearlyHot()
	code := k.start()
	k.until(plan.StageScent, 90*time.Minute)
	k.pot.AddScent(k.pot.Grams()*0.06, 20)
	k.tap(plan.EventScentAdded)
	k.pass(3 * time.Minute)
	k.pot.HeatOff()
	k.tap(plan.EventHeatOff)
	k.pot.JugOut()
	k.tap(plan.EventJugOut)
	k.pass(8 * time.Minute)
	before := k.view()

	k.close()
	k.mu.Lock()
	k.now = k.now.Add(20 * time.Second)
	k.mu.Unlock()
	for range 20 {
		k.pot.Step(time.Second)
	}
	k.posted = nil
	k.open()
	k.pass(10 * time.Second)

	v := k.view()
	if v.Batch == nil || v.Batch.ID != code || v.Stage != plan.StageCooling {
		t.Fatalf("after the restart: batch %+v, stage %q", v.Batch, v.Stage)
	}
	if len(v.Events) != len(before.Events) {
		t.Errorf("%d events after the restart, %d before", len(v.Events), len(before.Events))
	}
	if v.Next == nil || v.Next.Eta == nil {
		t.Fatalf("no forecast ten seconds after the restart: %+v", v.Next)
	}
	want := *before.Next.Eta - 30
	if got := *v.Next.Eta; math.Abs(got-want) > 0.1*want+30 {
		t.Errorf("the pour window opens in %.0f s, expected about %.0f s", got, want)
	}
	if got, want := v.StageAge, before.StageAge+30; math.Abs(got-want) > 2 {
		t.Errorf("the stage is %.0f s old, want %.0f", got, want)
	}
	if k.cued("scent-now") {
		t.Error("scent-now cued again after the restart")
	}
}

// Once the jug has long been empty, its readings are no longer the batch's: they
// would draw its curve out over days.
func TestCurveEndsAfterPouring(t *testing.T) {
	k := newKitchen(t, nil)
	k.pot.Warm(70)
	k.pass(2 * time.Second)
	code := k.start()
	k.pass(10 * time.Second)
	k.tap(plan.EventJugOut)
	k.tap(plan.EventPourStart)
	k.tap(plan.EventPoured)
	k.pass(45 * time.Minute)
	ctx := context.Background()
	if err := k.store.Flush(ctx); err != nil {
		t.Fatal(err)
	}
	curve, err := k.store.Curve(ctx, code, trace.CurveQuery{Role: probe.RolePot})
	if err != nil || len(curve) != 1 {
		t.Fatalf("%d curves, %v", len(curve), err)
	}
	p := curve[0].Points
	if length := p[len(p)-1].At - p[0].At; length < 29*time.Minute || length > 31*time.Minute {
		t.Errorf("the curve is %v long, want half an hour from the last jar", length)
	}
	if e := k.tap(plan.EventLeftOver); e.Celsius != 0 {
		t.Errorf("an empty jug's %.1f °C was taken for the wax", e.Celsius)
	}
	if v := k.view(); v.Reading == nil || v.Reading.Age > 2 {
		t.Errorf("the pot no longer shows its reading: %+v", v.Reading)
	}
}

// A cue that was acknowledged before its candles left the pot stays so on the
// shelf, over a restart too, and says whose it is.
func TestAcknowledgedCueGoesToTheShelf(t *testing.T) {
	k := newKitchen(t, nil)
	k.pot.Warm(70)
	k.pass(2 * time.Second)
	code := k.start()
	k.pass(2 * time.Second)
	k.tap(plan.EventJugOut)
	k.tap(plan.EventPourStart)
	k.tap(plan.EventPoured)
	k.mu.Lock()
	k.now = k.now.Add(boathouse().Timers.Trim + time.Minute)
	k.mu.Unlock()
	k.st.Tick()
	ctx := context.Background()
	if err := k.st.Acknowledge(ctx, "big", alerts.KeyTrim, "ada"); err != nil {
		t.Fatal(err)
	}
	if _, err := k.st.Start(ctx, "big", station.StartRequest{ID: "start-0002", Sheet: boathouse()}); err != nil {
		t.Fatal(err)
	}
	k.pass(2 * time.Second)
	check := func(when string) {
		t.Helper()
		var found []station.NoticeView
		for _, n := range k.view().Notices {
			if n.Key == alerts.KeyTrim {
				found = append(found, n)
			}
		}
		if len(found) != 1 || found[0].State != string(alerts.Acked) || found[0].Batch != code || found[0].Title == "" {
			t.Errorf("%s: %+v", when, found)
		}
	}
	check("on the shelf")
	k.close()
	k.posted = nil
	k.open()
	k.pass(2 * time.Second)
	check("after a restart")
	if k.cued(alerts.KeyTrim) {
		t.Error("called again after a restart")
	}
}

// What the maker corrects holds from then on, its time of day too, and what
// stood there before is kept.
func TestCorrection(t *testing.T) {
	k := newKitchen(t, nil)
	ctx := t.Context()
	k.pass(time.Minute)
	if _, err := k.st.Start(ctx, "big", station.StartRequest{ID: "start-00001", Sheet: boathouse()}); err != nil {
		t.Fatal(err)
	}
	k.pass(5 * time.Minute)
	e, err := k.st.Tap(ctx, "big", station.Tap{ID: "scent-00001", Kind: plan.EventScentAdded})
	if err != nil {
		t.Fatal(err)
	}
	k.pass(time.Minute)
	earlier := e.Wall.Add(-90 * time.Second)
	if err := k.st.Correct(ctx, "big", e.ID, plan.Event{Wall: earlier, Grams: 54.5, Celsius: e.Celsius}, "Ada"); err != nil {
		t.Fatal(err)
	}
	holds := func() plan.Event {
		events := plan.Fold(k.view().Events)
		i := slices.IndexFunc(events, func(x plan.Event) bool { return x.ID == e.ID })
		if i < 0 {
			t.Fatalf("the event is gone: %+v", events)
		}
		return events[i]
	}
	if got := holds(); !got.Wall.Equal(earlier) || got.At != e.At-90*time.Second || got.Grams != 54.5 || got.Celsius != e.Celsius {
		t.Errorf("corrected to %+v, from %+v", got, e)
	}
	for _, wall := range []time.Time{e.Wall.Add(-time.Hour), e.Wall.Add(time.Hour)} {
		if err := k.st.Correct(ctx, "big", e.ID, plan.Event{Wall: wall}, "Ada"); !errors.Is(err, station.ErrInvalid) {
			t.Errorf("moved to %s: %v", wall.Sub(e.Wall), err)
		}
	}
	first := slices.IndexFunc(k.view().History, func(x plan.Event) bool { return x.ID == e.ID && x.Grams == 0 && x.Wall.Equal(e.Wall) })
	if first < 0 {
		t.Errorf("what stood there before is gone: %+v", k.view().History)
	}
	k.close()
	k.open()
	if got := holds(); !got.Wall.Equal(earlier) || got.Grams != 54.5 {
		t.Errorf("after a restart %+v", got)
	}
}

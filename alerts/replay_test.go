package alerts_test

import (
	"errors"
	"fmt"
	"math"
	"os"
	"runtime"
	"slices"
	"strconv"
	"strings"
	"sync"
	"testing"
	"time"

	"example.org/meltstation/alerts"
	"example.org/meltstation/alerts/forecast"
	"example.org/meltstation/alerts/plan"
	"example.org/meltstation/probe"
	"example.org/meltstation/sim"
)

var errSeen = errors.New("seen")

// bench is a station without a disk, a page or a notifier: simulated samples go
// through the probe checks, the stages, the forecast and the watch, in the order
// in which the daemon does it.
type bench struct {
	play    *sim.Play
	sheet   plan.Sheet
	prog    *plan.Progress
	engine  *forecast.Engine
	watch   *alerts.Watch
	checks  map[probe.Role]*probe.Checker
	states  map[probe.Role]*alerts.ProbeState
	outlook *alerts.Outlook
	noCast  bool // the forecast is dead
	enough  bool // what the batch was played for has been seen
	deaf    bool // the maker hears no call to pour
	tapped  []string
	at      time.Duration
	touched time.Duration
	newCast func() *forecast.Engine
	stumble int // times that the forecast panicked
	seen    func(m sim.Moment, r probe.Reading, f *alerts.Facts, ns []alerts.Notice)
}

func sheetOf(s sim.Scenario) plan.Sheet {
	l := s.Limits
	return plan.Sheet{
		Name: "simulated",
		Thresholds: plan.Thresholds{
			ScentAdd: l.ScentAdd, PourHigh: l.PourHigh, Pour: l.Pour, PourLow: l.PourLow, Congeal: l.Congeal,
			Flash:       &plan.FlashPoint{Celsius: l.Flash + plan.DefaultFlashMargin, Method: "closed cup", Oil: "driftwood"},
			FlashMargin: plan.DefaultFlashMargin, Scorch: l.Scorch, BathCeiling: l.Boiling,
		},
		Timers: plan.Timers{Stir: s.Maker.Stir, WarmJars: 10 * time.Minute, CueLead: 2 * time.Minute,
			Trim: 3 * time.Hour, Move: 24 * time.Hour, Cure: 24 * time.Hour},
		Wax:       []plan.Part{{Name: "rapeseed-coconut", Grams: s.Pot.WaxGrams}},
		Fragrance: []plan.Part{{Name: "driftwood", Grams: s.Maker.ScentGrams}},
	}
}

func newBench(s sim.Scenario) *bench {
	b := &bench{
		play: sim.NewPlay(s), sheet: sheetOf(s), watch: alerts.NewWatch("pot", alerts.DefaultSettings()),
		checks: map[probe.Role]*probe.Checker{}, states: map[probe.Role]*alerts.ProbeState{},
	}
	b.prog = plan.NewProgress(b.sheet)
	b.newCast = func() *forecast.Engine {
		return forecast.New(forecast.Known{WaxGrams: s.Pot.WaxGrams, OilGrams: s.Maker.ScentGrams, OilCelsius: s.Pot.Room,
			Boiling: s.Limits.Boiling, Congeal: s.Limits.Congeal})
	}
	b.engine = b.newCast()
	for role := range s.Sensors {
		b.checks[role] = probe.NewChecker(probe.Spec{ID: string(role), Role: role})
		b.states[role] = &alerts.ProbeState{ID: string(role), Role: role}
	}
	return b
}

// Tap is the maker's finger.
func (b *bench) Tap(t sim.Tap) error {
	b.tapped = append(b.tapped, t.Kind)
	b.apply(plan.Event{Kind: plan.EventKind(t.Kind), At: b.at, Grams: t.Grams})
	b.touched = b.at
	return nil
}

func (b *bench) apply(e plan.Event) {
	b.prog.Apply(e)
	kinds := map[plan.EventKind]forecast.EventKind{
		plan.EventStart: forecast.HeatOn, plan.EventHeatOn: forecast.HeatOn, plan.EventHeatOff: forecast.HeatOff,
		plan.EventScentAdded: forecast.ScentIn, plan.EventStirred: forecast.Stirred, plan.EventJugOut: forecast.JugOut,
	}
	if k, ok := kinds[e.Kind]; ok && !e.Detected {
		b.engine.Tell(e.At.Seconds(), k)
	}
}

func (b *bench) Stage() string {
	s, _ := b.prog.Stage()
	return string(s)
}

func (b *bench) Calls() []string {
	var keys []string
	for _, n := range b.watch.Standing() {
		if b.deaf && (n.Key == alerts.KeyPourNow || n.Key == alerts.KeyWindowClosing) {
			continue
		}
		keys = append(keys, n.Key)
	}
	return keys
}

func (b *bench) Tapped() []string { return b.tapped }

func (b *bench) run() error { return b.play.Run(b, b.step) }

func (b *bench) step(m sim.Moment) error {
	b.at = m.At
	r := b.checks[m.Role].Check(m.Time, m.Sample, m.Err)
	st := b.states[m.Role]
	st.Last, st.LastAt = r, m.At
	if r.OK() {
		st.Good, st.GoodAt, st.HaveGood = r, m.At, true
	}
	if m.Role == probe.RolePot && r.OK() {
		b.prog.Observe(m.At, r.Celsius)
	} else {
		b.prog.Tick(m.At)
	}
	f := alerts.Facts{At: m.At, Wall: m.Time, Reading: &r, Batch: "b1", Sheet: &b.sheet, DiskFree: -1,
		HeatOn: b.prog.HeatOn(), Fragrance: b.prog.Fragrance(), JugOut: b.prog.JugOut(), TouchedAt: b.touched, Outlook: b.outlook}
	f.Stage, f.StageAt = b.prog.Stage()
	f.ScentAt, _ = b.prog.ScentAt()
	f.PouredAt, _ = b.prog.PouredAt()
	for _, role := range []probe.Role{probe.RolePot, probe.RoleBath, probe.RoleRoom} {
		if st := b.states[role]; st != nil {
			f.Probes = append(f.Probes, *st)
		}
	}
	ns := b.watch.Eval(f)
	if b.seen != nil {
		b.seen(m, r, &f, ns)
	}
	// The maker acknowledges what calls; the page would.
	for _, n := range ns {
		if n.State == alerts.Unacked {
			if _, err := b.watch.Acknowledge(m.At, m.Time, n.Key, "maker"); err != nil {
				return err
			}
		}
	}
	if r.OK() && !b.noCast {
		b.fit(m, r)
	}
	if b.enough {
		return errSeen
	}
	return nil
}

func (b *bench) fit(m sim.Moment, r probe.Reading) {
	defer func() {
		if recover() != nil { // as the station does: the alarms have already been judged
			b.stumble++
			b.outlook, b.engine = nil, b.newCast()
		}
	}()
	t := m.At.Seconds()
	switch m.Role {
	case probe.RoleRoom:
		b.engine.Room(t, r.Celsius)
		return
	case probe.RoleBath:
		b.engine.Bath(t, r.Celsius)
		return
	}
	b.engine.Add(t, r.Celsius)
	for _, n := range b.engine.Noticed() {
		b.noticed(m.At, n)
	}
	th := b.sheet.Thresholds
	o := &alerts.Outlook{Scent: b.engine.Crossing(th.ScentAdd, forecast.Heating), Pour: b.engine.Crossing(th.Pour, forecast.Cooling)}
	o.WindowOpen, o.WindowClose, _ = b.engine.Band(th.PourHigh, th.PourLow)
	b.outlook = o
}

// noticed takes what the forecast found for a detected event, as the station does.
func (b *bench) noticed(at time.Duration, n forecast.Noticed) {
	stage, since := b.prog.Stage()
	if at-since < 20*time.Second {
		return
	}
	var kind plan.EventKind
	_, in := b.prog.ScentAt()
	switch {
	case n.Kind == forecast.HeatOff && !b.prog.HeatSeemsOff() && stage != plan.StageMelting:
		kind = plan.EventHeatOff
	case n.Kind == forecast.JugOut && !b.prog.JugOut() && stage != plan.StageMelting:
		kind = plan.EventJugOut
	case n.Kind == forecast.ScentIn && !in && stage == plan.StageScent:
		kind = plan.EventScentAdded
	default:
		return
	}
	b.apply(plan.Event{Kind: kind, At: at, Detected: true})
}

// tally is what a set of batches gave.
type tally struct {
	batches, readings, stumbles int

	// Exceedances of the checked reading over a limit of a temperature alarm.
	crossings, onTime, missed int
	// Exceedances of the true wax over the flash-point limit with fragrance in.
	trueOver, trueAlarmed int
	trueDelay             []float64 // s, from the true crossing to the alarm

	raised, falses map[string]int
	standing       int // alarms raised within 10 min, at most in any one batch
	perHour        []float64
	leads          map[string][]float64 // s, by cue key
	early          map[string]int       // cues whose crossing never came
	silent         map[string]int       // crossings that no cue announced
	nows           map[string]int       // batches in which a "now" cue came
	worst          []string             // what was missed, in words
	notes          []string             // what is worth a look
}

func newTally() *tally {
	return &tally{raised: map[string]int{}, falses: map[string]int{}, leads: map[string][]float64{}, early: map[string]int{}, silent: map[string]int{}, nows: map[string]int{}}
}

func (t *tally) merge(o *tally) {
	t.batches += o.batches
	t.readings += o.readings
	t.stumbles += o.stumbles
	t.crossings += o.crossings
	t.onTime += o.onTime
	t.missed += o.missed
	t.trueOver += o.trueOver
	t.trueAlarmed += o.trueAlarmed
	t.trueDelay = append(t.trueDelay, o.trueDelay...)
	t.standing = max(t.standing, o.standing)
	t.perHour = append(t.perHour, o.perHour...)
	for k, v := range o.raised {
		t.raised[k] += v
	}
	for k, v := range o.falses {
		t.falses[k] += v
	}
	for k, v := range o.nows {
		t.nows[k] += v
	}
	for k, v := range o.leads {
		t.leads[k] = append(t.leads[k], v...)
	}
	for k, v := range o.early {
		t.early[k] += v
	}
	for k, v := range o.silent {
		t.silent[k] += v
	}
	t.worst = append(t.worst, o.worst...)
	t.notes = append(t.notes, o.notes...)
}

// mode is how a set of batches is played.
type mode struct {
	noCast bool // without a forecast
	late   bool // the maker pours only once it is too cold, so that the window's end is seen
}

// judgeBatch plays one scenario and scores it.
func judgeBatch(s sim.Scenario, how mode) (*tally, error) {
	t := newTally()
	t.batches = 1
	b := newBench(s)
	b.noCast, b.deaf = how.noCast, how.late
	th := b.sheet.Thresholds
	flash, _ := th.FlashLimit()
	ceiling := th.BathCeiling + alerts.DefaultSettings().BathMargin

	over := map[string]bool{} // by rule: the checked reading was over at the last look
	var trueFrom time.Duration = -1
	var trueDone bool
	var raises []time.Duration
	type cue struct {
		at     time.Duration
		target float64
		up     bool
	}
	open := map[string]cue{}
	before := math.NaN() // the last good reading of the wax
	crossed := map[string]bool{}
	announced := map[string]bool{}
	var maxTrue float64
	waxes := []float64{0}

	b.seen = func(m sim.Moment, r probe.Reading, f *alerts.Facts, ns []alerts.Notice) {
		t.readings++
		// 1. The oracle: nothing but the checked reading, the limit and what was told.
		expect := map[string]bool{}
		inJug := slices.Contains([]plan.Stage{plan.StageMelting, plan.StageScent, plan.StageStirring, plan.StageCooling, plan.StageWindow, plan.StageCold, plan.StagePouring}, f.Stage)
		if r.OK() && r.Role == probe.RolePot {
			expect[alerts.KeyFlashMargin] = f.Fragrance && r.Celsius >= flash
			expect[alerts.KeyScorch] = inJug && r.Celsius >= th.Scorch
		}
		if r.OK() && (r.Role == probe.RolePot || r.Role == probe.RoleBath) {
			expect[alerts.KeyBoiledDry] = inJug && f.Stage != plan.StagePouring && !f.JugOut && r.Celsius >= ceiling
		}
		for key, want := range expect {
			if want {
				if !over[key] {
					t.crossings++
					if b.watch.Active(key) {
						t.onTime++
					}
				}
				if !b.watch.Active(key) {
					t.missed++
					t.worst = append(t.worst, fmt.Sprintf("seed %d: %s not active at %v with %.2f °C", s.Seed, key, m.At, r.Celsius))
				}
			}
			over[key] = want
		}
		// 2. The truth: the wax itself, as the simulator knows it.
		if m.Role == probe.RolePot {
			maxTrue = max(maxTrue, m.Wax)
			if slices.Contains(m.Over, "flash-margin") && inJug {
				if trueFrom < 0 {
					trueFrom, trueDone = m.At, false
				}
				if !trueDone && (b.watch.Active(alerts.KeyFlashMargin) || b.watch.Active(alerts.KeyTooHotForScent)) {
					trueDone = true
					t.trueAlarmed++
					t.trueOver++
					t.trueDelay = append(t.trueDelay, (m.At - trueFrom).Seconds())
				}
			} else {
				if trueFrom >= 0 && !trueDone && m.At-trueFrom >= 10*time.Second {
					t.trueOver++ // it came and went without an alarm
				}
				trueFrom = -1
			}
			if waxes = append(waxes, m.Wax); len(waxes) > 31 {
				waxes = waxes[1:]
			}
		}
		// 3. What was raised, and whether the truth bears it out.
		for _, n := range ns {
			if n.Why != "raised" {
				continue
			}
			if n.Class == alerts.Cue {
				switch n.Key {
				case alerts.KeyScentDue:
					open[n.Key] = cue{m.At, th.ScentAdd, true}
				case alerts.KeyWarmJars:
					open[n.Key] = cue{m.At, th.PourHigh, false}
				case alerts.KeyWindowOpening:
					open[n.Key] = cue{m.At, th.PourHigh, false}
				case alerts.KeyWindowClosing:
					open[n.Key] = cue{m.At, th.PourLow, false}
				}
				announced[n.Key] = true
				continue
			}
			t.raised[n.Key]++
			raises = append(raises, m.At)
			b.play.Bench().Do(func(p *sim.Pot) {
				wrong := false
				switch n.Key {
				case alerts.KeyFlashMargin:
					wrong = m.Wax < flash-1
				case alerts.KeyTooHotForScent:
					wrong = m.Wax < max(flash, th.ScentAdd+2)-1
				case alerts.KeyScorch:
					wrong = m.Wax < th.Scorch-1
				case alerts.KeyBoiledDry:
					wrong = max(m.Wax, p.Bath()) < ceiling-1
				case alerts.KeyHeatLeftOn:
					wrong = !p.Heating() && !p.Bare()
				case alerts.KeyUnattended:
					wrong = !p.Heating()
				case alerts.KeyFlashApproach:
					// Right if the true wax, at its own rate of the last half minute,
					// would be over within twice the time.
					slope := (m.Wax - waxes[0]) / float64(len(waxes)-1) / s.Every.Seconds()
					wrong = m.Wax < flash && !(slope > 0 && (flash-m.Wax)/slope < 240)
				}
				if wrong {
					t.notes = append(t.notes, fmt.Sprintf("FALSE %s seed %d at %v: T %.2f wax %.2f since scent %v stage %s heat %v/%v out %v/%v bath %.1f", n.Key, s.Seed, m.At, r.Celsius, m.Wax, m.At-f.ScentAt, f.Stage, f.HeatOn, p.Heating(), f.JugOut, p.Out(), p.Bath()))
					t.falses[n.Key]++
				}
			})
		}
		// 4. The leads: the moment the checked reading crosses what a cue was about.
		if m.Role == probe.RolePot && r.OK() {
			for _, x := range []struct {
				key    string
				target float64
				up     bool
				stages []plan.Stage
			}{
				{alerts.KeyScentDue, th.ScentAdd, true, []plan.Stage{plan.StageMelting, plan.StageScent}},
				{alerts.KeyWarmJars, th.PourHigh, false, []plan.Stage{plan.StageCooling, plan.StageWindow}},
				{alerts.KeyWindowOpening, th.PourHigh, false, []plan.Stage{plan.StageCooling, plan.StageWindow}},
				{alerts.KeyWindowClosing, th.PourLow, false, []plan.Stage{plan.StageWindow, plan.StageCold}},
			} {
				hit := r.Celsius <= x.target && before > x.target
				if x.up {
					hit = r.Celsius >= x.target && before < x.target
				}
				if !hit || !m.In || !slices.Contains(x.stages, f.Stage) || crossed[x.key] {
					continue
				}
				crossed[x.key] = true
				b.enough = how.late && x.key == alerts.KeyWindowClosing
				if c, ok := open[x.key]; ok {
					t.leads[x.key] = append(t.leads[x.key], (m.At - c.at).Seconds())
					delete(open, x.key)
				} else if !announced[x.key] {
					t.silent[x.key]++
				}
			}
			before = r.Celsius
		}
	}
	if err := b.run(); err != nil && !errors.Is(err, errSeen) {
		return nil, fmt.Errorf("seed %d: %w", s.Seed, err)
	}
	t.stumbles = b.stumble
	if b.stumble > 0 {
		t.notes = append(t.notes, fmt.Sprintf("seed %d: the forecast panicked %d times", s.Seed, b.stumble))
	}
	if len(raises) > 8 {
		t.notes = append(t.notes, fmt.Sprintf("seed %d: %v incidents %v dropout %+v", s.Seed, t.raised, s.Incidents, s.Sensors[probe.RolePot]))
	}
	for _, key := range []string{alerts.KeyScentNow, alerts.KeyPourNow} {
		if announced[key] {
			t.nows[key]++
		}
	}
	for key := range open {
		t.early[key]++
	}
	// The load: alarms in the worst ten minutes, and per hour.
	for i := range raises {
		n := 0
		for _, at := range raises[i:] {
			if at-raises[i] < 10*time.Minute {
				n++
			}
		}
		t.standing = max(t.standing, n)
	}
	t.perHour = append(t.perHour, float64(len(raises))/b.at.Hours())
	return t, nil
}

func judgeAll(tb testing.TB, n int, scenario func(seed uint64) sim.Scenario, how mode) *tally {
	tb.Helper()
	all := newTally()
	var mu sync.Mutex
	var wg sync.WaitGroup
	seeds := seedsFor(n)
	for range runtime.GOMAXPROCS(0) {
		wg.Go(func() {
			for seed := range seeds {
				t, err := judgeBatch(scenario(seed), how)
				mu.Lock()
				if err != nil {
					tb.Error(err)
				} else {
					all.merge(t)
				}
				mu.Unlock()
			}
		})
	}
	wg.Wait()
	return all
}

func seedsFor(n int) <-chan uint64 {
	c := make(chan uint64, n)
	for i := range n {
		c <- uint64(1000 + i)
	}
	close(c)
	return c
}

// batches is how many simulated batches to play: few by default, more with
// MELTSTATION_BATCHES=1000.
func batches(few int) int {
	if n, err := strconv.Atoi(os.Getenv("MELTSTATION_BATCHES")); err == nil && n > 0 {
		return n
	}
	return few
}

// late is a batch whose maker pours only below the window.
func late(seed uint64) sim.Scenario {
	s := sim.Random(seed + 100_000) // other batches than those the leads were tuned on
	s.Maker.PourAt = s.Limits.PourLow - 1
	return s
}

func within(xs []float64, lo, hi float64) float64 {
	n := 0
	for _, x := range xs {
		if x >= lo && x <= hi {
			n++
		}
	}
	return float64(n) / float64(max(len(xs), 1))
}

func quantile(xs []float64, p float64) float64 {
	if len(xs) == 0 {
		return math.NaN()
	}
	s := slices.Sorted(slices.Values(xs))
	return s[min(int(p*float64(len(s))), len(s)-1)]
}

func (t *tally) String() string {
	var b strings.Builder
	fmt.Fprintf(&b, "%d batches, %d readings, the forecast panicked %d times\n", t.batches, t.readings, t.stumbles)
	fmt.Fprintf(&b, "checked reading over a limit: %d times, alarmed on that reading %d, readings over without alarm %d\n", t.crossings, t.onTime, t.missed)
	fmt.Fprintf(&b, "true wax over the flash-point limit with fragrance in: %d times, alarmed %d; delay s median %.0f, p90 %.0f, max %.0f\n",
		t.trueOver, t.trueAlarmed, quantile(t.trueDelay, 0.5), quantile(t.trueDelay, 0.9), quantile(t.trueDelay, 1))
	alarms, falses := 0, 0
	for _, r := range alerts.Catalogue() {
		if n := t.raised[r.Key]; n > 0 {
			fmt.Fprintf(&b, "  %-18s raised %4d, false %d\n", r.Key, n, t.falses[r.Key])
			alarms += n
			falses += t.falses[r.Key]
		}
	}
	fmt.Fprintf(&b, "alarms per batch %.2f, false per batch %.3f; most in ten minutes %d; per hour median %.2f, p90 %.2f\n",
		float64(alarms)/float64(t.batches), float64(falses)/float64(t.batches), t.standing, quantile(t.perHour, 0.5), quantile(t.perHour, 0.9))
	for _, k := range []string{alerts.KeyScentDue, alerts.KeyWarmJars, alerts.KeyWindowOpening, alerts.KeyWindowClosing} {
		xs := t.leads[k]
		fmt.Fprintf(&b, "  lead of %-15s n %4d, s p5 %.0f, median %.0f, p95 %.0f; 60 to 180 s: %.1f %%; never crossed %d, not announced %d\n", k, len(xs),
			quantile(xs, 0.05), quantile(xs, 0.5), quantile(xs, 0.95), 100*within(xs, 60, 180), t.early[k], t.silent[k])
	}
	return b.String()
}

// TestReplayMissesNothing plays whole simulated batches, with everything that
// can go wrong in them, through checks, stages, forecast and alarms.
func TestReplayMissesNothing(t *testing.T) {
	got := judgeAll(t, batches(3), sim.Random, mode{})
	t.Logf("\n%s%s", got, strings.Join(got.notes[:min(len(got.notes), 40)], "\n"))
	for _, w := range got.worst {
		t.Error(w)
	}
	if got.onTime != got.crossings {
		t.Errorf("%d of %d exceedances were not alarmed on the very reading", got.crossings-got.onTime, got.crossings)
	}
}

// A cue that says "in two minutes" must come between one and three minutes
// before the checked reading crosses, in at least nine of ten batches, with all
// that goes wrong in them.
func TestLeadsAreKept(t *testing.T) {
	got := judgeAll(t, batches(2), late, mode{late: true})
	t.Logf("\n%s", got)
	if os.Getenv("MELTSTATION_BATCHES") == "" {
		return // too few for a share; the benchmark and the long run judge it
	}
	for _, key := range []string{alerts.KeyScentDue, alerts.KeyWindowOpening, alerts.KeyWindowClosing} {
		if share := within(got.leads[key], 60, 180); share < 0.9 {
			t.Errorf("%s came one to three minutes early in %.1f %% of %d batches, want 90 %%", key, 100*share, len(got.leads[key]))
		}
	}
}

// A dead forecast costs foresight, not the calls themselves.
func TestCuesComeWithoutAForecast(t *testing.T) {
	n := batches(3)
	got := judgeAll(t, n, sim.Ordinary, mode{noCast: true})
	t.Logf("\n%s", got)
	if len(got.raised) > 0 {
		t.Errorf("batches in which nothing is wrong raised %v", got.raised)
	}
	for _, key := range []string{alerts.KeyScentNow, alerts.KeyPourNow} {
		if got.nows[key] != n {
			t.Errorf("%s came in %d of %d batches", key, got.nows[key], n)
		}
	}
	for _, key := range []string{alerts.KeyScentDue, alerts.KeyWindowOpening} {
		if got.silent[key] > 0 || len(got.leads[key]) != n {
			t.Errorf("%s: %d leads in %d batches, %d not announced", key, len(got.leads[key]), n, got.silent[key])
		}
	}
}

// BenchmarkReplay plays batches with faults and reports what a maker would live
// with. MELTSTATION_BATCHES says how many (default 20).
func BenchmarkReplay(b *testing.B) {
	var got, ends *tally
	for b.Loop() {
		got = judgeAll(b, batches(20), sim.Random, mode{})
		ends = judgeAll(b, batches(20), late, mode{late: true})
	}
	b.Logf("\n%s", got)
	falses, raised := 0, 0
	for key, n := range got.raised {
		raised += n
		falses += got.falses[key]
	}
	per := func(n int) float64 { return float64(n) / float64(got.batches) }
	b.ReportMetric(float64(got.missed), "missed")
	b.ReportMetric(float64(got.crossings-got.onTime), "late")
	b.ReportMetric(per(falses), "false/batch")
	b.ReportMetric(per(raised), "alarms/batch")
	b.ReportMetric(quantile(got.perHour, 0.5), "alarms/h-p50")
	b.ReportMetric(quantile(got.perHour, 0.9), "alarms/h-p90")
	b.ReportMetric(float64(got.standing), "worst-10min")
	b.ReportMetric(100*within(got.leads[alerts.KeyScentDue], 60, 180), "scent-%")
	b.ReportMetric(100*within(got.leads[alerts.KeyWindowOpening], 60, 180), "opening-%")
	b.ReportMetric(100*within(ends.leads[alerts.KeyWindowClosing], 60, 180), "closing-%")
}

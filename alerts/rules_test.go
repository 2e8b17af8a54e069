package alerts

import (
	"errors"
	"fmt"
	"math"
	"math/rand/v2"
	"slices"
	"strings"
	"testing"
	"time"

	"example.org/meltstation/alerts/forecast"
	"example.org/meltstation/alerts/plan"
	"example.org/meltstation/probe"
)

func sheet() *plan.Sheet {
	return &plan.Sheet{
		Name: "Harbour fog",
		Thresholds: plan.Thresholds{ScentAdd: 75, PourHigh: 60, Pour: 57, PourLow: 54, Congeal: 46,
			Flash: &plan.FlashPoint{Celsius: 100, Method: "closed cup", Oil: "driftwood"}, FlashMargin: 10, Scorch: 105, BathCeiling: 100},
		Timers: plan.Timers{Stir: 2 * time.Minute, WarmJars: 10 * time.Minute, CueLead: 2 * time.Minute,
			Trim: 3 * time.Hour, Move: 24 * time.Hour, Cure: 14 * 24 * time.Hour},
		Wax:       []plan.Part{{Name: "rapeseed-coconut", Grams: 1000}},
		Fragrance: []plan.Part{{Name: "driftwood", Grams: 60}},
	}
}

func facts(stage plan.Stage) Facts {
	return Facts{Batch: "b1", Sheet: sheet(), Stage: stage, DiskFree: -1, Wall: time.Date(2026, 3, 1, 9, 0, 0, 0, time.UTC)}
}

// rig feeds a watch one reading a second and keeps what comes.
type rig struct {
	t     testing.TB
	w     *Watch
	f     Facts
	all   []Notice
	probe string
}

func newRig(t testing.TB, stage plan.Stage) *rig {
	return &rig{t: t, w: NewWatch("pot", DefaultSettings()), f: facts(stage), probe: "pot-1"}
}

func (r *rig) read(c float64, q probe.Quality) []Notice {
	return r.reading(probe.Reading{Probe: r.probe, Role: probe.RolePot, Celsius: c, Quality: q})
}

func (r *rig) reading(x probe.Reading) []Notice {
	r.f.At += time.Second
	r.f.Reading = &x
	ns := r.w.Eval(r.f)
	r.f.Reading, r.f.ClockStep = nil, 0
	r.all = append(r.all, ns...)
	return ns
}

func (r *rig) good(c float64) []Notice { return r.read(c, probe.Good) }

// hold gives n good readings of the same temperature.
func (r *rig) hold(c float64, n int) {
	for range n {
		r.good(c)
	}
}

// ramp goes from a to b in n readings.
func (r *rig) ramp(a, b float64, n int) {
	for i := range n {
		r.good(a + (b-a)*float64(i)/float64(n))
	}
}

// tick lets n seconds pass without a reading.
func (r *rig) tick(n int) {
	for range n {
		r.f.At += time.Second
		r.all = append(r.all, r.w.Eval(r.f)...)
	}
}

func (r *rig) state(key string) State { return r.w.byKey[key].state }

func (r *rig) want(key string, s State) {
	r.t.Helper()
	if got := r.state(key); got != s {
		r.t.Errorf("%s at %v: %s, want %s", key, r.f.At, got, s)
	}
}

func (r *rig) count(key, why string) int {
	n := 0
	for _, x := range r.all {
		if x.Key == key && x.Why == why {
			n++
		}
	}
	return n
}

func TestFlashMarginComesWithTheReadingAndLatches(t *testing.T) {
	r := newRig(t, plan.StageCooling)
	r.f.Fragrance = true
	r.good(89.9375)
	r.want(KeyFlashMargin, Normal)
	ns := r.good(90) // at the limit is over it: 10 K below 100 °C
	if len(ns) == 0 || ns[0].Key != KeyFlashMargin || ns[0].State != Unacked || ns[0].Celsius != 90 || ns[0].Limit != 90 || ns[0].Flash != 100 || ns[0].Method != "closed cup" {
		t.Fatalf("notices %+v", ns)
	}
	r.hold(89, 120) // within the deadband it stays
	r.want(KeyFlashMargin, Unacked)
	r.hold(87, 59)
	r.want(KeyFlashMargin, Unacked)
	r.hold(87, 3)
	r.want(KeyFlashMargin, LatchedUnack)
	if _, err := r.w.Acknowledge(r.f.At, r.f.Wall, KeyFlashMargin, "Ada"); err != nil {
		t.Fatal(err)
	}
	r.want(KeyFlashMargin, LatchedAck)
	ns, err := r.w.Reset(r.f.At, r.f.Wall, KeyFlashMargin, "Ada")
	if err != nil || len(ns) != 1 || ns[0].Who != "Ada" || ns[0].Why != "reset" {
		t.Fatalf("reset gave %+v, %v", ns, err)
	}
	r.want(KeyFlashMargin, Normal)
}

func TestFlashMarginIsArmedByTheFragranceAlone(t *testing.T) {
	r := newRig(t, plan.StageScent)
	r.hold(95, 5)
	r.want(KeyFlashMargin, Normal)
	r.want(KeyTooHotForScent, Unacked) // but it is no moment to add any
	r.f.Fragrance, r.f.Stage, r.f.ScentAt = true, plan.StageStirring, r.f.At
	r.tick(1) // it need not wait for the next reading
	r.want(KeyFlashMargin, Unacked)
	r.f.Fragrance, r.f.Stage = false, plan.StageSetting // poured: at once over
	r.tick(1)
	r.want(KeyFlashMargin, LatchedUnack)
}

func TestSuspectReadingsNeverClearAndRarelyRaise(t *testing.T) {
	never := []probe.Quality{probe.BadCRC, probe.PowerOnReset, probe.OutOfRange, probe.OpenCircuit, probe.Shorted, probe.NoDevice, probe.Garbled}
	for _, q := range append(never, probe.ImpossibleRate, probe.Stuck, probe.Stale) {
		t.Run(string(q), func(t *testing.T) {
			r := newRig(t, plan.StageCooling)
			r.f.Fragrance = true
			r.good(95)
			for range 600 {
				r.read(40, q)
			}
			r.want(KeyFlashMargin, Unacked)

			r = newRig(t, plan.StageCooling)
			r.f.Fragrance = true
			r.good(60)
			r.read(95, q)
			switch q {
			case probe.Stuck, probe.Stale:
				r.want(KeyFlashMargin, Unacked)
				return
			}
			r.want(KeyFlashMargin, Normal) // one wild value is a spark
			r.read(96, q)
			if q == probe.ImpossibleRate {
				r.want(KeyFlashMargin, Unacked) // two that agree are not
			} else {
				r.want(KeyFlashMargin, Normal)
			}
		})
	}
	t.Run("two that disagree", func(t *testing.T) {
		r := newRig(t, plan.StageCooling)
		r.f.Fragrance = true
		r.read(95, probe.ImpossibleRate)
		r.read(127, probe.ImpossibleRate)
		r.want(KeyFlashMargin, Normal)
	})
	t.Run("no number", func(t *testing.T) {
		r := newRig(t, plan.StageCooling)
		r.f.Fragrance = true
		r.read(math.NaN(), probe.Good)
		r.read(math.Inf(1), probe.Good)
		r.want(KeyFlashMargin, Normal)
	})
}

func TestTheHotterOfTwoProbesCounts(t *testing.T) {
	r := newRig(t, plan.StageCooling)
	r.f.Fragrance = true
	both := func(a, b float64, n int) {
		for range n {
			r.probe = "a"
			r.good(a)
			r.probe = "b"
			r.good(b)
		}
	}
	both(80, 92, 2)
	r.want(KeyFlashMargin, Unacked)
	both(80, 92, 60)
	r.want(KeyFlashMargin, Unacked)
	r.want(KeyProbesDisagree, Unacked)
	both(80, 80, 70)
	r.want(KeyFlashMargin, LatchedUnack)
	r.want(KeyProbesDisagree, ReturnedUnack)
}

func TestFlashApproach(t *testing.T) {
	// 90 °C is 10 °C away; at 6 K a minute that is 100 s.
	r := newRig(t, plan.StageCooling)
	r.f.Fragrance = true
	r.f.At, r.f.ScentAt = time.Hour, 50*time.Minute
	r.ramp(74, 80, 60)
	r.ramp(80, 82, 20)
	r.want(KeyFlashApproach, Unacked)
	for _, n := range r.all {
		if n.Key == KeyFlashApproach && (n.Seconds < 60 || n.Seconds > 120) {
			t.Errorf("raised %.0f s ahead, want at most 120", n.Seconds)
		}
	}
	r.ramp(82, 91, 90)
	r.want(KeyFlashMargin, Unacked)
	r.want(KeyFlashApproach, Suppressed) // the greater alarm says it

	// 0.2 K a minute would take an hour: not now.
	r = newRig(t, plan.StageCooling)
	r.f.Fragrance = true
	r.f.At, r.f.ScentAt = time.Hour, 50*time.Minute
	r.ramp(80, 82, 600)
	r.want(KeyFlashApproach, Normal)

	// A probe put back into hot wax is no heating.
	r = newRig(t, plan.StageCooling)
	r.f.Fragrance = true
	r.f.At, r.f.ScentAt = time.Hour, 50*time.Minute
	r.hold(25, 60)
	for i := range 120 {
		r.good(85 - 60*math.Exp(-float64(i)/12))
	}
	if n := r.count(KeyFlashApproach, "raised"); n > 0 {
		t.Errorf("a probe put back into the wax raised flash-approach %d times", n)
	}
}

func TestBoiledDry(t *testing.T) {
	r := newRig(t, plan.StageMelting)
	r.f.HeatOn = true
	bath := func(c float64) {
		r.reading(probe.Reading{Probe: "bath", Role: probe.RoleBath, Celsius: c, Quality: probe.Good})
	}
	bath(100.5)
	r.want(KeyBoiledDry, Normal)
	bath(103)
	r.want(KeyBoiledDry, Unacked)

	r = newRig(t, plan.StageMelting)
	r.f.Sheet.Thresholds.BathCeiling = 92 // at 2,300 m
	r.good(95)
	r.want(KeyBoiledDry, Unacked)

	r = newRig(t, plan.StageCooling)
	r.f.JugOut = true
	bath(130) // an empty pan on the hob is not the jug's affair any more
	r.want(KeyBoiledDry, Normal)
}

func TestHeatLeftOn(t *testing.T) {
	t.Run("not tapped off", func(t *testing.T) {
		r := newRig(t, plan.StageCooling)
		r.f.Fragrance, r.f.HeatOn = true, true
		r.hold(75, 178)
		r.want(KeyHeatLeftOn, Normal)
		r.hold(75, 20)
		r.want(KeyHeatLeftOn, Unacked)
	})
	t.Run("only the tap was forgotten", func(t *testing.T) {
		r := newRig(t, plan.StageCooling)
		r.f.Fragrance, r.f.HeatOn = true, true
		r.ramp(75, 60, 600) // 1.5 K a minute down
		r.want(KeyHeatLeftOn, Normal)
	})
	t.Run("tapped off and still warming", func(t *testing.T) {
		r := newRig(t, plan.StageCooling)
		r.f.Fragrance = true
		r.ramp(72, 84, 600)
		r.want(KeyHeatLeftOn, Unacked)
	})
	t.Run("warmed again on purpose", func(t *testing.T) {
		r := newRig(t, plan.StageMelting)
		r.f.Fragrance, r.f.HeatOn, r.f.ScentAt, r.f.At = true, true, 0, time.Hour
		r.ramp(50, 61, 300)
		r.want(KeyHeatLeftOn, Normal)
		r.want(KeyReheated, Unacked)
		r.ramp(61, 66, 300)
		r.want(KeyHeatLeftOn, Unacked)
	})
}

func TestUnattendedHeat(t *testing.T) {
	r := newRig(t, plan.StageMelting)
	r.f.HeatOn = true
	r.hold(70, 20*60-1)
	r.want(KeyUnattended, Normal)
	r.hold(70, 2)
	r.want(KeyUnattended, Unacked)
	r.f.TouchedAt = r.f.At
	r.tick(1)
	r.want(KeyUnattended, ReturnedUnack)

	r = newRig(t, plan.StageMelting)
	r.f.HeatOn = true
	r.hold(55, 40*60) // solid wax coming up is not yet dangerous
	r.want(KeyUnattended, Normal)

	r = newRig(t, plan.StageIdle) // nobody told the station of a batch
	r.f.Batch, r.f.Sheet = "", nil
	r.hold(70, 25*60)
	r.want(KeyUnattended, Unacked)
}

func TestProbeLost(t *testing.T) {
	r := newRig(t, plan.StageMelting)
	r.f.HeatOn = true
	r.good(70)
	for range 14 {
		r.read(math.NaN(), probe.NoDevice)
	}
	r.want(KeyProbeLost, Normal)
	r.read(math.NaN(), probe.NoDevice)
	r.want(KeyProbeLost, Unacked)
	if n := r.all[len(r.all)-1]; n.Detail != string(probe.NoDevice) || n.Celsius != 70 || n.Probe != "pot-1" {
		t.Errorf("the notice says %+v", n)
	}
	r.hold(70, 125)
	r.want(KeyProbeLost, ReturnedUnack)

	// Silence is loss too: no reading at all, only ticks.
	r = newRig(t, plan.StageMelting)
	r.f.HeatOn = true
	r.good(70)
	r.tick(16)
	r.want(KeyProbeLost, Unacked)

	// And a batch that is started without any probe.
	r = newRig(t, plan.StageMelting)
	r.f.HeatOn = true
	r.tick(17)
	r.want(KeyProbeLost, Unacked)

	// Cold and off: unplugging it is nobody's business.
	r = newRig(t, plan.StageCooling)
	r.hold(40, 5)
	r.tick(600)
	r.want(KeyProbeLost, Normal)
}

func TestFaultThatComesAndGoesIsOneAlarm(t *testing.T) {
	r := newRig(t, plan.StageMelting)
	r.f.HeatOn = true
	for range 60 { // an hour and a half of a bad plug: 20 s away, 70 s back
		r.tick(20)
		r.hold(70, 70)
		r.w.AcknowledgeAll(r.f.At, r.f.Wall, "x")
	}
	if n := r.count(KeyProbeLost, "raised"); n > 6 {
		t.Errorf("probe-lost was raised %d times in 90 min", n)
	}
}

func TestProbeSuspect(t *testing.T) {
	r := newRig(t, plan.StageMelting)
	r.f.HeatOn = true
	for i := range 300 {
		if i%20 == 0 {
			r.read(math.NaN(), probe.BadCRC) // 5 %: long wires do that
			continue
		}
		r.good(70)
	}
	r.want(KeyProbeSuspect, Normal)
	for i := range 120 {
		if i%2 == 0 {
			r.read(math.NaN(), probe.BadCRC)
			continue
		}
		r.good(70)
	}
	r.want(KeyProbeSuspect, Unacked)
	r.want(KeyProbeLost, Normal)
}

func TestStationTroubles(t *testing.T) {
	r := newRig(t, plan.StageIdle)
	r.f.Batch, r.f.Sheet = "", nil
	r.f.DiskFree = 100 << 20
	r.f.StoreErr = fmt.Errorf("writing: %w", errors.New("no space left on device"))
	r.tick(11)
	r.want(KeyDiskLow, Unacked)
	r.want(KeyStoreFailing, Unacked)
	if n := r.all[len(r.all)-1]; n.Key != KeyDiskLow {
		t.Errorf("last notice %s", n.Key)
	}
	r.f.StoreErr, r.f.DiskFree = nil, 210<<20 // over the minimum, within the deadband
	r.tick(70)
	r.want(KeyStoreFailing, ReturnedUnack)
	r.want(KeyDiskLow, Unacked)
	r.f.ClockStep = -3 * time.Hour
	r.tick(1)
	r.f.ClockStep = 0
	r.want(KeyClockStepped, Unacked)
	r.f.ClockStep = time.Second
	r.tick(1)
	if n := r.count(KeyClockStepped, "raised"); n != 1 {
		t.Errorf("raised %d times, a second's step is none", n)
	}
}

// The alarm path looks at nothing but readings and what was told: with a dead
// forecast, a store that fails, no disk and rubbish around, it still comes with
// the reading.
func TestAlarmNeedsNothingElse(t *testing.T) {
	nan := forecast.Forecast{Status: forecast.OK, Eta: math.NaN(), Lo: math.NaN(), Hi: math.Inf(1)}
	for name, spoil := range map[string]func(*Facts){
		"no forecast":     func(f *Facts) { f.Outlook = nil },
		"rubbish":         func(f *Facts) { f.Outlook = &Outlook{Scent: nan, WindowOpen: nan, Pour: nan, WindowClose: nan} },
		"empty forecast":  func(f *Facts) { f.Outlook = &Outlook{} },
		"all is well":     func(f *Facts) { f.Outlook = &Outlook{Pour: forecast.Forecast{Status: forecast.Disturbed}} },
		"store fails":     func(f *Facts) { f.StoreErr = errors.New("database is locked") },
		"disk full":       func(f *Facts) { f.DiskFree = 0 },
		"clock stepped":   func(f *Facts) { f.ClockStep = 10 * 365 * 24 * time.Hour },
		"no probes known": func(f *Facts) { f.Probes = nil },
		"no wall clock":   func(f *Facts) { f.Wall = time.Time{} },
	} {
		t.Run(name, func(t *testing.T) {
			r := newRig(t, plan.StageCooling)
			r.f.Fragrance = true
			spoil(&r.f)
			r.hold(80, 10)
			if ns := r.good(90); len(ns) == 0 || ns[0].Key != KeyFlashMargin {
				t.Errorf("the reading over the limit gave %+v", ns)
			}
		})
	}
}

func TestFirstOut(t *testing.T) {
	r := newRig(t, plan.StageCooling)
	r.f.Fragrance = true
	r.hold(80, 3)
	r.good(91) // flash margin
	r.hold(91, 10)
	r.good(106) // scorch, and boiled dry: more than boiling water gives
	var first []string
	for _, n := range r.w.Standing() {
		if n.FirstOut {
			first = append(first, n.Key)
		}
	}
	if !slices.Equal(first, []string{KeyFlashMargin}) {
		t.Errorf("first out: %v of %v", first, r.w.Standing())
	}
	got := r.w.Standing()
	if len(got) != 3 || got[0].Key != KeyFlashMargin || got[1].Key != KeyBoiledDry || got[2].Key != KeyScorch {
		t.Errorf("standing in the wrong order: %v", got)
	}
	// One alone is no first of several.
	r = newRig(t, plan.StageCooling)
	r.f.Fragrance = true
	r.good(91)
	if r.w.Standing()[0].FirstOut {
		t.Error("an alarm alone is marked first-out")
	}
}

func TestRemindersAndShelves(t *testing.T) {
	r := newRig(t, plan.StageCooling)
	r.f.Fragrance = true
	r.good(95)
	if _, err := r.w.Acknowledge(r.f.At, r.f.Wall, KeyFlashMargin, "Ada"); err != nil {
		t.Fatal(err)
	}
	r.hold(95, 119)
	r.want(KeyFlashMargin, Acked)
	r.hold(95, 2) // still true two minutes later
	r.want(KeyFlashMargin, Unacked)
	if n := r.all[len(r.all)-1]; n.Why != "reminded" {
		t.Errorf("last notice %+v", n)
	}

	if _, err := r.w.Shelve(r.f.At, r.f.Wall, KeyFlashMargin, "Ada", time.Hour); !errors.Is(err, ErrShelfLength) {
		t.Errorf("an hour's shelf for a dangerous alarm: %v", err)
	}
	ns, err := r.w.Shelve(r.f.At, r.f.Wall, KeyFlashMargin, "Ada", time.Minute)
	if err != nil || ns[0].Until != r.f.At+time.Minute {
		t.Fatalf("%+v, %v", ns, err)
	}
	if aside := r.w.Aside(); len(aside) != 1 || aside[0].State != Shelved {
		t.Errorf("aside: %+v", aside)
	}
	r.hold(95, 58)
	r.want(KeyFlashMargin, Shelved)
	r.hold(95, 3)
	r.want(KeyFlashMargin, Unacked)

	for name, err := range map[string]error{
		"unknown":  second(r.w.Acknowledge(0, time.Time{}, "nonsense", "x")),
		"standing": second(r.w.Acknowledge(0, time.Time{}, KeyScorch, "x")),
		"latch":    second(r.w.Reset(0, time.Time{}, KeyFlashMargin, "x")),
		"reason":   second(r.w.Remove(0, time.Time{}, KeyScorch, "x", "  ")),
		"shelved":  second(r.w.Unshelve(0, time.Time{}, KeyScorch, "x")),
		"removed":  second(r.w.Restore(0, time.Time{}, KeyScorch, "x")),
	} {
		want := map[string]error{"unknown": ErrUnknownKey, "standing": ErrNotStanding, "latch": ErrNoLatch, "reason": ErrNoReason, "shelved": ErrNotShelved, "removed": ErrNotRemoved}[name]
		if !errors.Is(err, want) {
			t.Errorf("%s: %v, want %v", name, err, want)
		}
	}
}

func second(_ []Notice, err error) error { return err }

// Chatter: noise of a sensor around the threshold of every temperature alarm.
// ISA-18.2 and EEMUA 191 call three a minute chattering (from memory); here none
// may be raised more than once in any minute, and the recorded noise of a real
// probe is no worse than white noise.
func TestNoAlarmChatters(t *testing.T) {
	white := func(seed uint64, sd float64) func(int) float64 {
		rng := rand.New(rand.NewPCG(seed, 1))
		return func(int) float64 { return sd * rng.NormFloat64() }
	}
	for _, c := range []struct {
		name  string
		noise func(int) float64
	}{
		{"white 0.1 K", white(1, 0.1)}, {"white 0.5 K", white(2, 0.5)}, {"white 3 K", white(3, 3)},
		{"slow swing of 3 K", func(i int) float64 { return 3 * math.Sin(2*math.Pi*float64(i)/45) }},
		{"two digits", func(i int) float64 { return 0.0625 * float64(i%2) }},
		{"square of 5 K", func(i int) float64 { return 5 * float64(i/31%2*2-1) }},
		{"recorded", recordedNoise(t)},
	} {
		for _, key := range []string{KeyFlashMargin, KeyScorch, KeyBoiledDry, KeyTooHotForScent} {
			t.Run(c.name+" "+key, func(t *testing.T) {
				r := newRig(t, plan.StageCooling)
				limit := 90.0
				switch key {
				case KeyFlashMargin:
					r.f.Fragrance = true
				case KeyScorch:
					limit = 105
				case KeyBoiledDry:
					limit = 103
				}
				var last time.Duration = -time.Hour
				raised := 0
				for i := range 1200 {
					for _, n := range r.good(limit + c.noise(i)) {
						if n.Key != key || n.Why != "raised" {
							continue
						}
						raised++
						if n.At-last < time.Minute {
							t.Fatalf("raised at %v and again at %v", last, n.At)
						}
						last = n.At
					}
					r.w.AcknowledgeAll(r.f.At, r.f.Wall, "x")
				}
				if raised == 0 {
					t.Error("never raised: the noise did not reach the limit")
				}
				if raised > 2 && c.name != "square of 5 K" {
					// one in ten minutes is "very likely to be acceptable"
					// (Bransby and Jenkinson 1998)
					t.Errorf("raised %d times in 20 min", raised)
				}
			})
		}
	}
}

// Every rule of the catalogue has words, in both states and both systems of
// units, without a hole in them.
func TestEveryRuleHasWords(t *testing.T) {
	seen := map[string]bool{}
	for _, rule := range Catalogue() {
		if seen[rule.Key] {
			t.Errorf("two rules are called %q", rule.Key)
		}
		seen[rule.Key] = true
		if rule.About == "" || !strings.HasSuffix(rule.About, ".") {
			t.Errorf("%s: about %q", rule.Key, rule.About)
		}
		for _, s := range []State{Unacked, Acked, ReturnedUnack, LatchedUnack, LatchedAck, Shelved, OutOfService, Normal} {
			for _, u := range []Units{{}, {Temperature: "F", Mass: "oz"}, {Language: "xx"}} {
				for _, n := range []Notice{
					{Key: rule.Key, Class: rule.Class, State: s},
					{Key: rule.Key, Class: rule.Class, State: s, Probe: "pot-1", Celsius: 92.0625, Limit: 90, Seconds: 120, Low: 95, HighEnd: 185,
						Grams: 56.7, Stir: 2 * time.Minute, Flash: 100, Method: "closed cup", Oil: "driftwood", Detail: string(probe.NoDevice), Reason: "new probe"},
					{Key: rule.Key, Class: rule.Class, State: s, Detail: "warming"},
				} {
					w := Words(n, u)
					all := w.Title + "|" + w.Body + "|" + strings.Join(w.Do, "|")
					if w.Title == "" || len(w.Title) > 60 || strings.ContainsAny(all, "{}") || strings.Contains(all, "NaN") || strings.Contains(all, "Inf") {
						t.Errorf("%s %s: %q", rule.Key, s, all)
					}
				}
			}
		}
	}
	if len(seen) != len(english.phrases) {
		t.Errorf("%d rules, %d phrases", len(seen), len(english.phrases))
	}
}

func TestWordsInTheMakersUnits(t *testing.T) {
	n := Notice{Key: KeyScentNow, Class: Cue, State: Unacked, Probe: "pot-1", Celsius: 85, Grams: 56.7, Stir: 2 * time.Minute}
	// 2 oz of fragrance to 2 lb of wax; 185 °F is exactly 85 °C.
	if got := Words(n, Units{Temperature: "F", Mass: "oz"}); got.Title != "Add 2.00 oz of fragrance now" || got.Body != "The wax is at 185 °F." {
		t.Errorf("%+v", got)
	}
	if got := Words(n, Units{}); got.Title != "Add 56.7 g of fragrance now" || got.Body != "The wax is at 85.0 °C." || got.Do[0] != "Pour in 56.7 g and stir gently for 2 min." {
		t.Errorf("%+v", got)
	}
	n.Limit, n.Celsius = 75, 79.9
	if got := Words(n, Units{}); got.Title != "Add 56.7 g of fragrance now" {
		t.Errorf("just past scent-add: %+v", got)
	}
	n.Celsius = 91
	if got := Words(n, Units{}); got.Title != "Past scent-add: let it cool to 75.0 °C" || got.Do[1] != "At 75.0 °C pour in 56.7 g and stir gently for 2 min." {
		t.Errorf("far past scent-add: %+v", got)
	}
	lost := Notice{Key: KeyProbeLost, Class: Alarm, State: Unacked, Probe: "28-0316a2794eff", Detail: "no-device"}
	if got := Words(lost, Units{Probes: map[string]string{lost.Probe: "Wax"}}); got.Title != "No temperature from “Wax”" {
		t.Errorf("a probe with a name: %+v", got)
	}
	if got := Words(lost, Units{}); got.Title != "No temperature from 28-0316a2794eff" {
		t.Errorf("a probe without: %+v", got)
	}
	in := Words(Notice{Key: KeyPourNow, Class: Cue, State: Unacked, Probe: "p", Celsius: 57, Limit: 57, Grams: 57}, Units{})
	if !strings.Contains(in.Body, "is the fragrance in?") || !strings.HasPrefix(in.Do[0], "If the 57 g of fragrance are in") {
		t.Errorf("nobody said that the fragrance is in: %+v", in)
	}
	d := Words(Notice{Key: KeyWindowOpening, Class: Cue, State: Unacked, Probe: "p", Celsius: 61, Limit: 60, Seconds: 121, Low: 112, HighEnd: 185}, Units{})
	if d.Title != "Pour window opens in about 2 min" {
		t.Errorf("%q", d.Title)
	}
	w := Words(Notice{Key: KeyWarmJars, Class: Cue, State: Unacked, Probe: "p", Celsius: 71, Limit: 60, Seconds: 601, Low: 530, HighEnd: 700}, Units{})
	if w.Body != "The wax is at 71.0 °C. The pour window opens at 60.0 °C in about 10 min (9 to 12 min)." {
		t.Errorf("%q", w.Body)
	}
}

// What stands beside an alarm that hurts people says what to do, never promises
// safety, and never sends anyone for water.
func TestDangerousAlarmsCarryTheCautions(t *testing.T) {
	for _, n := range []Notice{
		{Key: KeyFlashMargin, Celsius: 95}, {Key: KeyFlashMargin, Celsius: 88.5},
		{Key: KeyBoiledDry, Celsius: 95}, {Key: KeyBoiledDry, Celsius: 88.5},
	} {
		key := n.Key
		n.Class, n.State, n.Probe, n.Limit = Alarm, Unacked, "p", 90
		w := Words(n, Units{})
		all := strings.Join(w.Do, " ")
		for _, want := range []string{"Turn the heat off", "lid", "Never put water on hot wax", "call for help", "not a safety device"} {
			if !strings.Contains(all, want) {
				t.Errorf("%s does not say %q: %s", key, want, all)
			}
		}
		if !strings.HasPrefix(w.Do[0], "Turn the heat off") {
			t.Errorf("%s begins with %q", key, w.Do[0])
		}
	}
}

// An alarm that still stands below its limit, within its deadband or its
// off-delay, says that it was over, not that it is.
func TestBelowTheLimitSaysSo(t *testing.T) {
	for _, key := range []string{KeyFlashMargin, KeyBoiledDry, KeyTooHotForScent, KeyScorch} {
		for _, s := range []State{Unacked, Acked} {
			n := Notice{Key: key, Class: Alarm, State: s, Probe: "p", Celsius: 94.4, Limit: 96, Flash: 106, Method: "closed cup", Oil: "driftwood"}
			if w := Words(n, Units{}); !strings.Contains(w.Body, "was over") || !strings.Contains(w.Body, "still too close") || strings.Contains(w.Title, "TOO HOT") {
				t.Errorf("%s %s below its limit: %+v", key, s, w)
			}
			n.Celsius = 96
			if w := Words(n, Units{}); strings.Contains(w.Body, "was over") {
				t.Errorf("%s %s at its limit: %+v", key, s, w)
			}
		}
	}
}

// Few alarms are urgent: EEMUA 191 aims at about 5/15/80 per cent of what comes
// at an operator; of a catalogue this small, no more than a sixth.
func TestPrioritiesAreFewAndEarned(t *testing.T) {
	n := map[Priority]int{}
	all := 0
	for _, r := range Catalogue() {
		if r.Class == Cue && r.Priority == Urgent {
			t.Errorf("the cue %s is urgent", r.Key)
		}
		if r.Latching != (r.Priority == Urgent) {
			t.Errorf("%s: latching %v, priority %s: what is urgent latches, nothing else does", r.Key, r.Latching, r.Priority)
		}
		if r.Class == Alarm {
			n[r.Priority]++
			all++
			if r.OffDelay < time.Minute {
				t.Errorf("%s may toggle more than once a minute", r.Key)
			}
		}
	}
	if n[Urgent]*6 > all {
		t.Errorf("%d of %d alarms are urgent", n[Urgent], all)
	}
}

func TestSettingsAreChecked(t *testing.T) {
	if err := DefaultSettings().Validate(); err != nil {
		t.Errorf("the defaults: %v", err)
	}
	s := DefaultSettings()
	s.LostAfter, s.BathMargin = 0, math.NaN()
	d, off := time.Second, 5*time.Second
	s.Rules = map[string]Tuning{KeyFlashMargin: {OnDelay: &d}, KeyScorch: {OffDelay: &off}, "nonsense": {}}
	err := s.Validate()
	for _, want := range []string{"LostAfter", "BathMargin", "Rules.flash-margin.OnDelay", "Rules.scorch.OffDelay", "nonsense"} {
		if err == nil || !strings.Contains(err.Error(), want) {
			t.Errorf("%v does not name %s", err, want)
		}
	}
}

// BenchmarkEval is the cost of one reading through every rule.
func BenchmarkEval(b *testing.B) {
	r := newRig(b, plan.StageCooling)
	r.f.Fragrance, r.f.HeatOn = true, true
	r.hold(75, 300)
	b.ReportAllocs()
	i := 0
	for b.Loop() {
		i++
		r.good(75 + 0.0625*float64(i%3))
		r.all = r.all[:0]
	}
}

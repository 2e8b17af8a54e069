package sim_test

import (
	"errors"
	"math"
	"slices"
	"testing"
	"time"

	"example.org/meltstation/probe"
	"example.org/meltstation/sim"
)

// bell is a station as plain as can be: it calls by the last reading alone.
type bell struct {
	l       sim.Limits
	wax     float64
	bath    float64
	at      time.Duration
	scent   time.Duration
	tapped  []string
	taps    []sim.Tap
	touched []time.Duration
	deaf    int  // refuses so many taps
	mute    bool // never calls
	late    bool // does not call the pour until the pot has been reheated
}

func (b *bell) has(kind string) bool { return slices.Contains(b.tapped, kind) }

func (b *bell) Tap(t sim.Tap) error {
	if t.Kind == "touched" {
		b.touched = append(b.touched, b.at)
		return nil
	}
	if b.deaf > 0 {
		b.deaf--
		return errors.New("not now")
	}
	b.tapped = append(b.tapped, t.Kind)
	b.taps = append(b.taps, t)
	if t.Kind == "scent-added" {
		b.scent = b.at
	}
	return nil
}

func (b *bell) Stage() string {
	if b.mute {
		return ""
	}
	switch {
	case b.has("poured"):
		return "setting"
	case b.has("pour-start"):
		return "pouring"
	case b.has("scent-added") && !b.has("stirred") && !b.has("pour-start"):
		return "stirring"
	case b.has("scent-added") && b.wax < b.l.PourLow && !b.reheating():
		return "cold"
	case b.has("scent-added"):
		return "cooling"
	case b.has("start"):
		return "melting"
	}
	return "idle"
}

func (b *bell) reheating() bool { return len(b.tapped) > 0 && b.tapped[len(b.tapped)-1] == "heat-on" }

func (b *bell) Calls() []string {
	var out []string
	if b.mute {
		return out
	}
	if b.bath > b.l.Boiling+3 {
		out = append(out, "boiled-dry")
	}
	switch b.Stage() {
	case "melting":
		if b.wax >= b.l.ScentAdd {
			out = append(out, "scent-now")
		}
	case "cooling":
		if b.wax <= b.l.Pour && !b.reheating() && (!b.late || b.has("heat-on")) {
			out = append(out, "pour-now")
		}
		if b.wax > b.l.Flash {
			out = append(out, "flash-margin")
		}
	}
	return out
}

func (b *bell) Tapped() []string { return b.tapped }

func play(t *testing.T, s sim.Scenario, b *bell) (*sim.Play, []sim.Moment) {
	t.Helper()
	b.l = s.Limits
	p := sim.NewPlay(s)
	var ms []sim.Moment
	err := p.Run(b, func(m sim.Moment) error {
		b.at = m.At
		if m.Role == probe.RolePot && m.Err == nil {
			b.wax = m.Sample.Celsius
		}
		if m.Role == probe.RoleBath && m.Err == nil {
			b.bath = m.Sample.Celsius
		}
		ms = append(ms, m)
		return nil
	})
	if err != nil {
		t.Fatal(err)
	}
	return p, ms
}

var whole = []string{"start", "scent-added", "heat-off", "stirred", "jug-out", "pour-start", "poured", "wicks"}

func TestMakerMakesAWholeBatch(t *testing.T) {
	b := &bell{}
	p, ms := play(t, sim.Ordinary(1), b)
	if !slices.Equal(b.tapped, whole) {
		t.Fatalf("told the station %v, want %v", b.tapped, whole)
	}
	if g := b.taps[1].Grams; math.Abs(g-56.7) > 0.01 {
		t.Errorf("fragrance %g g, want 56.7", g)
	}
	if f, l := b.taps[6].First, b.taps[6].Last; f < 55 || f > 57.5 || l > f {
		t.Errorf("poured from %.1f to %.1f °C, want from about 57 downwards", f, l)
	}
	p.Bench().Do(func(pot *sim.Pot) {
		if math.Abs(pot.Grams()-25) > 0.1 {
			t.Errorf("%.1f g left in the jug, want 25", pot.Grams())
		}
	})
	if n := len(b.touched); n < 1 || n > 3 {
		t.Errorf("looked in at %v while it heated, want every 12 minutes", b.touched)
	}
	last := ms[len(ms)-1].At
	t.Logf("the batch took %v", last)
	if last < 45*time.Minute || last > 100*time.Minute {
		t.Errorf("the batch took %v", last)
	}
}

func TestMakerWorksByThermometerWhenNobodyCalls(t *testing.T) {
	b := &bell{mute: true}
	play(t, sim.Ordinary(2), b)
	if !slices.Equal(b.tapped, whole) {
		t.Fatalf("told the station %v, want %v", b.tapped, whole)
	}
}

func TestMakerTriesARefusedTapAgain(t *testing.T) {
	b := &bell{deaf: 2}
	play(t, sim.Ordinary(3), b)
	if !slices.Equal(b.tapped, whole) {
		t.Fatalf("told the station %v, want %v", b.tapped, whole)
	}
}

func TestMakerFollowsSomebodyElsesTaps(t *testing.T) {
	now := time.Date(2026, 1, 5, 9, 0, 0, 0, time.UTC)
	begin := now
	c := sim.Default()
	c.WaxStart = 80
	bench := sim.NewBench(c, func() time.Time { return now }, sim.StandardSensors(1))
	mc := sim.DefaultMaker()
	mc.Last = "wicks"
	b := &bell{l: sim.Ordinary(1).Limits, wax: 80}
	m := sim.NewMaker(mc, bench, b)
	step := func(d time.Duration) {
		for end := now.Add(d); now.Before(end); now = now.Add(time.Second) {
			bench.Do(func(p *sim.Pot) { b.wax = p.Wax() })
			if err := m.Step(now.Sub(begin)); err != nil {
				t.Fatal(err)
			}
		}
	}
	step(10 * time.Second)
	b.tapped = append(b.tapped, "scent-added") // the visitor was quicker
	before := 0.0
	bench.Do(func(p *sim.Pot) { before = p.Grams() })
	step(time.Second)
	bench.Do(func(p *sim.Pot) {
		if got := p.Grams() - before; math.Abs(got-mc.ScentGrams) > 0.01 {
			t.Errorf("%.2f g went in, want %g", got, mc.ScentGrams)
		}
	})
	b.tapped = append(b.tapped, "jug-out")
	step(2 * time.Second)
	bench.Do(func(p *sim.Pot) {
		if !p.Out() || p.Heating() {
			t.Errorf("jug out %v, heating %v; want out of the bath with the heat off", p.Out(), p.Heating())
		}
	})
	step(3 * time.Hour)
	count := map[string]int{}
	for _, k := range b.tapped {
		count[k]++
	}
	for _, k := range []string{"start", "scent-added", "jug-out", "pour-start", "poured", "wicks"} {
		if count[k] != 1 {
			t.Errorf("%q was told %d times, want once: %v", k, count[k], b.tapped)
		}
	}
}

func TestHandsThatOnlyFollowDoNothingAlone(t *testing.T) {
	s := sim.Ordinary(4)
	s.Maker.Follow = true
	s.Length = 10 * time.Minute
	b := &bell{}
	p, _ := play(t, s, b)
	p.Bench().Do(func(pot *sim.Pot) {
		if pot.Heating() || len(b.tapped) > 0 {
			t.Errorf("heating %v, told %v", pot.Heating(), b.tapped)
		}
	})
}

func TestMakerReheatsAPotGrownCold(t *testing.T) {
	s := sim.Ordinary(5)
	s.Maker.Patience = 24 * time.Hour // does not look at the thermometer
	s.Length = 5 * time.Hour
	b := &bell{late: true}
	play(t, s, b)
	want := []string{"start", "scent-added", "heat-off", "stirred", "jug-out", "heat-on", "heat-off", "jug-out", "pour-start", "poured", "wicks"}
	if !slices.Equal(b.tapped, want) {
		t.Fatalf("told the station %v, want %v", b.tapped, want)
	}
	if f := b.taps[9].First; f < 55 || f > 57.5 {
		t.Errorf("poured at %.1f °C after reheating, want about 57", f)
	}
}

func TestMakerTakesTheHeatAwayInDanger(t *testing.T) {
	s := sim.Ordinary(6)
	s.Incidents = []sim.Incident{{What: sim.BareFlame, After: "jug-out", In: time.Minute, For: time.Hour, Value: 900}}
	s.Limits.Flash = 95
	b := &bell{}
	_, ms := play(t, s, b)
	var first, last time.Duration
	peak := 0.0
	for _, m := range ms {
		peak = max(peak, m.Wax)
		if slices.Contains(m.Over, "flash-margin") {
			if first == 0 {
				first = m.At
			}
			last = m.At
		}
	}
	t.Logf("over the limit from %v to %v, peak %.1f °C", first, last, peak)
	if first == 0 {
		t.Fatal("a bare flame did not bring the wax over the limit")
	}
	if last-first > 10*time.Minute || peak > 120 {
		t.Errorf("over the limit for %v, up to %.1f °C: nobody took the heat away", last-first, peak)
	}
}

func TestMakerGoesOnAfterTheBathBoiledDry(t *testing.T) {
	s := sim.Ordinary(8)
	s.Incidents = []sim.Incident{{What: sim.BoilDry, After: "start", In: 5 * time.Minute}}
	b := &bell{}
	p, _ := play(t, s, b)
	if !slices.Equal(b.tapped, whole) {
		t.Errorf("told the station %v, want %v", b.tapped, whole)
	}
	p.Bench().Do(func(pot *sim.Pot) {
		if pot.Water() < 1000 {
			t.Errorf("%.0f g of water: nobody topped up the bath", pot.Water())
		}
	})
}

// Random batches must really hold what they are for.
func TestRandomScenariosHoldDangersAndFaults(t *testing.T) {
	n := 60
	if testing.Short() {
		n = 20
	}
	over, errs, poured := 0, 0, 0
	for seed := range uint64(n) {
		s := sim.Random(seed)
		s.Every = 5 * time.Second
		b := &bell{}
		_, ms := play(t, s, b)
		hot, bad := false, false
		for _, m := range ms {
			if math.IsNaN(m.Wax) || m.Wax < 0 || m.Wax > 500 {
				t.Fatalf("seed %d at %v: wax %v °C", seed, m.At, m.Wax)
			}
			hot = hot || len(m.Over) > 0
			bad = bad || m.Err != nil
		}
		if hot {
			over++
		}
		if bad {
			errs++
		}
		if b.has("poured") {
			poured++
		}
	}
	t.Logf("of %d batches %d went over a limit, %d had failed reads, %d were poured", n, over, errs, poured)
	if over < n/10 || over > n*7/10 || errs < n/4 || poured < n*6/10 {
		t.Errorf("of %d batches %d went over a limit, %d had failed reads, %d were poured", n, over, errs, poured)
	}
}

func TestSameSeedSameBatch(t *testing.T) {
	s := sim.Random(17)
	s.Every = 5 * time.Second
	_, a := play(t, s, &bell{})
	s = sim.Random(17)
	s.Every = 5 * time.Second
	_, b := play(t, s, &bell{})
	if len(a) != len(b) {
		t.Fatalf("%d and %d moments", len(a), len(b))
	}
	for i := range a {
		if a[i].Wax != b[i].Wax || a[i].Sample != b[i].Sample && a[i].Err == nil {
			t.Fatalf("moment %d differs: %+v and %+v", i, a[i], b[i])
		}
	}
}

func BenchmarkBatch(b *testing.B) {
	for i := 0; b.Loop(); i++ {
		s := sim.Random(uint64(i))
		bl := &bell{l: s.Limits}
		p := sim.NewPlay(s)
		n := 0
		if err := p.Run(bl, func(m sim.Moment) error {
			bl.at = m.At
			if m.Role == probe.RolePot && m.Err == nil {
				bl.wax = m.Sample.Celsius
			}
			n++
			return nil
		}); err != nil {
			b.Fatal(err)
		}
	}
	b.ReportMetric(float64(b.N)/b.Elapsed().Seconds(), "batches/s")
}

// The demo's batch has to fit into three minutes at 25 times life's pace.
func TestBoathouseBatchIsPleasantToWatch(t *testing.T) {
	s := sim.Ordinary(7)
	s.Pot, s.Maker, s.Limits = sim.Boathouse(), sim.BoathouseMaker(), sim.BoathouseLimits()
	s.Maker.Last = "wicks"
	b := &bell{}
	at := map[string]time.Duration{}
	n := 0
	b.l = s.Limits
	p := sim.NewPlay(s)
	peak, out := 0.0, 0.0
	err := p.Run(b, func(m sim.Moment) error {
		b.at = m.At
		if m.Role == probe.RolePot && m.Err == nil {
			b.wax = m.Sample.Celsius
		}
		for ; n < len(b.tapped); n++ {
			at[b.tapped[n]] = m.At
			if b.tapped[n] == "jug-out" {
				out = m.Wax
			}
		}
		if !b.has("poured") {
			peak = max(peak, m.Wax)
		}
		if len(m.Over) > 0 {
			t.Fatalf("over %v at %v", m.Over, m.At)
		}
		return nil
	})
	if err != nil {
		t.Fatal(err)
	}
	melt, cool := at["scent-added"], at["pour-start"]-at["jug-out"]
	t.Logf("melting %v, then %v to jug out at %.1f °C, cooling %v, wicks %v; peak %.1f °C", melt, at["jug-out"]-melt, out, cool, at["wicks"], peak)
	if melt < 14*time.Minute || melt > 24*time.Minute || cool < 25*time.Minute || cool > 45*time.Minute {
		t.Errorf("melting took %v and cooling %v", melt, cool)
	}
	if total := at["wicks"]; total > 75*time.Minute {
		t.Errorf("the batch took %v, more than three minutes at 25 times life's pace", total)
	}
}

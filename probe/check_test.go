package probe_test

import (
	"errors"
	"fmt"
	"math"
	"math/rand/v2"
	"testing"
	"time"

	"pgregory.net/rapid"

	"example.org/meltstation/probe"
)

var t0 = time.Date(2026, 3, 1, 9, 0, 0, 0, time.UTC)

func pot() probe.Spec { return probe.Spec{ID: "p", Role: probe.RolePot, Pot: "jug"} }

// step is one attempt: seconds from the start, the sample, and what it must be.
type step struct {
	at    float64
	v     float64
	maybe bool
	want  probe.Quality
}

func play(t *testing.T, spec probe.Spec, steps []step) {
	t.Helper()
	c := probe.NewChecker(spec)
	for i, s := range steps {
		r := c.Check(t0.Add(time.Duration(s.at*1e9)), probe.Sample{Celsius: s.v, MaybePowerOn: s.maybe}, nil)
		if r.Quality != s.want {
			t.Errorf("step %d: %v °C at %v s (maybe power-on %v) is %q (%s), want %q", i, s.v, s.at, s.maybe, r.Quality, r.Detail, s.want)
		}
	}
}

// 85.000 °C is 185 °F, a common scent-add temperature, and the DS18B20's
// power-on value (data sheet, table 1 and note: power-on reset value).
func TestCheckerPowerOn(t *testing.T) {
	const good, reset = probe.Good, probe.PowerOnReset
	for _, tc := range []struct {
		name  string
		steps []step
	}{
		{"a true 85, the bytes say so", []step{{0, 84.5, false, good}, {1, 85, false, good}, {2, 85.0625, false, good}}},
		{"a true 85 on a chip whose byte 6 always says 0Ch", []step{{0, 84.75, false, good}, {1, 84.9375, false, good}, {2, 85, true, good}, {3, 85, true, good}, {4, 85.0625, false, good}}},
		{"a true 85 as the first reading, bytes say so", []step{{0, 85, false, good}}},
		{"restart in cool wax", []step{{0, 57.25, false, good}, {1, 85, true, reset}, {2, 57.1875, false, good}}},
		{"restart at 82: close, but wax can't", []step{{0, 82, false, good}, {1, 85, true, reset}, {2, 82.0625, false, good}}},
		{"restart before anything was read", []step{{0, 85, true, reset}, {1, 21.5, false, good}}},
		{"no supply for conversions: 85 for ever", []step{{0, 85, true, reset}, {1, 85, true, reset}, {60, 85, true, reset}, {600, 85, true, reset}}},
		{"a clone that starts at a true 85 is believed once a digit moves", []step{{0, 85, true, reset}, {1, 85.0625, false, good}, {2, 85, true, good}}},
		{"time-lapse, 25 s a sample", []step{{0, 82.5, false, good}, {25, 83.75, false, good}, {50, 85, true, good}, {75, 86.25, false, good}}},
		{"after a gap of ten minutes", []step{{0, 40, false, good}, {600, 85, true, reset}}},
	} {
		t.Run(tc.name, func(t *testing.T) { play(t, pot(), tc.steps) })
	}
}

// A sensor that always shows byte 6 at 0Ch, so that every true 85.000 °C could be
// the power-on value, carried through 85 °C up and down at any pace of a pot, with
// noise and at any sampling: every reading is good. And a restart anywhere else
// than within what a pot can do is found, and costs that one reading.
func TestCheckerThrough85(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		c := probe.NewChecker(pot())
		rate := rapid.Float64Range(0.002, 0.1).Draw(t, "°C/s")
		dt := rapid.Float64Range(0.1, 10).Draw(t, "sampling s")
		if rapid.Bool().Draw(t, "cooling") {
			rate = -rate
		}
		rng := rand.New(rand.NewPCG(rapid.Uint64().Draw(t, "noise"), 1))
		span := 3.0 // °C on each side of 85
		at, v := 0.0, 85-math.Copysign(span, rate)
		restart := rapid.IntRange(5, 40).Draw(t, "restart")
		for i := 0; math.Abs(v-85) <= span+1; i++ {
			when := t0.Add(time.Duration(at * 1e9))
			if i == restart && math.Abs(v-rate*dt-85) > 0.8+0.1*dt { // from where the last reading was
				if r := c.Check(when, probe.Sample{Celsius: 85, MaybePowerOn: true}, nil); r.Quality != probe.PowerOnReset {
					t.Fatalf("a restart at %.3f °C was %q", v, r.Quality)
				}
			} else {
				q := quantise(v+0.03*rng.NormFloat64(), 1./16)
				if r := c.Check(when, probe.Sample{Celsius: q, MaybePowerOn: q == 85}, nil); !r.OK() {
					t.Fatalf("a true %v °C was %q: %s", q, r.Quality, r.Detail)
				}
			}
			at += dt
			v += rate * dt
		}
	})
}

func TestCheckerJumps(t *testing.T) {
	const good, jump = probe.Good, probe.ImpossibleRate
	for _, tc := range []struct {
		name  string
		steps []step
	}{
		{"a spike is never believed and costs no other reading", []step{{0, 60, false, good}, {1, 95, false, jump}, {2, 60, false, good}, {3, 20, false, jump}, {4, 60, false, good}}},
		{"a lost first digit on a text line", []step{{0, 85.2, false, good}, {1, 5.2, false, jump}, {2, 85.1, false, good}}},
		{"a bare thermocouple plunged into hot wax is believed after a moment", []step{{0, 22, false, good}, {1, 80, false, jump}, {2, 84, false, jump}, {2.5, 84.25, false, good}, {3, 84.5, false, good}}},
		{"two spikes in a row", []step{{0, 60, false, good}, {1, 95, false, jump}, {2, 96, false, jump}, {3, 60, false, good}}},
		{"a burst of noise at 10 Hz is not believed", []step{{0, 60, false, good}, {.1, 90, false, jump}, {.2, 90.2, false, jump}, {.3, 89.9, false, jump}, {.4, 60, false, good}}},
		{"a spike after a gap", []step{{0, 60, false, good}, {20, 130, false, jump}, {21, 60, false, good}}},
		{"moved during a gap, believed after a moment", []step{{0, 85, false, good}, {60, 22, false, jump}, {61, 22, false, jump}, {62, 22, false, good}}},
		{"lifted out in time-lapse, 25 s a sample", []step{{0, 85, false, good}, {25, 24, false, jump}, {50, 21.1, false, good}, {75, 21, false, good}}},
		{"a sleeved probe plunged from room into wax", sleeved(22, 90, 6)},
		{"a sleeved probe lifted out", sleeved(85, 21, 8)},
		{"cold fragrance: a step of 5 degrees", []step{{0, 85, false, good}, {1, 83, false, good}, {2, 80.5, false, good}, {3, 80, false, good}}},
	} {
		t.Run(tc.name, func(t *testing.T) { play(t, pot(), tc.steps) })
	}
}

// sleeved is a first-order sensor of time constant tau seconds moved from one
// temperature to another: every reading must be good.
func sleeved(from, to, tau float64) []step {
	s := []step{{0, from, false, probe.Good}}
	for i := 1; i < 60; i++ {
		s = append(s, step{float64(i), to + (from-to)*math.Exp(-float64(i)/tau), false, probe.Good})
	}
	return s
}

func quantise(v, q float64) float64 { return math.Round(v/q) * q }

func TestCheckerStuck(t *testing.T) {
	run := func(spec probe.Spec, f func(sec float64) float64, seconds int, every time.Duration) (first time.Duration, n int) {
		c := probe.NewChecker(spec)
		for at := time.Duration(0); at < time.Duration(seconds)*time.Second; at += every {
			if r := c.Check(t0.Add(at), probe.Sample{Celsius: f(at.Seconds())}, nil); r.Quality == probe.Stuck {
				if n++; n == 1 {
					first = at
				}
			} else if r.Quality != probe.Good {
				t.Fatalf("at %v: %v %s", at, r.Quality, r.Detail)
			}
		}
		return first, n
	}
	heat := func(s float64) float64 { return 40 + 0.03*s }
	t.Run("digits freeze in the middle of heating", func(t *testing.T) {
		first, n := run(pot(), func(s float64) float64 { return quantise(heat(min(s, 600)), 1./16) }, 1800, time.Second)
		if n == 0 || first < 1190*time.Second || first > 1260*time.Second {
			t.Errorf("stuck first at %v (%d times), want about ten minutes after 600 s", first, n)
		}
	})
	rng := rand.New(rand.NewPCG(1, 2))
	for name, f := range map[string]func(float64) float64{
		"cooling to the room and sitting there":     func(s float64) float64 { return quantise(21.37+60*math.Exp(-s/1100), 1./16) },
		"a quick probe settling in steady wax":      func(s float64) float64 { return quantise(93.1-70*math.Exp(-s/30), 1./16) },
		"a whole-degree probe":                      func(s float64) float64 { return math.Round(22 + 40*math.Exp(-s/2000)) },
		"whole degrees, then a freezing plateau":    func(s float64) float64 { return math.Round(max(49, 80-0.03*s)) },
		"a plateau under a noisy sensor":            func(s float64) float64 { return quantise(max(49, 80-0.03*s)+0.04*rng.NormFloat64(), 1./16) },
		"a pot that is turned off and on":           func(s float64) float64 { return quantise(70+8*math.Sin(s/900), 1./16) },
		"nothing happens all night":                 func(float64) float64 { return 20.0625 },
		"a steep rise that a boiling bath cuts off": func(s float64) float64 { return quantise(92-70*math.Exp(-s/200), 1./16) },
	} {
		t.Run(name, func(t *testing.T) {
			if first, n := run(pot(), f, 6*3600, time.Second); n > 0 {
				t.Errorf("called stuck at %v, %d times", first, n)
			}
		})
	}
	t.Run("a room probe is never judged by pace", func(t *testing.T) {
		room := probe.Spec{ID: "r", Role: probe.RoleRoom}
		if _, n := run(room, func(s float64) float64 { return quantise(heat(min(s, 600)), 1./16) }, 7200, time.Second); n > 0 {
			t.Errorf("%d readings called stuck", n)
		}
	})
	t.Run("asked for", func(t *testing.T) {
		room := probe.Spec{ID: "r", Role: probe.RoleRoom, StuckAfter: time.Minute}
		if first, _ := run(room, func(float64) float64 { return 20 }, 100, time.Second); first != time.Minute {
			t.Errorf("stuck at %v, want one minute", first)
		}
	})
	t.Run("turned off", func(t *testing.T) {
		off := pot()
		off.StuckAfter = -1
		if _, n := run(off, func(s float64) float64 { return quantise(heat(min(s, 600)), 1./16) }, 7200, time.Second); n > 0 {
			t.Errorf("%d readings called stuck", n)
		}
	})
}

func TestCheckerRangeAndCalibration(t *testing.T) {
	spec := pot()
	spec.Adjust = func(c float64) float64 { return c - 0.5 }
	c := probe.NewChecker(spec)
	r := c.Check(t0, probe.Sample{Celsius: 57.5}, nil)
	if !r.OK() || r.Celsius != 57 || r.Raw != 57.5 || r.Pot != "jug" || r.Role != probe.RolePot {
		t.Errorf("got %+v", r)
	}
	for _, v := range []float64{-41, 401, 1e300} {
		if r := c.Check(t0, probe.Sample{Celsius: v}, nil); r.Quality != probe.OutOfRange {
			t.Errorf("%v °C is %q, want out of range", v, r.Quality)
		}
	}
	for _, v := range []float64{math.NaN(), math.Inf(1), math.Inf(-1)} {
		if r := c.Check(t0, probe.Sample{Celsius: v}, nil); r.Quality != probe.Garbled || !math.IsNaN(r.Celsius) {
			t.Errorf("%v is %+v, want garbled", v, r)
		}
	}
	spec.Adjust = func(float64) float64 { return math.NaN() }
	c.Use(spec)
	if r := c.Check(t0, probe.Sample{Celsius: 50}, nil); r.OK() {
		t.Error("a calibration that gives NaN made a good reading")
	}
}

func TestClassify(t *testing.T) {
	for err, want := range map[error]probe.Quality{
		probe.ErrNoDevice: probe.NoDevice, probe.ErrPermission: probe.NoDevice, probe.ErrCRC: probe.BadCRC,
		probe.ErrPowerOn: probe.PowerOnReset, probe.ErrOpen: probe.OpenCircuit, probe.ErrShort: probe.Shorted,
		probe.ErrTimeout: probe.Stale, probe.ErrGarbled: probe.Garbled, probe.ErrRange: probe.OutOfRange,
		probe.ErrNotReady: probe.Stale, errors.New("something else"): probe.NoDevice,
	} {
		wrapped := &probe.Fault{Op: "read", Where: "x", Err: fmt.Errorf("deep: %w", err)}
		if got := probe.Classify(wrapped); got != want {
			t.Errorf("%v is %q, want %q", err, got, want)
		}
		for _, kind := range []string{"w1", "onewire", "serial-text", "modbus", "sim"} {
			if probe.Mend(kind, want, wrapped) == "" {
				t.Errorf("no mend for %v of a %s probe", err, kind)
			}
		}
	}
	if m := probe.Mend("w1", probe.Good, nil); m != "" {
		t.Errorf("a good reading needs no mend, got %q", m)
	}
}

// However samples come, a reading that is good has a finite number inside the
// limits, and a suspect one says why.
func TestCheckerProperties(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		c := probe.NewChecker(pot())
		at := t0
		for range rapid.IntRange(1, 60).Draw(t, "n") {
			at = at.Add(time.Duration(rapid.Int64Range(-1e9, 1e11).Draw(t, "dt")))
			v := rapid.OneOf(rapid.Float64Range(-60, 420), rapid.Just(85.0), rapid.Float64()).Draw(t, "v")
			r := c.Check(at, probe.Sample{Celsius: v, MaybePowerOn: v == 85 && rapid.Bool().Draw(t, "maybe")}, nil)
			if r.OK() && (r.Celsius != v || v < probe.DefaultMin || v > probe.DefaultMax) {
				t.Fatalf("good reading %+v from %v", r, v)
			}
			if !r.OK() && (r.Quality == probe.Good || r.Detail == "") {
				t.Fatalf("suspect reading without a reason: %+v", r)
			}
		}
	})
}

package sim_test

import (
	"context"
	"errors"
	"math"
	"testing"
	"testing/synctest"
	"time"

	"example.org/meltstation/probe"
	"example.org/meltstation/sim"
)

// A first-order lag against a Newton curve: after the transient the reading is
// Ta + A exp(-kt)/(1-k tau), so it crosses late by -ln(1-k tau)/k. Closed form;
// for k = 0.0009 /s and tau = 5, 10, 30 s: 5.011284, 10.045272, 30.412441 s.
func TestSensorLagAgainstClosedForm(t *testing.T) {
	const k, ta, a, target = 0.0009, 22.0, 63.0, 57.2
	for _, c := range []struct {
		lag  time.Duration
		late float64 // s
	}{{5 * time.Second, 5.011284}, {10 * time.Second, 10.045272}, {30 * time.Second, 30.412441}} {
		s := sim.NewSensor(sim.SensorConfig{Lag: c.lag})
		const dt = 0.05
		prev, crossed := math.Inf(1), math.NaN()
		for i := 0; i < 20000 && math.IsNaN(crossed); i++ {
			at := float64(i) * dt
			v, err := s.Read(time.Duration(dt*float64(time.Second)), ta+a*math.Exp(-k*at))
			if err != nil {
				t.Fatal(err)
			}
			if v <= target {
				crossed = at - dt*(target-v)/(prev-v)
			}
			prev = v
		}
		want := math.Log(a/(target-ta))/k + c.late
		if math.Abs(crossed-want) > 0.002 {
			t.Errorf("lag %v: crossed at %.4f s, want %.4f", c.lag, crossed, want)
		}
	}
}

func TestSensorShowsWhatItIsToldTo(t *testing.T) {
	s := sim.NewSensor(sim.SensorConfig{Quantum: 1.0 / 16, Noise: 0.2, Seed: 3})
	var sum, sq float64
	const n = 20000
	for range n {
		v, err := s.Read(time.Second, 60)
		if err != nil {
			t.Fatal(err)
		}
		if v*16 != math.Trunc(v*16) {
			t.Fatalf("%v is not a step of 1/16", v)
		}
		sum += v
		sq += (v - 60) * (v - 60)
	}
	// The step adds q²/12 to the variance (Widrow's noise model).
	want := math.Sqrt(0.2*0.2 + 1.0/16/16/12)
	if sd := math.Sqrt(sq / n); math.Abs(sd/want-1) > 0.03 || math.Abs(sum/n-60) > 0.01 {
		t.Errorf("mean %.4f, sd %.4f; want 60 and %.4f", sum/n, sd, want)
	}

	s = sim.NewSensor(sim.SensorConfig{DropOut: 0.05, PowerOn: 0.02, Seed: 4})
	drops, power := 0, 0
	for range n {
		v, err := s.Read(time.Second, 60)
		switch {
		case err != nil:
			drops++
			if !errors.Is(err, probe.ErrCRC) && !errors.Is(err, probe.ErrTimeout) && !errors.Is(err, probe.ErrNoDevice) {
				t.Fatalf("a drop-out without a reason: %v", err)
			}
		case v == 85:
			power++
		}
	}
	if math.Abs(float64(drops)/n-0.05) > 0.006 || math.Abs(float64(power)/n-0.02*0.95) > 0.004 {
		t.Errorf("%d drop-outs and %d power-on values in %d reads, want about 1000 and 380", drops, power, n)
	}

	s.Unplug(true)
	if _, err := s.Read(time.Second, 60); !errors.Is(err, probe.ErrNoDevice) {
		t.Errorf("unplugged: %v", err)
	}
}

func TestBenchIsReproducible(t *testing.T) {
	run := func() []float64 {
		now := time.Date(2026, 1, 5, 9, 0, 0, 0, time.UTC)
		b := sim.NewBench(sim.Boathouse(), func() time.Time { return now }, sim.StandardSensors(5))
		b.Do((*sim.Pot).HeatOn)
		var out []float64
		for range 600 {
			now = now.Add(1300 * time.Millisecond)
			for _, role := range []probe.Role{probe.RolePot, probe.RoleBath, probe.RoleRoom} {
				v, err := b.Read(role)
				if err != nil {
					t.Fatal(err)
				}
				out = append(out, v)
			}
		}
		return out
	}
	a, b := run(), run()
	for i := range a {
		if a[i] != b[i] {
			t.Fatalf("read %d: %v and %v", i, a[i], b[i])
		}
	}
}

func TestBenchLiftedProbeReadsAir(t *testing.T) {
	now := time.Date(2026, 1, 5, 9, 0, 0, 0, time.UTC)
	c := sim.Default()
	c.WaxStart = 70
	b := sim.NewBench(c, func() time.Time { return now }, sim.StandardSensors(5))
	read := func(after time.Duration) float64 {
		now = now.Add(after)
		v, err := b.Read(probe.RolePot)
		if err != nil {
			t.Fatal(err)
		}
		return v
	}
	if v := read(time.Second); math.Abs(v-70) > 0.5 {
		t.Errorf("in the wax: %.2f", v)
	}
	b.Lift(true)
	for range 5 {
		read(time.Minute)
	}
	if v := read(time.Minute); v > 35 {
		t.Errorf("six minutes in the air: still %.2f °C", v)
	}
	b.Lift(false)
	var wax float64
	v := read(time.Minute)
	b.Do(func(p *sim.Pot) { wax = p.Wax() })
	if math.Abs(v-wax) > 0.5 {
		t.Errorf("back in the wax: %.2f °C, the wax has %.2f", v, wax)
	}
}

func TestBenchOpener(t *testing.T) {
	b := sim.NewBench(sim.Default(), time.Now, sim.StandardSensors(1))
	ctx, cancel := context.WithCancel(t.Context())
	src, err := b.Opener(probe.RolePot)(ctx)
	if err != nil {
		t.Fatal(err)
	}
	defer src.Close()
	s, err := src.Read(ctx)
	if err != nil || math.Abs(s.Celsius-21) > 0.5 {
		t.Fatalf("first reading %v, %v", s, err)
	}
	if _, err := b.Opener(probe.RoleJar)(ctx); !errors.Is(err, probe.ErrNoDevice) {
		t.Errorf("a probe that isn't there: %v", err)
	}
	b.With(probe.RolePot, func(s *sim.Sensor) { s.Unplug(true) })
	if _, err := src.Read(ctx); !errors.Is(err, probe.ErrNoDevice) {
		t.Errorf("read of an unplugged probe: %v", err)
	}
	if _, err := b.Opener(probe.RolePot)(ctx); !errors.Is(err, probe.ErrNoDevice) {
		t.Errorf("opening an unplugged probe: %v", err)
	}
	cancel()
	if _, err := src.Read(ctx); !errors.Is(err, context.Canceled) {
		t.Errorf("read after the end: %v", err)
	}
}

func TestLapseRunsFasterThanLife(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		l := sim.NewLapse(25)
		start := l.Now()
		time.Sleep(2 * time.Second)
		if d := l.Now().Sub(start); d != 50*time.Second {
			t.Errorf("2 s of life made %v, want 50 s", d)
		}
		l.SetFactor(100)
		time.Sleep(time.Second)
		if d := l.Now().Sub(start); d != 150*time.Second {
			t.Errorf("after the pace changed: %v, want 150 s", d)
		}
		if r := l.Real(100 * time.Second); r != time.Second {
			t.Errorf("100 s take %v of life, want 1 s", r)
		}
	})
}

package sim_test

import (
	"math"
	"testing"
	"time"

	"example.org/meltstation/probe"
	"example.org/meltstation/sim"
)

// Every kind of mishap must show in what the probes read or the wax does.
func TestMishapsShow(t *testing.T) {
	type seen struct {
		errs, out, equal int           // pot readings: failed, probe out of the wax, longest run of one value
		peak, pan        float64       // °C, of the wax and of the bath's probe
		cooled           time.Duration // from the jug out to the pour
		warmed           float64       // K after the heat went off
	}
	run := func(what string, heedless bool) seen {
		s := sim.Ordinary(11)
		s.Pot.RoomWander = 0
		s.Maker.Heedless = heedless
		s.Limits.Flash = 92
		if what != "" {
			i, ok := sim.Typical(what)
			if !ok {
				t.Fatalf("no mishap %q", what)
			}
			s.Incidents = []sim.Incident{i}
		}
		var v seen
		run, last := 0, math.NaN()
		b := &bell{l: s.Limits}
		var off, outAt time.Duration
		offWax := math.NaN()
		p := sim.NewPlay(s)
		if err := p.Run(b, func(m sim.Moment) error {
			b.at = m.At
			if m.Role == probe.RoleBath && m.Err == nil {
				v.pan = max(v.pan, m.Sample.Celsius)
			}
			if m.Role != probe.RolePot {
				return nil
			}
			if b.has("heat-off") && off == 0 {
				off, offWax = m.At, m.Wax
			}
			if b.has("jug-out") && outAt == 0 {
				outAt = m.At
			}
			if b.has("pour-start") && v.cooled == 0 {
				v.cooled = m.At - outAt
			}
			if off > 0 {
				v.warmed = max(v.warmed, m.Wax-offWax)
			}
			v.peak = max(v.peak, m.Wax)
			if !m.In {
				v.out++
			}
			if m.Err != nil {
				v.errs++
				return nil
			}
			b.wax = m.Sample.Celsius
			if run++; m.Sample.Celsius != last {
				run, last = 1, m.Sample.Celsius
			}
			v.equal = max(v.equal, run)
			return nil
		}); err != nil {
			t.Fatal(err)
		}
		return v
	}
	boil := sim.BoilingPoint(1013.25)
	calm := run("", false)
	if calm.errs > 0 || calm.out > 0 || calm.equal > 300 || calm.peak > 95 || calm.pan > boil+0.5 {
		t.Errorf("a batch without mishap: %+v", calm)
	}
	for _, c := range []struct {
		what string
		ok   func(heedful, heedless seen) bool
	}{
		{sim.LiftProbe, func(v, _ seen) bool { return v.out >= 150 }},
		{sim.UnplugProbe, func(v, _ seen) bool { return v.errs >= 110 }},
		{sim.StickProbe, func(v, _ seen) bool { return v.equal >= 800 }},
		{sim.BoilDry, func(_, w seen) bool { return w.pan > boil+100 && w.peak > calm.peak+5 }},
		{sim.BareFlame, func(v, w seen) bool { return v.peak > 92 && w.peak > v.peak+20 }},
		{sim.OpenWindow, func(v, _ seen) bool { return v.cooled < calm.cooled-2*time.Minute }},
		{sim.ForgetHeat, func(v, _ seen) bool { return v.warmed > calm.warmed+0.5 }},
	} {
		heedful, heedless := run(c.what, false), run(c.what, true)
		if !c.ok(heedful, heedless) {
			t.Errorf("%s: %+v; nobody minding it: %+v; calm: %+v", c.what, heedful, heedless, calm)
		}
	}
	if n := len(sim.MishapKinds()); n != 7 {
		t.Errorf("%d kinds of mishap, 7 are tested here", n)
	}
	if _, ok := sim.Typical("flood"); ok {
		t.Error("a mishap that there is not")
	}
}

package alerts

import (
	"testing"
	"time"

	"example.org/meltstation/alerts/forecast"
	"example.org/meltstation/alerts/plan"
	"example.org/meltstation/probe"
)

// Some makers stir for long over the heat: the question whether it was left on
// comes after that, and sooner when the stirring was ended before its time.
func TestHeatLeftOnCountsFromTheEndOfStirring(t *testing.T) {
	for _, tt := range []struct {
		name             string
		stir, told, from time.Duration // from: when it may be raised
	}{
		{"by the timer", 10 * time.Minute, 0, 11 * time.Minute},
		{"told before the timer", 10 * time.Minute, 4 * time.Minute, 5 * time.Minute},
		{"told after the timer", 2 * time.Minute, 8 * time.Minute, 3 * time.Minute},
	} {
		t.Run(tt.name, func(t *testing.T) {
			r := newRig(t, plan.StageStirring)
			r.f.Sheet.Timers.Stir = tt.stir
			r.f.Fragrance, r.f.HeatOn, r.f.StirredAt = true, true, tt.told
			r.hold(75, int(tt.from/time.Second)-1)
			r.want(KeyHeatLeftOn, Normal)
			r.hold(75, 10)
			r.want(KeyHeatLeftOn, Unacked)
		})
	}
}

// A batch without fragrance is warmed again like any other: it is asked for no
// fragrance, called when it is warm enough, and not left to get too hot.
func TestReheatingWithoutFragrance(t *testing.T) {
	r := newRig(t, plan.StageMelting)
	r.f.Sheet.Fragrance = nil
	r.f.HeatOn, r.f.Reheating, r.f.At = true, true, time.Hour
	r.ramp(50, 61, 300)
	r.want(KeyReheated, Unacked)
	r.ramp(61, 76, 300)
	r.want(KeyScentNow, Normal)
	r.want(KeyHeatLeftOn, Unacked)
}

// While the station was off nobody read the probe: it is lost only when it says
// nothing for the set time from now on.
func TestProbeIsNotLostByARestart(t *testing.T) {
	r := newRig(t, plan.StageMelting)
	r.f.HeatOn, r.f.At = true, time.Hour
	good := probe.Reading{Probe: "pot-1", Role: probe.RolePot, Celsius: 70, Quality: probe.Good}
	r.f.Probes = []ProbeState{{ID: "pot-1", Role: probe.RolePot, Last: good, LastAt: 50 * time.Minute, Good: good, GoodAt: 50 * time.Minute, HaveGood: true}}
	r.tick(int(DefaultSettings().LostAfter / time.Second))
	r.want(KeyProbeLost, Normal)
	r.tick(2)
	r.want(KeyProbeLost, Unacked)
}

// A forecast's times count from the moment it was made, though the probe has
// since given a reading that can't be trusted.
func TestLeadCountsFromTheForecast(t *testing.T) {
	r := newRig(t, plan.StageMelting)
	r.f.HeatOn = true
	r.f.Probes = []ProbeState{{ID: "pot-1", Role: probe.RolePot}}
	r.f.Outlook = &Outlook{Scent: forecast.Forecast{Status: forecast.OK, Eta: 130, Lo: 125, Hi: 135}}
	for range 8 { // each suspect reading moves the forecast's own clock on
		r.good(70)
		r.f.Outlook.At = r.f.At
		for range 20 {
			r.read(12, probe.ImpossibleRate)
			r.f.Outlook.At = r.f.At
		}
	}
	r.want(KeyScentDue, Normal) // never less than 130 s away
	r.good(70)
	r.f.Outlook.At = r.f.At
	for range 20 {
		r.tick(1)
	}
	r.want(KeyScentDue, Unacked)
}

package alerts

import (
	"math"
	"testing"
	"time"

	"example.org/meltstation/alerts/forecast"
	"example.org/meltstation/alerts/plan"
)

func ok(eta, lo, hi float64) forecast.Forecast {
	return forecast.Forecast{Status: forecast.OK, Eta: eta, Lo: lo, Hi: hi, Level: 0.9, PReach: 1}
}

func TestLeadFollowsTheForecast(t *testing.T) {
	for _, c := range []struct {
		name string
		fc   forecast.Forecast
		want State
	}{
		{"three minutes ahead", ok(180, 170, 190), Normal},
		{"just over two", ok(122, 115, 130), Normal},
		{"two", ok(119, 110, 130), Unacked},
		{"two, still vague", ok(119, 30, 400), Normal},
		{"one and a half, still vague", ok(89, 30, 400), Unacked},
		{"open-ended", ok(80, 30, math.Inf(1)), Unacked},
		{"won't get there", forecast.Forecast{Status: forecast.Unreachable, Eta: math.NaN()}, Normal},
	} {
		t.Run(c.name, func(t *testing.T) {
			r := newRig(t, plan.StageMelting)
			r.f.Outlook = &Outlook{Scent: c.fc}
			r.hold(70, 10)
			r.want(KeyScentDue, c.want)
			for _, n := range r.all {
				if n.Key == KeyScentDue && (math.IsNaN(n.HighEnd) || math.IsInf(n.HighEnd, 0) || n.Grams != 60) {
					t.Errorf("%+v", n)
				}
			}
		})
	}
}

func TestScentNowTakesOverAndNamesTheGrams(t *testing.T) {
	r := newRig(t, plan.StageMelting)
	r.f.Outlook = &Outlook{Scent: ok(60, 55, 65)}
	r.hold(74.9375, 10)
	r.want(KeyScentDue, Unacked)
	r.want(KeyScentNow, Normal)
	r.good(75)
	r.want(KeyScentNow, Unacked)
	r.want(KeyScentDue, Normal)
	last := r.all[len(r.all)-1]
	if last.Key != KeyScentNow || last.Grams != 60 || last.Stir != 2*time.Minute {
		t.Errorf("%+v", last)
	}
	r.hold(73.5, 120) // stirred up a little
	r.want(KeyScentNow, Unacked)
	r.f.Fragrance, r.f.Stage, r.f.ScentAt = true, plan.StageStirring, r.f.At
	r.tick(1)
	r.want(KeyScentNow, Normal)
}

// 29 CFR 1910.106(a)(19): within 30 °F (16.7 °C) of the flash point.
func TestScentCautionWithinThirtyFahrenheit(t *testing.T) {
	for flash, want := range map[float64]State{75 + 16.6: Unacked, 75 + 16.7: Normal, 140: Normal} {
		r := newRig(t, plan.StageMelting)
		r.f.Sheet.Thresholds.Flash.Celsius = flash
		r.f.Outlook = &Outlook{Scent: ok(150, 140, 160)}
		r.hold(70, 10)
		if got := r.state(KeyScentCaution); got != want {
			t.Errorf("flash point %.1f °C, scent-add 75 °C: %s, want %s", flash, got, want)
		}
	}
}

// Wax that got too hot leaves the bath to cool to scent-add: the fragrance is still
// called for there, and asked for before the pour if nobody said that it is in.
func TestFragranceIsNotForgottenOutOfTheBath(t *testing.T) {
	r := newRig(t, plan.StageScent)
	r.hold(86, 5)
	r.want(KeyScentNow, Unacked)
	r.f.Stage, r.f.JugOut = plan.StageCooling, true
	r.hold(85, 5)
	r.want(KeyScentNow, Unacked)
	r.hold(75.5, 5)
	r.want(KeyScentNow, Unacked)
	r.hold(74, 5)
	r.want(KeyScentNow, Normal)
	r.f.Stage = plan.StageWindow
	r.hold(57, 5)
	r.want(KeyPourNow, Unacked)
	if last := r.all[len(r.all)-1]; last.Key != KeyPourNow || last.Grams != 60 {
		t.Errorf("%+v", last)
	}
	r = newRig(t, plan.StageWindow)
	r.f.Fragrance = true
	r.hold(57, 5)
	if last := r.all[len(r.all)-1]; last.Key != KeyPourNow || last.Grams != 0 {
		t.Errorf("with the fragrance in: %+v", last)
	}
}

func TestStirTimer(t *testing.T) {
	r := newRig(t, plan.StageStirring)
	r.f.Fragrance, r.f.ScentAt = true, 0
	r.hold(74, 119)
	r.want(KeyStirEnd, Normal)
	r.f.Stage, r.f.StageAt = plan.StageCooling, 2*time.Minute // the stages end stirring by themselves
	r.hold(74, 1)
	r.want(KeyStirEnd, Unacked)
	r.f.JugOut = true
	r.tick(1)
	r.want(KeyStirEnd, Normal)

	r = newRig(t, plan.StageCooling) // the maker stopped after a minute and said so
	r.f.Fragrance, r.f.StageAt = true, time.Minute
	r.hold(74, 200)
	r.want(KeyStirEnd, Normal)
}

func TestPourWindow(t *testing.T) {
	r := newRig(t, plan.StageCooling)
	r.f.Fragrance, r.f.JugOut = true, true
	r.f.Outlook = &Outlook{WindowOpen: ok(590, 570, 610), WindowClose: ok(1200, 1100, 1300)}
	r.hold(70, 10)
	r.want(KeyWarmJars, Unacked)
	r.want(KeyWindowOpening, Normal)
	r.f.Outlook = &Outlook{WindowOpen: ok(110, 100, 120), WindowClose: ok(600, 550, 650)}
	r.hold(62, 10)
	r.want(KeyWindowOpening, Unacked)
	r.f.Stage = plan.StageWindow
	r.f.Outlook = &Outlook{WindowOpen: forecast.Forecast{Status: forecast.Reached}, WindowClose: ok(300, 280, 320)}
	r.hold(58, 5)
	r.want(KeyPourNow, Normal)
	r.good(57)
	r.want(KeyPourNow, Unacked)
	r.want(KeyWindowOpening, Normal)
	r.f.Outlook = &Outlook{WindowClose: ok(115, 105, 125)}
	r.hold(55, 10)
	r.want(KeyWindowClosing, Unacked)
	r.good(54)
	r.want(KeyWindowClosed, Normal) // the window includes its lower end
	r.good(53.9)
	r.want(KeyWindowClosed, Unacked)
	r.want(KeyPourNow, Normal)
	r.want(KeyCongealing, Normal)
	r.f.Stage = plan.StageCold
	r.good(48)
	r.want(KeyCongealing, Unacked) // 2 K above 46 °C
	r.f.Stage, r.f.HeatOn = plan.StageMelting, true
	r.good(48)
	r.want(KeyWindowClosed, Normal)
	r.want(KeyCongealing, Normal)
	r.good(60)
	r.want(KeyReheated, Unacked)
}

// A probe lifted out of hot wax reads air: while the forecast sees that, no cue
// believes it; but it may not hold the cues back for ever.
func TestLiftedProbeCallsNobodyToPour(t *testing.T) {
	r := newRig(t, plan.StageCooling)
	r.f.Fragrance = true
	r.hold(70, 10)
	r.f.Outlook = &Outlook{Pour: forecast.Forecast{Status: forecast.Disturbed}}
	r.hold(56, 59)
	r.want(KeyPourNow, Normal)
	r.hold(56, 5)
	r.want(KeyPourNow, Unacked)
}

func TestAfterPouring(t *testing.T) {
	for _, c := range []struct {
		key   string
		stage plan.Stage
		wait  time.Duration
	}{
		{KeyWicks, plan.StageSetting, 10 * time.Minute}, {KeyTrim, plan.StageSetting, 3 * time.Hour},
		{KeyMove, plan.StageCuring, 24 * time.Hour}, {KeyCured, plan.StageDone, 14 * 24 * time.Hour},
	} {
		r := newRig(t, c.stage)
		r.f.PouredAt = time.Hour
		r.f.At = r.f.PouredAt + c.wait - 3*time.Second
		r.tick(2)
		r.want(c.key, Normal)
		r.tick(1)
		r.want(c.key, Unacked)
		r.f.Batch, r.f.Sheet, r.f.Stage = "", nil, plan.StageIdle
		r.tick(1)
		r.want(c.key, Normal)
		if n := r.all[len(r.all)-1]; n.Batch != "b1" || n.Why != "withdrawn" {
			t.Errorf("%s: what the batch raised is its own to the end: %+v", c.key, n)
		}
	}
}

// What the maker has done is not called for, nor any longer.
func TestCuesEndWithTheDeed(t *testing.T) {
	for _, c := range []struct {
		key   string
		stage plan.Stage
		wait  time.Duration
		done  func(*Facts)
	}{
		{KeyWicks, plan.StageSetting, 10 * time.Minute, func(f *Facts) { f.Wicks = true }},
		{KeyMove, plan.StageCuring, 24 * time.Hour, func(f *Facts) { f.Moved = true }},
	} {
		r := newRig(t, c.stage)
		r.f.PouredAt = time.Hour
		r.f.At = r.f.PouredAt + c.wait
		r.tick(1)
		r.want(c.key, Unacked)
		c.done(&r.f)
		r.tick(1)
		r.want(c.key, Normal)
		again := newRig(t, c.stage)
		again.f.PouredAt = time.Hour
		again.f.At = again.f.PouredAt + c.wait
		c.done(&again.f)
		again.tick(1)
		again.want(c.key, Normal)
	}
}

// After a restart an alarm that stood is judged by the readings to come, like any
// other: it neither rings again nor clears without one.
func TestRebuiltAlarmGoesOn(t *testing.T) {
	r := newRig(t, plan.StageCooling)
	r.f.Fragrance = true
	r.good(95)
	again := newRig(t, plan.StageCooling)
	again.f.Fragrance, again.f.At = true, r.f.At
	again.w.Rebuild(r.all)
	again.tick(300)
	again.want(KeyFlashMargin, Unacked)
	again.good(95)
	if n := again.count(KeyFlashMargin, "raised"); n != 0 {
		t.Errorf("it rang again %d times", n)
	}
	again.hold(80, 62)
	again.want(KeyFlashMargin, LatchedUnack)

	// It cooled while the station was away: it returns like any other.
	again = newRig(t, plan.StageCooling)
	again.f.Fragrance, again.f.At = true, r.f.At
	again.w.Rebuild(r.all)
	again.hold(80, 62)
	again.want(KeyFlashMargin, LatchedUnack)
}

func TestRepeatedLossWaitsLongerEachTime(t *testing.T) {
	r := newRig(t, plan.StageMelting)
	r.f.HeatOn = true
	for range 30 { // 85 min: 20 s away, 150 s back
		r.tick(20)
		r.hold(70, 150)
	}
	if n := r.count(KeyProbeLost, "raised"); n < 2 || n > 4 {
		t.Errorf("probe-lost was raised %d times, want 2 to 4", n)
	}
}

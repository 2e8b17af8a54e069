package station_test

import (
	"math"
	"testing"
	"time"

	"example.org/meltstation/alerts/plan"
	"example.org/meltstation/alerts/station"
	"example.org/meltstation/probe"
)

// stepping gives a kitchen a wall clock that can be stepped apart from its
// monotonic one.
func stepping(k **kitchen) func(*station.Options) {
	return func(o *station.Options) {
		o.WallClock = func(now time.Time) time.Time {
			if *k == nil {
				return now.Round(0)
			}
			(*k).mu.Lock()
			defer (*k).mu.Unlock()
			return now.Round(0).Add((*k).skew)
		}
	}
}

func (k *kitchen) step(d time.Duration) {
	k.mu.Lock()
	k.skew += d
	k.mu.Unlock()
}

const tenYears = 3652 * 24 * time.Hour

// TestClockSteps: the wall clock jumps ten years forward and back, and by the
// hour of daylight saving, while wax cools. Forecast, stage and order of the
// trace go on as if nothing had happened.
func TestClockSteps(t *testing.T) {
	for _, step := range []time.Duration{tenYears, -tenYears, time.Hour, -time.Hour} {
		t.Run(step.String(), func(t *testing.T) {
			var k *kitchen
			k = newKitchen(t, stepping(&k))
			k.nearlyHot()
			code := k.start()
			k.until(plan.StageScent, 90*time.Minute)
			k.pot.AddScent(k.pot.Grams()*0.06, 20)
			k.tap(plan.EventScentAdded)
			k.pot.HeatOff()
			k.tap(plan.EventHeatOff)
			k.pot.JugOut()
			k.tap(plan.EventJugOut)
			k.pass(6 * time.Minute)
			before := k.view()
			k.step(step)
			k.pass(2 * time.Second)
			after := k.view()
			if before.Next.Eta == nil || after.Next.Eta == nil {
				t.Fatalf("forecast before %+v, after %+v", before.Next, after.Next)
			}
			if d := *before.Next.Eta - *after.Next.Eta - 2; math.Abs(d) > 20 {
				t.Errorf("the forecast moved by %.1f s", d)
			}
			if d := after.StageAge - before.StageAge - 2; math.Abs(d) > 0.5 {
				t.Errorf("the stage's age moved by %.1f s", d)
			}
			if !k.cued("clock-stepped") {
				t.Error("nothing tells that the clock stepped")
			}
			if err := k.store.Flush(t.Context()); err != nil {
				t.Fatal(err)
			}
			var last time.Duration
			for e, err := range k.store.Entries(t.Context(), code, 0) {
				if err != nil {
					t.Fatal(err)
				}
				if e.At < last {
					t.Fatalf("entry %d goes back in station time", e.Seq)
				}
				last = e.At
			}
		})
	}
}

// pourAt brings a batch to the moment it was poured, without waiting for physics.
func (k *kitchen) pourAt() {
	k.start()
	k.tickTo(85)
	k.tap(plan.EventScentAdded)
	k.tap(plan.EventJugOut)
	k.reading(57, probe.Good)
	k.tickTo(57)
	k.tap(plan.EventPoured)
}

// cureLeft is how long the station says that the cure still takes.
func (k *kitchen) due() float64 {
	v := k.view()
	if v.Next == nil || v.Next.Eta == nil {
		return math.NaN()
	}
	return *v.Next.Eta
}

// TestCureOverRestartWithWrongClock: a board without a battery restarts, thinks
// it is 1970 (or years from now), and is set right a minute later. The trim timer
// that ran is right again at once, and was never early.
func TestCureOverRestartWithWrongClock(t *testing.T) {
	for name, wrong := range map[string]func(now time.Time) time.Duration{
		"1970":           func(now time.Time) time.Duration { return time.Unix(0, 0).Sub(now) },
		"ten years late": func(time.Time) time.Duration { return -tenYears },
		"ten years on":   func(time.Time) time.Duration { return tenYears },
	} {
		t.Run(name, func(t *testing.T) {
			var k *kitchen
			k = newKitchen(t, stepping(&k))
			k.pourAt()
			start := k.due() // until trimming
			k.close()

			const off = 40 * time.Minute
			k.mu.Lock()
			k.now = k.now.Add(off)
			k.mu.Unlock()
			by := wrong(k.clock())
			k.step(by)
			k.open()
			k.tickTo(40)
			k.st.Tick()
			if got := k.due(); !(got <= start && got >= start-10) {
				t.Errorf("with a clock that can't be right, trimming is due in %.0f s; at pouring it was %.0f", got, start)
			}
			k.mu.Lock()
			k.now = k.now.Add(time.Minute)
			k.mu.Unlock()
			k.step(-by)
			k.st.Tick()
			want := start - (off + time.Minute).Seconds()
			if got := k.due(); !(math.Abs(got-want) <= 5) {
				t.Errorf("after the clock was set right, trimming is due in %.0f s, want %.0f", got, want)
			}
		})
	}
}

// TestLongStandstill: suspended (neither clock of the process ran) or switched
// off for a day, the cure has gone on.
func TestLongStandstill(t *testing.T) {
	k := newKitchen(t, nil)
	k.pourAt()
	k.close()
	k.mu.Lock()
	k.now = k.now.Add(25 * time.Hour)
	k.mu.Unlock()
	k.open()
	k.st.Tick()
	if v := k.view(); v.Stage != plan.StageIdle || v.Batch != nil {
		t.Errorf("a day later the pot is at %q, not ready for the next batch", v.Stage)
	}
	if !k.cued("trim") {
		t.Error("no cue to trim after a day switched off")
	}
}

// TestSuspend: the machine slept for half an hour in the cure, which its
// monotonic clock does not count.
func TestSuspend(t *testing.T) {
	var k *kitchen
	var slept time.Duration
	skewed := stepping(&k)
	k = newKitchen(t, func(o *station.Options) {
		skewed(o)
		o.Asleep = func() time.Duration { return slept }
	})
	k.pourAt()
	start := k.due()
	slept = 30 * time.Minute
	k.step(slept)
	k.st.Tick()
	if got, want := k.due(), start-slept.Seconds(); math.Abs(got-want) > 2 {
		t.Errorf("after sleeping half an hour trimming is due in %.0f s, want %.0f", got, want)
	}
	if k.cued("clock-stepped") {
		t.Error("sleep was taken for a step of the clock")
	}
}

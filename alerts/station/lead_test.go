package station_test

import (
	"fmt"
	"sync"
	"testing"
	"time"

	"example.org/meltstation/alerts/plan"
	"example.org/meltstation/alerts/station"
	"example.org/meltstation/probe"
)

// cooling brings a scented batch to the bench.
func cooling(t *testing.T) *kitchen {
	k := newKitchen(t, nil)
	k.nearlyHot()
	k.start()
	k.until(plan.StageScent, 90*time.Minute)
	k.pot.AddScent(k.pot.Grams()*0.06, 20)
	k.tap(plan.EventScentAdded)
	k.pot.HeatOff()
	k.tap(plan.EventHeatOff)
	k.pot.JugOut()
	k.tap(plan.EventJugOut)
	k.pass(6 * time.Minute)
	return k
}

// TestOldTimesEnd: when readings stop, a waiting time runs on by itself for a
// little while and then is no longer shown.
func TestOldTimesEnd(t *testing.T) {
	k := cooling(t)
	before := k.view().Next
	if before == nil || before.Eta == nil {
		t.Fatalf("no time to begin with: %+v", before)
	}
	silent := func(d time.Duration) *station.NextView {
		k.mu.Lock()
		k.now = k.now.Add(d)
		k.mu.Unlock()
		k.st.Tick()
		return k.view().Next
	}
	if n := silent(10 * time.Second); n.Eta == nil || *n.Eta > *before.Eta-9 || *n.Eta < *before.Eta-11 {
		t.Errorf("ten silent seconds later the time is %v, was %v", n.Eta, *before.Eta)
	}
	if n := silent(10 * time.Minute); n.Eta != nil || n.Lo != nil || n.Hi != nil {
		t.Errorf("ten silent minutes later a time is still shown: %+v", n)
	}
}

// TestOneProbeLeads: a second thermometer in the same wax, out by ten degrees,
// bends neither stage nor forecast while the first is good, and takes over when
// it is not.
func TestOneProbeLeads(t *testing.T) {
	k := cooling(t)
	before := *k.view().Next.Eta
	second := func() {
		k.st.Take(probe.Reading{Probe: "second", Role: probe.RolePot, Pot: "big", At: k.clock(), Celsius: k.pot.Wax() - 30, Quality: probe.Good})
	}
	for range 30 {
		second()
		k.pass(time.Second)
	}
	v := k.view()
	if v.Stage != plan.StageCooling || v.Next.Eta == nil || *v.Next.Eta < before-90 || *v.Next.Eta > before+30 {
		t.Fatalf("a second probe moved the stage to %q, the time from %.0f to %v", v.Stage, before, v.Next.Eta)
	}
	for range 60 { // the first one is silent
		k.mu.Lock()
		k.now = k.now.Add(time.Second)
		k.mu.Unlock()
		k.pot.Step(time.Second)
		second()
	}
	if r := k.view().Reading; r == nil || r.Probe != "second" {
		t.Errorf("after a silent minute the pot still shows %+v", r)
	}
}

// TestCodesDiffer: batches started at the same moment in several pots have codes
// of their own.
func TestCodesDiffer(t *testing.T) {
	k := newKitchen(t, func(o *station.Options) {
		for i := range 5 {
			o.Pots = append(o.Pots, station.PotOptions{ID: fmt.Sprintf("pot%d", i), Name: "Pot"})
		}
	})
	codes := make([]string, 5)
	var wg sync.WaitGroup
	for i := range codes {
		wg.Go(func() {
			code, err := k.st.Start(t.Context(), fmt.Sprintf("pot%d", i), station.StartRequest{ID: fmt.Sprintf("start-%05d", i), Sheet: boathouse()})
			if err != nil {
				t.Error(err)
			}
			codes[i] = code
		})
	}
	wg.Wait()
	seen := map[string]bool{}
	for _, c := range codes {
		if c == "" || seen[c] {
			t.Errorf("codes %v", codes)
		}
		seen[c] = true
	}
}

// TestCuredWhileOff: the cure ends while the station is switched off; the cue
// comes after the start, once, and the batch is closed.
func TestCuredWhileOff(t *testing.T) {
	k := newKitchen(t, nil)
	code := k.start()
	k.tickTo(85)
	k.tap(plan.EventScentAdded)
	k.tap(plan.EventJugOut)
	k.tickTo(57)
	k.tap(plan.EventPoured)
	k.close()
	k.mu.Lock()
	k.now = k.now.Add(boathouse().Timers.Cure + time.Hour)
	k.mu.Unlock()
	k.open()
	for range 5 {
		k.mu.Lock()
		k.now = k.now.Add(time.Second)
		k.mu.Unlock()
		k.st.Tick()
	}
	if !k.cued("cured") {
		t.Error("no cue that the candles are cured")
	}
	k.close()
	k.posted = nil
	k.open()
	k.st.Tick()
	b, err := k.store.Batch(t.Context(), code)
	if err != nil || b.Ended.IsZero() {
		t.Errorf("the batch is still open: %+v, %v", b, err)
	}
	if k.cued("cured") {
		t.Error("the cue came again after another restart")
	}
}

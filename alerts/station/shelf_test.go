package station_test

import (
	"errors"
	"slices"
	"strings"
	"testing"
	"time"

	"example.org/meltstation/alerts/plan"
	"example.org/meltstation/alerts/station"
	"example.org/meltstation/probe/trace"
)

// later lets time go by without readings.
func (k *kitchen) later(d time.Duration) {
	k.mu.Lock()
	k.now = k.now.Add(d)
	k.mu.Unlock()
	k.st.Tick()
}

// shelved makes a batch that is on the shelf while the pot has gone on, and
// returns its code and the id of its tap "poured".
func (k *kitchen) shelved() (code, poured string) {
	k.t.Helper()
	k.pourAt()
	v := k.view()
	code, poured = v.Batch.ID, v.Events[len(v.Events)-1].ID
	k.later(2 * time.Hour)
	if _, err := k.st.Start(k.t.Context(), "big", station.StartRequest{ID: "start-0002", Sheet: boathouse()}); err != nil {
		k.t.Fatal(err)
	}
	return code, poured
}

// The candles on the shelf are poured: that can't be taken back, or they would be
// on no shelf and in no pot after the next start. Its time and counts can be mended.
func TestPouredStaysOnTheShelf(t *testing.T) {
	k := newKitchen(t, nil)
	ctx := t.Context()
	code, poured := k.shelved()
	err := k.st.Withdraw(ctx, "big", poured, "Ada")
	if !errors.Is(err, station.ErrNotNow) || !strings.Contains(err.Error(), "on the shelf") {
		t.Errorf("taken back: %v", err)
	}
	if err := k.st.Confirm(ctx, "big", poured, "Ada", false); !errors.Is(err, station.ErrNotNow) {
		t.Errorf("denied: %v", err)
	}
	if err := k.st.Correct(ctx, "big", poured, plan.Event{Counts: map[string]int{"Tin": 5}}, "Ada"); err != nil {
		t.Errorf("counts corrected: %v", err)
	}
	if _, err := k.st.Tap(ctx, "big", station.Tap{ID: "left-0001", Kind: plan.EventLeftOver, Grams: 30, Batch: code}); err != nil {
		t.Errorf("the jug weighed later: %v", err)
	}
	trimmed, err := k.st.Tap(ctx, "big", station.Tap{ID: "trim-0001", Kind: plan.EventTrimmed, Batch: code})
	if err != nil {
		t.Fatal(err)
	}
	if err := k.st.Withdraw(ctx, "big", trimmed.ID, "Ada"); err != nil {
		t.Errorf("another tap taken back: %v", err)
	}
	k.close()
	k.open()
	if _, err := k.st.Tap(ctx, "big", station.Tap{ID: "note-0001", Kind: plan.EventNote, Text: "still there", Batch: code}); err != nil {
		t.Errorf("after a restart: %v", err)
	}
}

// The pot is as ready for the next batch after a restart as it was before: when
// the one after the candles on the shelf was given up, and a day after pouring.
func TestPotReadyForTheNext(t *testing.T) {
	k := newKitchen(t, nil)
	code, _ := k.shelved()
	k.tap(plan.EventAbandoned)
	ready := func(when string) {
		t.Helper()
		if v := k.view(); v.Batch != nil || v.Stage != plan.StageIdle || !slices.Equal(v.Taps, []plan.EventKind{plan.EventStart}) {
			t.Errorf("%s: %q with taps %v", when, v.Stage, v.Taps)
		}
		if _, err := k.st.Tap(t.Context(), "big", station.Tap{ID: "note-" + strings.ReplaceAll(when, " ", "-"), Kind: plan.EventNote, Text: "x", Batch: code}); err != nil {
			t.Errorf("%s the candles are on no shelf: %v", when, err)
		}
	}
	restart := func() {
		k.close()
		k.open()
		k.st.Tick()
	}
	ready("given up")
	restart()
	ready("given up and restarted")

	k = newKitchen(t, nil)
	k.pourAt()
	code = k.view().Batch.ID
	k.later(3 * time.Hour)
	restart()
	if v := k.view(); v.Batch == nil || v.Batch.ID != code {
		t.Errorf("three hours after pouring the pot shows %+v", v.Batch)
	}
	k.later(22 * time.Hour)
	ready("a day later")
	if !k.cued("move-ready") && !k.cued("move") {
		t.Error("no cue that the candles may leave the bench")
	}
	restart()
	ready("a day later and restarted")
}

// A lot that is noted after the start finds its batch, on the shelf too, and one
// that was wrong no longer does.
func TestLotsNotedLater(t *testing.T) {
	k := newKitchen(t, nil)
	ctx := t.Context()
	find := func(lot string) int {
		t.Helper()
		k.close() // writes what is left
		k.open()
		bs, err := k.store.Batches(ctx, trace.Query{Lot: lot})
		if err != nil {
			t.Fatal(err)
		}
		return len(bs)
	}
	if _, err := k.st.Start(ctx, "big", station.StartRequest{ID: "start-0001", Sheet: boathouse(), Lots: []string{"J-1"}, LotOf: map[string]string{"wicks": "W-1"}}); err != nil {
		t.Fatal(err)
	}
	if _, err := k.st.Tap(ctx, "big", station.Tap{ID: "lots-0001", Kind: plan.EventLots, Lots: map[string]string{"dusk": "D-1", "rapeseed-coconut": "RC-8"}}); err != nil {
		t.Fatal(err)
	}
	for lot, n := range map[string]int{"W-1": 1, "D-1": 1, "J-1": 1, "RC-8": 1, "RC-7": 0} {
		if got := find(lot); got != n {
			t.Errorf("lot %s finds %d batches, want %d", lot, got, n)
		}
	}
	k.tickTo(85)
	k.tap(plan.EventScentAdded)
	k.tap(plan.EventJugOut)
	k.tickTo(57)
	k.tap(plan.EventPoured)
	code := k.view().Batch.ID
	k.later(25 * time.Hour)
	if _, err := k.st.Tap(ctx, "big", station.Tap{ID: "lots-0002", Kind: plan.EventLots, Batch: code, Lots: map[string]string{"wicks": "W-2"}}); err != nil {
		t.Fatal(err)
	}
	if find("W-2") != 1 || find("W-1") != 0 || find("J-1") != 1 {
		t.Error("a lot noted on the shelf is not found, or the one it replaces still is")
	}
}

// One pot holds one melt: a sheet for several would call for the fragrance of all.
func TestOneMeltAtATime(t *testing.T) {
	k := newKitchen(t, nil)
	s := boathouse()
	s.Melts = make([]plan.Melt, 3)
	_, err := k.st.Start(t.Context(), "big", station.StartRequest{ID: "start-0001", Sheet: s})
	if !errors.Is(err, station.ErrInvalid) || !strings.Contains(err.Error(), "one melt at a time") {
		t.Errorf("started: %v", err)
	}
}

// A batch that was closed by mistake goes on when that is taken back, after a
// restart too.
func TestCuredTakenBack(t *testing.T) {
	k := newKitchen(t, nil)
	k.pourAt()
	code := k.view().Batch.ID
	k.later(4 * time.Hour)
	k.tap(plan.EventTrimmed)
	e := k.tap(plan.EventCured)
	if err := k.st.Withdraw(t.Context(), "big", e.ID, "Ada"); err != nil {
		t.Fatal(err)
	}
	k.close()
	k.open()
	if v := k.view(); v.Batch == nil || v.Batch.ID != code || v.Stage != plan.StageCuring {
		t.Errorf("after a restart %+v at %q", v.Batch, v.Stage)
	}
}

// The shelf looks after its batches when their pot has left the settings.
func TestShelfWithoutItsPot(t *testing.T) {
	k := newKitchen(t, nil)
	code, poured := k.shelved()
	k.close()
	k.opts.Pots = []station.PotOptions{{ID: "new", Name: "New jug"}}
	k.open()
	ctx := t.Context()
	if _, err := k.st.Tap(ctx, "big", station.Tap{ID: "trim-0001", Kind: plan.EventTrimmed, Batch: code}); err != nil {
		t.Errorf("trimmed: %v", err)
	}
	for _, pot := range []string{"new", "big"} { // which looks after it, and which it was made in
		if err := k.st.Correct(ctx, pot, poured, plan.Event{Counts: map[string]int{"Tin": 5}}, "Ada"); err != nil {
			t.Errorf("corrected, with pot %s named: %v", pot, err)
		}
	}
	if err := k.st.Correct(ctx, "none", poured, plan.Event{}, "Ada"); !errors.Is(err, station.ErrNoPot) {
		t.Errorf("corrected, with no pot of that name: %v", err)
	}
}

// A batch that still melts in a pot that has left the settings takes no other
// batch's place: it waits for its pot, and the station says so.
func TestMeltingWithoutItsPot(t *testing.T) {
	k := newKitchen(t, func(o *station.Options) {
		o.Pots = append([]station.PotOptions{{ID: "small", Name: "Small jug"}}, o.Pots...)
	})
	ctx := t.Context()
	codes := map[string]string{}
	for _, pot := range []string{"small", "big"} {
		code, err := k.st.Start(ctx, pot, station.StartRequest{ID: "start-" + pot, Sheet: boathouse()})
		if err != nil {
			t.Fatal(err)
		}
		codes[pot] = code
		k.tickTo(60)
	}
	both := k.opts.Pots
	k.close()
	k.opts.Pots = both[:1]
	k.open()
	if v := k.view(); v.Batch == nil || v.Batch.ID != codes["small"] {
		t.Errorf("the small jug holds %+v, want its own batch %s", v.Batch, codes["small"])
	}
	if !slices.ContainsFunc(k.st.Troubles(), func(tr station.Trouble) bool { return strings.Contains(tr.Text, codes["big"]) }) {
		t.Errorf("nothing is said of the batch without a pot: %+v", k.st.Troubles())
	}
	k.close()
	k.opts.Pots = both
	k.open()
	if v := k.st.Snapshot().Pots[1]; v.Batch == nil || v.Batch.ID != codes["big"] {
		t.Errorf("with its pot back, the big jug holds %+v", v.Batch)
	}
}

// Beside how long the window stays open stands how long the filling still takes.
func TestFillingAgainstTheWindow(t *testing.T) {
	k := newKitchen(t, nil)
	s := boathouse()
	s.Pour = &plan.PourPlan{NeedSeconds: 300}
	k.tickTo(40)
	if _, err := k.st.Start(t.Context(), "big", station.StartRequest{ID: "start-0001", Sheet: s}); err != nil {
		t.Fatal(err)
	}
	k.tickTo(85)
	k.tap(plan.EventScentAdded)
	k.tap(plan.EventJugOut)
	need := func() float64 {
		t.Helper()
		n := k.view().Next
		if n == nil || n.Need == nil {
			t.Fatalf("next %+v", n)
		}
		return *n.Need
	}
	if got := need(); got != 300 {
		t.Errorf("before pouring %g s", got)
	}
	k.tap(plan.EventPourStart)
	k.later(2 * time.Minute)
	if got := need(); got < 175 || got > 181 {
		t.Errorf("two minutes into pouring %g s of 300 are left", got)
	}
}

// A step that nobody tapped is noticed on the curve and asked about: yes makes it
// the maker's own, no takes it back and it is not asked again.
func TestNoticedAndConfirmed(t *testing.T) {
	for _, yes := range []bool{true, false} {
		k := newKitchen(t, nil)
		k.nearlyHot()
		k.start()
		k.until(plan.StageScent, 90*time.Minute)
		k.pot.AddScent(k.pot.Grams()*0.06, 20)
		k.tap(plan.EventScentAdded)
		k.pass(3 * time.Minute)
		k.pot.HeatOff() // and nobody says so
		k.pot.JugOut()
		for range 60 {
			if len(k.view().Asked) > 0 {
				break
			}
			k.pass(10 * time.Second)
		}
		v := k.view()
		if len(v.Asked) == 0 {
			t.Fatal("ten minutes after the jug left the bath nothing is asked")
		}
		id := v.Asked[0]
		i := slices.IndexFunc(v.Events, func(e plan.Event) bool { return e.ID == id })
		if i < 0 || !v.Events[i].Detected || v.Events[i].Kind != plan.EventJugOut && v.Events[i].Kind != plan.EventHeatOff {
			t.Fatalf("asked about %+v", v.Events)
		}
		if !v.HeatOn {
			t.Error("the heat is taken to be off before anybody has said so")
		}
		if err := k.st.Confirm(t.Context(), "big", id, "Ada", yes); err != nil {
			t.Fatal(err)
		}
		kind := v.Events[i].Kind
		check := func(when string) {
			t.Helper()
			v := k.view()
			j := slices.IndexFunc(v.Events, func(e plan.Event) bool { return e.ID == id })
			switch {
			case slices.Contains(v.Asked, id):
				t.Errorf("%s, %v: still asked", when, yes)
			case yes && (j < 0 || v.Events[j].Detected || v.Events[j].Who != "Ada" || v.HeatOn):
				t.Errorf("%s: confirmed, it stands as %+v, heat on %v", when, v.Events, v.HeatOn)
			case !yes && j >= 0:
				t.Errorf("%s: denied, it stands as %+v", when, v.Events[j])
			}
			if slices.ContainsFunc(v.Asked, func(other string) bool {
				return slices.ContainsFunc(v.Events, func(e plan.Event) bool { return e.ID == other && e.Kind == kind })
			}) {
				t.Errorf("%s, %v: asked again", when, yes)
			}
		}
		k.pass(2 * time.Minute)
		check("live")
		k.close()
		k.open()
		k.pass(2 * time.Second)
		check("after a restart")
	}
}

// A batch is told of by its code whichever pot the page happens to name.
func TestShelfOfTwoPots(t *testing.T) {
	k := newKitchen(t, func(o *station.Options) {
		o.Pots = append([]station.PotOptions{{ID: "small", Name: "Small jug"}}, o.Pots...)
	})
	ctx := t.Context()
	if _, err := k.st.Start(ctx, "big", station.StartRequest{ID: "start-0001", Sheet: boathouse()}); err != nil {
		t.Fatal(err)
	}
	k.tickTo(85)
	code := k.st.Snapshot().Pots[1].Batch.ID
	for i, kind := range []plan.EventKind{plan.EventScentAdded, plan.EventJugOut} {
		if _, err := k.st.Tap(ctx, "big", station.Tap{ID: "tap-0000" + string(rune('1'+i)), Kind: kind}); err != nil {
			t.Fatal(err)
		}
	}
	k.tickTo(57)
	if _, err := k.st.Tap(ctx, "big", station.Tap{ID: "tap-00009", Kind: plan.EventPoured}); err != nil {
		t.Fatal(err)
	}
	k.later(25 * time.Hour)
	e, err := k.st.Tap(ctx, "small", station.Tap{ID: "trim-0001", Kind: plan.EventTrimmed, Batch: code})
	if err != nil {
		t.Fatalf("trimmed, with the other pot named: %v", err)
	}
	if err := k.st.Withdraw(ctx, "big", e.ID, "Ada"); err != nil {
		t.Error(err)
	}
}

// Two people tap the same: the second is told in plain words that it is done.
func TestSecondTapIsToldWhatIsDone(t *testing.T) {
	k := newKitchen(t, nil)
	k.start()
	for _, c := range []struct {
		kind  plan.EventKind
		words string
	}{{plan.EventScentAdded, "the fragrance is in already"}, {plan.EventHeatOff, "the heat is off already"}, {plan.EventJugOut, "the jug is out already"}} {
		k.tap(c.kind)
		_, err := k.st.Tap(t.Context(), "big", station.Tap{ID: "again-" + string(c.kind), Kind: c.kind})
		if !errors.Is(err, station.ErrNotNow) || !strings.HasSuffix(err.Error(), c.words) {
			t.Errorf("%s again: %v", c.kind, err)
		}
	}
}

package calibrate_test

import (
	"errors"
	"math"
	"path/filepath"
	"testing"
	"time"

	"example.org/meltstation/probe"
	"example.org/meltstation/probe/calibrate"
)

// A probe on its way into the ice is not watched; once it holds still for the
// time set its mean is kept, and not before.
func TestGuide(t *testing.T) {
	path := filepath.Join(t.TempDir(), calibrate.FileName)
	g := calibrate.NewGuide(path, 30*time.Second, func() time.Time { return day })
	at := day
	give := func(raw float64, q probe.Quality) {
		at = at.Add(time.Second)
		g.Take(probe.Reading{Probe: "p", At: at, Raw: raw, Celsius: raw + 5, Quality: q}) // as calibrated before: only the raw value counts
	}
	if _, err := g.Keep("p"); !errors.Is(err, calibrate.ErrNoTaking) {
		t.Errorf("kept without one: %v", err)
	}
	if err := g.Begin(calibrate.Point{Probe: "p", Kind: calibrate.Ice, True: 0, By: "Ada"}); err != nil {
		t.Fatal(err)
	}
	for c := 21.0; c > 0.5; c -= 0.5 {
		give(c, probe.Good)
		if now, _ := g.Taking("p"); now.Near != (c <= calibrate.Near) || now.Verdict.Steady {
			t.Fatalf("at %v °C: %+v", c, now)
		}
	}
	give(math.NaN(), probe.OpenCircuit)
	give(85, probe.PowerOnReset)
	if _, err := g.Keep("p"); !errors.Is(err, calibrate.ErrNotSteady) {
		t.Errorf("kept while it moves: %v", err)
	}
	for range 75 {
		give(0.4375, probe.Good)
	}
	give(0.4375, probe.Stuck)
	book, err := g.Keep("p")
	if err != nil {
		t.Fatal(err)
	}
	if p := book.Of("p"); len(p) != 1 || math.Abs(p[0].Raw-0.4375) > 1e-9 || p[0].By != "Ada" || p[0].Kind != calibrate.Ice {
		t.Errorf("kept %+v", p)
	}
	if got := book.For("p").Apply(20.4375); math.Abs(got-20) > 1e-9 {
		t.Errorf("20.4375 is corrected to %v", got)
	}
	if _, on := g.Taking("p"); on {
		t.Error("it still goes on")
	}
	if book, err = g.Forget("p", "Ada"); err != nil || book.For("p").Apply(20.4375) != 20.4375 || len(book.Of("p")) != 2 {
		t.Errorf("forgotten: %+v, %v", book, err)
	}

	// One that nobody ends is forgotten, and impossible ones are refused.
	if err := g.Begin(calibrate.Point{Probe: "p", Kind: calibrate.Reference, True: 57}); err != nil {
		t.Fatal(err)
	}
	give(57, probe.Good)
	at = at.Add(time.Hour)
	give(57, probe.Good)
	if _, on := g.Taking("p"); on {
		t.Error("an hour later it still goes on")
	}
	for _, p := range []calibrate.Point{{Probe: "p", Kind: calibrate.None}, {Probe: "p", Kind: "steam"}, {Kind: calibrate.Ice}, {Probe: "p", Kind: calibrate.Reference, True: math.NaN()}} {
		if err := g.Begin(p); err == nil {
			t.Errorf("begun: %+v", p)
		}
	}
}

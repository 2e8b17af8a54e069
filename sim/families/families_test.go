package families_test

import (
	"math"
	"testing"

	"example.org/meltstation/sim/families"
)

// TestSound wants every batch to be what it says: reproducible, in order, and
// passing its target when its truth says so.
func TestSound(t *testing.T) {
	for name, make := range map[string]func(int) []families.Batch{"tuning": families.Tuning, "scoring": families.Scoring} {
		set, again := make(44), make(44)
		for i, b := range set {
			if len(b.Samples) < 50 || len(b.Samples) != len(again[i].Samples) || b.Samples[40] != again[i].Samples[40] {
				t.Fatalf("%s %s: %d readings, then %d", name, b.Name, len(b.Samples), len(again[i].Samples))
			}
			reached := !math.IsNaN(b.Truth)
			if reached == (b.Family == "unreachable") {
				t.Errorf("%s %s: truth %.0f s", name, b.Name, b.Truth)
			}
			if !reached {
				continue
			}
			// A minute before and after the truth the curve is on either side.
			var before, after, nb, na float64
			for _, s := range b.Samples {
				if math.Abs(s.C-b.Target) > 15 {
					continue // a wild value
				}
				if d := s.T - b.Truth; d > -90 && d < -30 {
					before += s.C
					nb++
				} else if d > 30 && d < 90 {
					after += s.C
					na++
				}
			}
			if nb == 0 || na == 0 {
				continue // a pause
			}
			if (before/nb-b.Target)*float64(b.Dir) > 0.3 || (after/na-b.Target)*float64(b.Dir) < -0.3 {
				t.Errorf("%s %s: %.2f °C before, %.2f °C after, target %.2f", name, b.Name, before/nb, after/na, b.Target)
			}
		}
	}
	if a, b := families.Tuning(1)[0], families.Scoring(1)[0]; a.Seed == b.Seed {
		t.Error("the two sets share a seed")
	}
}

// TestTrade holds the pots to common practice (no source): two pounds of wax at
// 85 °C on a bench take a quarter of an hour to an hour and a half to 57 °C.
func TestTrade(t *testing.T) {
	var n, in int
	for _, set := range [][]families.Batch{families.Tuning(220), families.Scoring(220)} {
		for _, b := range set {
			if b.Family != "bench" || math.Abs(b.Target-57.2) > 0.1 {
				continue
			}
			n++
			if b.Truth > 600 && b.Truth < 4*3600 {
				in++
			}
		}
	}
	if n < 10 || in < n*9/10 {
		t.Errorf("%d of %d bench pots take 10 min to 4 h", in, n)
	}
}

package trace_test

import (
	"math"
	"testing"
	"time"

	"pgregory.net/rapid"

	"example.org/meltstation/probe"
	"example.org/meltstation/probe/trace"
)

// Whatever the curve, thinning keeps the highest and the lowest good reading of
// any stretch that has one, the first and the last, and no suspect one.
func TestCurveKeepsPeaks(t *testing.T) {
	s := openNew(t)
	n := 0
	rapid.Check(t, func(t *rapid.T) {
		n++
		batch := string(rune('A'+n%26)) + time.Duration(n).String()
		count := rapid.IntRange(1, 3000).Draw(t, "readings")
		points := rapid.IntRange(2, 300).Draw(t, "points")
		shape := rapid.SliceOfN(rapid.Float64Range(-40, 150), 1, 12).Draw(t, "shape")
		suspect := rapid.IntRange(2, 40).Draw(t, "suspect")
		spike := rapid.IntRange(0, count-1).Draw(t, "spike")
		var all []trace.Entry
		for i := range count {
			e := potReading(batch, i, shape[i*len(shape)/count]+math.Sin(float64(i)/7))
			if i%suspect == 1 {
				e.Quality, e.Celsius = probe.ImpossibleRate, 500
			} else if i == spike {
				e.Celsius = 160
			}
			e.Seq = s.Append(e)
			all = append(all, e)
		}
		got, err := s.Curve(t.Context(), batch, trace.CurveQuery{Points: points})
		if err != nil || len(got) != 1 {
			t.Fatal(len(got), err)
		}
		c := got[0]
		if c.Count != count || c.Probe != "pot-1" || c.Role != probe.RolePot {
			t.Fatalf("series %+v", c)
		}
		good := map[int64]trace.Entry{}
		first, last := int64(0), int64(0)
		lo, hi, bad := math.Inf(1), math.Inf(-1), 0
		for _, e := range all {
			if !e.Good() {
				bad++
				continue
			}
			good[e.Seq] = e
			if first == 0 {
				first = e.Seq
			}
			last = e.Seq
			lo, hi = min(lo, e.Celsius), max(hi, e.Celsius)
		}
		if c.Bad != bad {
			t.Fatalf("%d suspect readings, want %d", c.Bad, bad)
		}
		gotLo, gotHi, numbers := math.Inf(1), math.Inf(-1), 0
		seen := map[int64]bool{}
		for i, p := range c.Points {
			if i > 0 && p.Seq <= c.Points[i-1].Seq {
				t.Fatalf("point %d is not after the one before: %+v, %+v", i, c.Points[i-1], p)
			}
			if math.IsNaN(p.Celsius) {
				continue
			}
			e, ok := good[p.Seq]
			if !ok || e.Celsius != p.Celsius || e.At != p.At || !e.Wall.Equal(p.Wall) {
				t.Fatalf("point %+v is no good reading; there it is %+v", p, e)
			}
			seen[p.Seq] = true
			numbers++
			gotLo, gotHi = min(gotLo, p.Celsius), max(gotHi, p.Celsius)
		}
		if len(good) == 0 {
			if numbers != 0 {
				t.Fatalf("%d points from no good reading", numbers)
			}
			return
		}
		if gotLo != lo || gotHi != hi {
			t.Fatalf("lowest and highest %v, %v; want %v, %v", gotLo, gotHi, lo, hi)
		}
		if !seen[last] || !seen[first] {
			t.Fatalf("the first (%v) or the last (%v) good reading is missing", seen[first], seen[last])
		}
		if limit := 2*max(points/2, 1) + 2; count > points && numbers > limit {
			t.Fatalf("%d points, want at most %d", numbers, limit)
		}
		// Every stretch that the whole curve is cut into keeps its own peak.
		span := float64(all[count-1].At-all[0].At) + 1
		stretch := func(at time.Duration) int {
			return int(float64(at-all[0].At) / span * float64(max(points/2, 1)))
		}
		highest := map[int]float64{}
		for _, e := range good {
			b := stretch(e.At)
			if h, ok := highest[b]; !ok || e.Celsius > h {
				highest[b] = e.Celsius
			}
		}
		for _, p := range c.Points {
			if b := stretch(p.At); highest[b] == p.Celsius {
				delete(highest, b)
			}
		}
		if len(highest) > 0 {
			t.Fatalf("stretches that lost their peak: %v", highest)
		}
	})
}

func TestCurveOfPart(t *testing.T) {
	s := openNew(t)
	for n := range 100 {
		s.Append(potReading("BH-001", n, float64(n)))
		s.Append(roomReading(n, 21))
	}
	got, err := s.Curve(t.Context(), "BH-001", trace.CurveQuery{From: 10 * time.Second, To: 20 * time.Second, Role: probe.RolePot})
	if err != nil || len(got) != 1 || got[0].Count != 11 || got[0].Points[0].Celsius != 10 || got[0].Points[10].Celsius != 20 {
		t.Errorf("the pot from 10 to 20 s: %+v, %v", got, err)
	}
	got, err = s.Curve(t.Context(), "BH-001", trace.CurveQuery{Points: -1, Probe: "room"})
	if err != nil || len(got) != 1 || got[0].Role != probe.RoleRoom || len(got[0].Points) != 99 { // the last one lies after the batch's last
		t.Errorf("the room: %+v, %v", got, err)
	}
	if got, err = s.Curve(t.Context(), "none", trace.CurveQuery{}); err != nil || len(got) != 0 {
		t.Errorf("of no batch: %+v, %v", got, err)
	}
}

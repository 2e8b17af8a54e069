package forecast_test

import (
	"fmt"
	"math"
	"math/rand/v2"
	"os"
	"sort"
	"strconv"
	"testing"

	"example.org/meltstation/alerts/forecast"
	"example.org/meltstation/sim/families"
)

func TestBoard(t *testing.T) {
	n, _ := strconv.Atoi(os.Getenv("BOARD"))
	if n == 0 {
		t.Skip("set BOARD to a number of batches")
	}
	set := families.Tuning(n)
	if os.Getenv("SET") == "scoring" {
		set = families.Scoring(n)
	}
	base := os.Getenv("BASE") != ""
	if os.Getenv("AMB") != "no" {
		fmt.Println("with ambient")
		fmt.Println(run(set, true, base, forecast.Known{}))
	}
	if os.Getenv("AMB") != "yes" {
		fmt.Println("without ambient")
		fmt.Println(run(set, false, base, forecast.Known{}))
	}
}

func TestLook(t *testing.T) {
	fam := os.Getenv("LOOK")
	if fam == "" {
		t.Skip()
	}
	every, _ := strconv.ParseFloat(os.Getenv("EVERY"), 64)
	if every == 0 {
		every = 240
	}
	skip, _ := strconv.Atoi(os.Getenv("SKIP"))
	k, _ := strconv.Atoi(os.Getenv("K"))
	if k == 0 {
		k = 1
	}
	top, _ := strconv.Atoi(os.Getenv("TOP"))
	set := families.Tuning(600)
	if os.Getenv("SET") == "scoring" {
		set = families.Scoring(600)
	}
	for _, b := range set {
		if b.Family != fam || os.Getenv("NAME") != "" && b.Name != os.Getenv("NAME") {
			continue
		}
		if skip > 0 {
			skip--
			continue
		}
		fmt.Printf("%s target %.1f dir %d truth %.0f from %.0f n %d known %+v\n", b.Name, b.Target, b.Dir, b.Truth, b.From, len(b.Samples), b.Known)
		e := forecast.New(forecast.Known{Boiling: b.Known.Boiling})
		last := -1e9
		for _, s := range b.Samples {
			if os.Getenv("AMB") != "no" {
				e.Room(s.T, s.Room)
			}
			for len(b.Taps) > 0 && b.Taps[0].T <= s.T {
				e.Tell(b.Taps[0].T, forecast.EventKind(b.Taps[0].Kind))
				fmt.Println("  TOLD", b.Taps[0])
				b.Taps = b.Taps[1:]
			}
			e.Add(s.T, s.C)
			for _, n := range e.Noticed() {
				fmt.Println("  NOTICED", n)
			}
			if s.T-last > every {
				last = s.T
				f := e.Crossing(b.Target, forecast.Direction(b.Dir))
				fmt.Printf("  %6.0f T=%.2f %s p=%.3f lead=%.0f err=%.0f lo=%.0f hi=%.0f\n", s.T, s.C, f.Status, f.PReach, b.Truth-s.T, f.Eta-(b.Truth-s.T), f.Lo-(b.Truth-s.T), f.Hi-(b.Truth-s.T))
				fmt.Print(e.Dump(top))
			}
		}
		if k--; k == 0 {
			break
		}
	}
}

func TestReach(t *testing.T) {
	if os.Getenv("REACH") == "" {
		t.Skip()
	}
	n, _ := strconv.Atoi(os.Getenv("REACH"))
	set := families.Tuning(n)
	if os.Getenv("SET") == "scoring" {
		set = families.Scoring(n)
	}
	for _, b := range set {
		s, r := play(b, os.Getenv("AMB") != "no", false, forecast.Known{})
		if r.finite > 0 {
			l := b.Samples[len(b.Samples)-1]
			fmt.Printf("%s dir %d target %.1f: %d of %d   start %.1f end %.1f room %.1f\n", b.Name, b.Dir, b.Target, r.finite, r.readings, b.Samples[0].C, l.C, l.Room)
		}
		for _, x := range s {
			if x.given && !(x.lo <= x.hi && x.err >= x.lo && x.err <= x.hi) {
				fmt.Printf("%s %+v\n", b.Name, x)
			}
		}
	}
}

func TestNaN(t *testing.T) {
	if os.Getenv("NAN") == "" {
		t.Skip()
	}
	for _, b := range families.Tuning(600) {
		if b.Name != os.Getenv("NAN") {
			continue
		}
		e := forecast.New(forecast.Known{Boiling: b.Known.Boiling})
		for _, s := range b.Samples {
			e.Room(s.T, s.Room)
			e.Add(s.T, s.C)
			f := e.Crossing(b.Target, forecast.Direction(b.Dir))
			if f.Status == forecast.OK && !(f.Eta >= 0) {
				fmt.Println(s, f)
				fmt.Print(e.Dump(40))
				return
			}
		}
	}
}

func TestBound(t *testing.T) {
	if os.Getenv("BOUND") == "" {
		t.Skip()
	}
	n := families.Newton{Ta: 22, A: 63, K: 0.0009, Sigma: 0.1}
	for _, amb := range []bool{true, false} {
		for _, c := range []struct {
			n              int
			target         float64
			known, unknown float64
		}{{120, 57.2, 2.89578, 65.61652}, {300, 57.2, 0.69746, 4.99998}, {600, 57.2, 0.23742, 0.46997}, {300, 70, .25186, .40189}, {120, 70, 1.21258, 9.96511}} {
			var se, bias, cnt, in float64
			for seed := range uint64(400) {
				b := families.NewtonBatch(rand.New(rand.NewPCG(seed, 5)), n, c.target, 1)
				e := forecast.New(forecast.Known{})
				if amb {
					e.Room(0, 22)
				}
				for _, s := range b.Samples[:c.n] {
					e.Add(s.T, s.C)
				}
				f := e.Crossing(c.target, forecast.Cooling)
				lead := b.Truth - b.Samples[c.n-1].T
				if f.Status != forecast.OK {
					continue
				}
				d := f.Eta - lead
				se += d * d
				bias += d
				cnt++
				if f.Lo <= lead && f.Hi >= lead {
					in++
				}
			}
			bd := c.unknown
			if amb {
				bd = c.known
			}
			fmt.Printf("amb %v n %d target %.1f rmse %.3f bias %.3f bound %.3f ratio %.3f given %.0f cover %.3f\n", amb, c.n, c.target, math.Sqrt(se/cnt), bias/cnt, bd, math.Sqrt(se/cnt)/bd, cnt, in/cnt)
		}
	}
}

func TestBoundLook(t *testing.T) {
	if os.Getenv("BL") == "" {
		t.Skip()
	}
	n := families.Newton{Ta: 22, A: 63, K: 0.0009, Sigma: 0.1}
	for seed := range uint64(100) {
		b := families.NewtonBatch(rand.New(rand.NewPCG(seed, 5)), n, 57.2, 1)
		e := forecast.New(forecast.Known{})
		e.Room(0, 22)
		for _, s := range b.Samples[:120] {
			e.Add(s.T, s.C)
		}
		f := e.Crossing(57.2, forecast.Cooling)
		if math.Abs(f.Eta-(b.Truth-119)) < 35 {
			continue
		}
		fmt.Println(seed, f.Eta-(b.Truth-119), f.Lo, f.Hi)
		fmt.Print(e.Dump(6))
	}
}

func TestWaterLook(t *testing.T) {
	if os.Getenv("WL") == "" {
		t.Skip()
	}
	x, y := recorded(t, os.Getenv("WL"))
	e := forecast.New(forecast.Known{})
	tr := passes(x, y, 50)
	for i := range x {
		e.Add(x[i], y[i])
		if i%60 == 59 {
			f := e.Crossing(50, forecast.Cooling)
			fmt.Printf("%.0f T=%.1f %s p=%.2f left %.0f err %.0f lo %.0f hi %.0f\n", x[i], y[i], f.Status, f.PReach, tr-x[i], f.Eta-tr+x[i], f.Lo-tr+x[i], f.Hi-tr+x[i])
			fmt.Print(e.Dump(5))
		}
	}
}

func TestWorst(t *testing.T) {
	fam := os.Getenv("WORST")
	if fam == "" {
		t.Skip()
	}
	set := families.Tuning(600)
	if os.Getenv("SET") == "scoring" {
		set = families.Scoring(600)
	}
	var keep []families.Batch
	for _, b := range set {
		if b.Family == fam {
			keep = append(keep, b)
		}
	}
	lead, _ := strconv.ParseFloat(os.Getenv("LEAD"), 64)
	b := run(keep, os.Getenv("AMB") != "no", false, forecast.Known{})
	sort.Slice(b.shots, func(i, j int) bool { return math.Abs(b.shots[i].err) > math.Abs(b.shots[j].err) })
	n := 0
	for _, s := range b.shots {
		if s.lead == lead && s.given {
			fmt.Printf("%s err %.0f lo %.0f hi %.0f\n", s.batch, s.err, s.lo, s.hi)
			if n++; n > 14 {
				break
			}
		}
	}
}

func TestMissing(t *testing.T) {
	fam := os.Getenv("MISSING")
	if fam == "" {
		t.Skip()
	}
	lead, _ := strconv.ParseFloat(os.Getenv("LEAD"), 64)
	for _, b := range families.Tuning(600) {
		if b.Family != fam || math.IsNaN(b.Truth) {
			continue
		}
		e := forecast.New(forecast.Known{Boiling: b.Known.Boiling})
		for _, s := range b.Samples {
			e.Room(s.T, s.Room)
			e.Add(s.T, s.C)
			if b.Truth-s.T <= lead {
				f := e.Crossing(b.Target, forecast.Direction(b.Dir))
				if f.Status != forecast.OK && s.T > b.From {
					fmt.Printf("%s at %.0f T=%.2f target %.1f %s %s p=%.3f boil %.1f\n", b.Name, s.T, s.C, b.Target, f.Status, f.Reason, f.PReach, b.Known.Boiling)
					fmt.Print(e.Dump(4))
				}
				break
			}
		}
	}
}

func TestShop(t *testing.T) {
	if os.Getenv("SHOP") == "" {
		t.Skip()
	}
	for _, shop := range families.Shops(4) {
		var learnt []forecast.Lesson
		for i, b := range shop {
			e := forecast.New(forecast.Known{Jug: "jug", WaxGrams: b.Known.WaxGrams, Lessons: learnt})
			last := -1e9
			for _, s := range b.Samples {
				e.Room(s.T, s.Room)
				e.Add(s.T, s.C)
				if i == 2 && s.T > 100 && s.T-last > 100 && s.T < 500 {
					last = s.T
					f := e.Crossing(b.Target, forecast.Cooling)
					fmt.Printf("%.0f left %.0f err %.0f lo %.0f hi %.0f\n", s.T, b.Truth-s.T, f.Eta-b.Truth+s.T, f.Lo-b.Truth+s.T, f.Hi-b.Truth+s.T)
					fmt.Print(e.Dump(4))
				}
			}
			learnt = append(learnt, e.Lessons()...)
			fmt.Println(e.Lessons(), b.Known.WaxGrams, b.Samples[0].Room)
		}
	}
}

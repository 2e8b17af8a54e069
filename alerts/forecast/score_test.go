package forecast_test

import (
	"fmt"
	"math"
	"math/rand/v2"
	"os"
	"strconv"
	"testing"

	"gonum.org/v1/gonum/diff/fd"
	"gonum.org/v1/gonum/optimize"

	"example.org/meltstation/alerts/forecast"
	"example.org/meltstation/alerts/forecast/newton"
	"example.org/meltstation/sim/families"
)

// The benchmarks in this file are the scoreboard:
//
//	go test -run '^$' -bench . -benchtime 1x ./alerts/forecast/...
//
// METERS: medians and 90th percentiles are seconds of absolute error at that
// lead before the crossing, cover is the share of 90 % intervals that held it.

// batches is how many pots the scoreboard simulates; MELT_BATCHES sets another
// number.
func batches(tb testing.TB, n int) int {
	if s := os.Getenv("MELT_BATCHES"); s != "" {
		v, err := strconv.Atoi(s)
		if err != nil || v < 1 {
			tb.Fatalf("MELT_BATCHES is %q; give it a number of batches", s)
		}
		return v
	}
	return n
}

func report(b *testing.B, r board, family string) {
	for _, l := range leads {
		s := r.at(family, l)
		if s.given == 0 {
			continue
		}
		m := strconv.Itoa(int(l/60)) + "min"
		b.ReportMetric(s.median, "s-median@"+m)
		b.ReportMetric(s.p90, "s-p90@"+m)
		b.ReportMetric(s.cover, "cover@"+m)
		b.ReportMetric(s.width, "s-width@"+m)
		b.ReportMetric(s.pinball, "s-pinball@"+m)
		b.ReportMetric(float64(s.given)/float64(s.n), "given@"+m)
		b.ReportMetric(s.lineMed, "s-line-median@"+m)
		b.ReportMetric(s.refMed, "s-refit-median@"+m)
	}
	b.ReportMetric(0, "ns/op")
}

// BenchmarkWorld scores the family of other physics and seeds than the one tuned
// on (not a blind one: see the package documentation), with and without a room
// probe, beside a straight line and a plain refit.
func BenchmarkWorld(b *testing.B) {
	set := families.Scoring(batches(b, 1000))
	for _, amb := range []bool{true, false} {
		name := "room-probe"
		if !amb {
			name = "no-room-probe"
		}
		r := run(set, amb, true, forecast.Known{})
		b.Run(name, func(b *testing.B) {
			for range b.N {
			}
			report(b, r, "")
			share, _ := r.finite("")
			b.ReportMetric(100*share, "%-unreachable-given")
		})
		for _, f := range r.families() {
			b.Run(name+"/"+f, func(b *testing.B) {
				for range b.N {
				}
				report(b, r, f)
			})
		}
		for _, f := range r.unreached() {
			b.Run(name+"/"+f, func(b *testing.B) {
				for range b.N {
				}
				share, n := r.finite(f)
				b.ReportMetric(100*share, "%-given")
				b.ReportMetric(float64(n), "readings")
				b.ReportMetric(0, "ns/op")
			})
		}
	}
}

// BenchmarkRecorded rolls over the recorded curves.
func BenchmarkRecorded(b *testing.B) {
	var all []shot
	for _, name := range []string{"water_natural.csv", "water_fan.csv"} {
		x, y := recorded(b, name)
		all = append(all, roll(x, y, recordedTargets[:])...)
	}
	b.Run("open-water", func(b *testing.B) {
		for range b.N {
		}
		report(b, board{shots: all}, "")
	})
}

// bound is the Cramér-Rao bound (Kay, Fundamentals of Statistical Signal
// Processing: Estimation Theory, 1993, ch. 3) of the crossing time of target,
// after n readings a second apart, for Newton's law with an equilibrium known
// within sdTa; infinity tells nothing of it, 0 holds it fast.
func bound(w families.Newton, n int, target, sdTa float64) float64 {
	tc := math.Log(w.A/(target-w.Ta)) / w.K
	grad := func(t float64) [3]float64 { // by Ta, A, k
		e := math.Exp(-w.K * t)
		return [3]float64{1, e, -w.A * t * e}
	}
	var j [3][3]float64
	for i := range n {
		g := grad(float64(i))
		for p := range g {
			for q := range g {
				j[p][q] += g[p] * g[q] / (w.Sigma * w.Sigma)
			}
		}
	}
	sdTa = math.Max(sdTa, 1e-9)
	j[0][0] += 1 / (sdTa * sdTa)
	g := grad(tc)
	slope := w.K * (target - w.Ta)
	for i := range g {
		g[i] /= slope
	}
	return math.Sqrt(quadInverse(j, g))
}

// quadInverse is gᵀ J⁻¹ g, by elimination on a scaled J.
func quadInverse(j [3][3]float64, g [3]float64) float64 {
	var a [3][4]float64
	var s [3]float64
	for i := range s {
		s[i] = 1 / math.Sqrt(j[i][i])
	}
	for r := range a {
		for c := range s {
			a[r][c] = j[r][c] * s[r] * s[c]
		}
		a[r][3] = g[r] * s[r]
	}
	for c := range s {
		p := c
		for r := c + 1; r < 3; r++ {
			if math.Abs(a[r][c]) > math.Abs(a[p][c]) {
				p = r
			}
		}
		a[c], a[p] = a[p], a[c]
		for r := range a {
			if r != c {
				f := a[r][c] / a[c][c]
				for k := c; k < 4; k++ {
					a[r][k] -= f * a[c][k]
				}
			}
		}
	}
	var v float64
	for i := range s {
		v += g[i] * s[i] * a[i][3] / a[i][i]
	}
	return v
}

// TestBoundItself holds the bound against worked values: Ta 22, A 63 K,
// k 0.0009 /s, sigma 0.1 K, 1 Hz, computed from the same formulas by other code.
func TestBoundItself(t *testing.T) {
	w := families.Newton{Ta: 22, A: 63, K: 0.0009, Sigma: 0.1}
	for _, c := range []struct {
		n              int
		target         float64
		known, unknown float64
	}{
		{60, 57.2, 8.34477, 403.35063}, {120, 57.2, 2.89578, 65.61652}, {300, 57.2, 0.69746, 4.99998}, {600, 57.2, 0.23742, 0.46997},
		{60, 70, 3.69594, 70.36927}, {120, 70, 1.21258, 9.96511}, {300, 70, 0.25186, 0.40189}, {600, 70, 0.09693, 0.14083},
	} {
		if got := bound(w, c.n, c.target, 0); math.Abs(got/c.known-1) > 1e-4 {
			t.Errorf("n %d, %.1f °C, room known: %.5f s, want %.5f", c.n, c.target, got, c.known)
		}
		if got := bound(w, c.n, c.target, math.Inf(1)); math.Abs(got/c.unknown-1) > 1e-4 {
			t.Errorf("n %d, %.1f °C, room unknown: %.5f s, want %.5f", c.n, c.target, got, c.unknown)
		}
	}
}

// efficiency is what the engine makes of n readings of a curve that is a law's
// and white noise.
type efficiency struct {
	rmse, cover float64 // s
	exact       float64 // s, root mean square error of the exact posterior's median
	given       int
}

// efficient runs the engine, and the exact estimator with the engine's priors,
// on curves whose law is Newton's or, with any set, drawn from those priors.
func efficient(n int, target float64, room, any bool, runs int) efficiency {
	var e efficiency
	var se, sx float64
	in := 0
	for seed := range uint64(runs) {
		r := rand.New(rand.NewPCG(seed, 77))
		w := power{ta: priorRoom, a: 63, n: 1, k: 0.0009}
		if any {
			w = draw(r, target, room)
		}
		f := forecast.New(forecast.Known{})
		if room {
			f.Room(0, priorRoom)
		}
		c := make([]float64, n)
		for i := range c {
			c[i] = w.at(float64(i)) + priorSigma*r.NormFloat64()
			f.Add(float64(i), c[i])
		}
		g := f.Crossing(target, forecast.Cooling)
		if g.Status != forecast.OK {
			continue
		}
		now := float64(n - 1)
		left := w.crosses(target) - now
		e.given++
		se += (g.Eta - left) * (g.Eta - left)
		if g.Lo <= left && left <= g.Hi {
			in++
		}
		x := exactMedian(c, target, room) - now - left
		sx += x * x
	}
	k := float64(e.given)
	e.rmse, e.exact, e.cover = math.Sqrt(se/k), math.Sqrt(sx/k), float64(in)/k
	return e
}

// BenchmarkBound compares the error to two bounds. "newton": the truth is Newton's
// law; the Cramér-Rao bound knows the law and the room beforehand, the engine
// doesn't, and pays for asking. "prior": the truth is drawn from what the engine
// holds possible; no estimator has a smaller mean square error there than the
// exact posterior mean, which the exact posterior's median (x-exact) is close to.
func BenchmarkBound(b *testing.B) {
	for _, room := range []bool{true, false} {
		for _, c := range []struct {
			n      int
			target float64
		}{{120, 57.2}, {300, 57.2}, {600, 57.2}, {300, 70}} {
			name := fmt.Sprintf("room=%v/n=%d/%.0fC", room, c.n, c.target)
			b.Run("newton/"+name, func(b *testing.B) {
				e := efficient(c.n, c.target, room, false, 200)
				for range b.N {
				}
				ta := 0.0
				if !room {
					ta = math.Inf(1)
				}
				w := families.Newton{Ta: priorRoom, A: 63, K: 0.0009, Sigma: priorSigma}
				b.ReportMetric(e.rmse, "s-rmse")
				b.ReportMetric(e.rmse/bound(w, c.n, c.target, ta), "x-cramer-rao")
				b.ReportMetric(e.rmse/e.exact, "x-exact")
				b.ReportMetric(e.cover, "cover")
				b.ReportMetric(0, "ns/op")
			})
			b.Run("prior/"+name, func(b *testing.B) {
				e := efficient(c.n, c.target, room, true, 200)
				for range b.N {
				}
				b.ReportMetric(e.rmse, "s-rmse")
				b.ReportMetric(e.rmse/e.exact, "x-exact")
				b.ReportMetric(e.cover, "cover")
				b.ReportMetric(0, "ns/op")
			})
		}
	}
}

// BenchmarkLesson shows what a shop's past batches are worth two minutes after
// the jug has been set down.
func BenchmarkLesson(b *testing.B) {
	shops := families.Shops(batches(b, 60))
	for _, probe := range []bool{true, false} {
		plain, taught := lessons(shops, probe)
		b.Run(fmt.Sprintf("2min-after-heat-off/room-probe=%v", probe), func(b *testing.B) {
			for range b.N {
			}
			p, q := tally(plain), tally(taught)
			b.ReportMetric(p.median, "s-median-without")
			b.ReportMetric(q.median, "s-median-with")
			b.ReportMetric(p.p90, "s-p90-without")
			b.ReportMetric(q.p90, "s-p90-with")
			b.ReportMetric(p.cover, "cover-without")
			b.ReportMetric(q.cover, "cover-with")
			b.ReportMetric(p.width, "s-width-without")
			b.ReportMetric(q.width, "s-width-with")
			b.ReportMetric(0, "ns/op")
		})
	}
}

// lessons plays every shop's batches in order, once without and once with what
// the earlier ones taught, and forecasts two minutes into the last.
func lessons(shops [][]families.Batch, probe bool) (plain, taught []shot) {
	for _, shop := range shops {
		var learnt []forecast.Lesson
		for i, b := range shop {
			for _, with := range []bool{false, true} {
				k := forecast.Known{Jug: "jug", WaxGrams: b.Known.WaxGrams}
				if with {
					k.Lessons = learnt
				}
				e := forecast.New(k)
				asked := false
				for _, s := range b.Samples {
					if probe {
						e.Room(s.T, s.Room)
					}
					e.Add(s.T, s.C)
					if i == len(shop)-1 && !asked && s.T >= 120 {
						asked = true
						f := e.Crossing(b.Target, forecast.Direction(b.Dir))
						left := b.Truth - s.T
						x := shot{given: f.Status == forecast.OK, err: f.Eta - left, lo: f.Lo - left, hi: f.Hi - left}
						if with {
							taught = append(taught, x)
						} else {
							plain = append(plain, x)
						}
						break
					}
				}
				if with && i < len(shop)-1 {
					learnt = append(learnt, e.Lessons()...)
				}
			}
		}
	}
	return plain, taught
}

// BenchmarkAdd is the cost of one reading.
func BenchmarkAdd(b *testing.B) {
	for _, after := range []int{1e3, 1e6} {
		b.Run(fmt.Sprintf("after-%d", after), func(b *testing.B) {
			r := rand.New(rand.NewPCG(1, 2))
			e := forecast.New(forecast.Known{})
			e.Room(0, 21)
			i := 0
			next := func() {
				// A pot that cools, is warmed, and cools again, for ever.
				e.Add(float64(i), 60+20*math.Cos(float64(i)/2500)+0.05*r.NormFloat64())
				i++
			}
			for range after {
				next()
			}
			b.ReportAllocs()
			b.ResetTimer()
			for range b.N {
				next()
			}
		})
	}
}

// BenchmarkUpdate is a reading and the forecast after it: what one probe costs
// the station each second. A thousand probes at 1 Hz take a thousandth of the
// ns/op as a share of one core in parts per million.
func BenchmarkUpdate(b *testing.B) {
	r := rand.New(rand.NewPCG(1, 2))
	e := forecast.New(forecast.Known{})
	i := 0
	next := func() {
		e.Add(float64(i), 22+63*math.Exp(-math.Mod(float64(i), 2000)*5e-4)+0.05*r.NormFloat64())
		i++
	}
	for range 600 {
		next()
	}
	b.ReportAllocs()
	b.ResetTimer()
	for range b.N {
		next()
		e.Crossing(20.5, forecast.Cooling)
	}
	b.ReportMetric(float64(b.Elapsed().Nanoseconds())/float64(b.N)*1e-9*1000, "cores-for-1000-probes-at-1Hz")
}

// BenchmarkRefit is what a full refit of the trace costs instead, by gonum's
// optimiser and by the package's own least squares.
func BenchmarkRefit(b *testing.B) {
	w := families.Newton{Ta: 22, A: 63, K: 0.0009, Sigma: 0.1}
	s := families.NewtonBatch(rand.New(rand.NewPCG(3, 3)), w, 30, 1).Samples[:1000]
	var t, c []float64
	for _, x := range s {
		t, c = append(t, x.T), append(c, x.C)
	}
	b.Run("gonum-1000-readings", func(b *testing.B) {
		rss := func(p []float64) float64 {
			var v float64
			for i := range t {
				d := c[i] - p[0] - p[1]*math.Exp(-math.Exp(p[2])*t[i])
				v += d * d
			}
			return v
		}
		for range b.N {
			_, err := optimize.Minimize(optimize.Problem{
				Func: rss,
				Grad: func(g, x []float64) { fd.Gradient(g, rss, x, nil) },
			}, []float64{20, 60, -7}, nil, &optimize.BFGS{})
			if err != nil {
				b.Log(err)
			}
		}
	})
	b.Run("varpro-1000-readings", func(b *testing.B) {
		for range b.N {
			if _, err := newton.LeastSquares(t, c); err != nil {
				b.Fatal(err)
			}
		}
	})
}

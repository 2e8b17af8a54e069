package forecast_test

import (
	"math"
	"math/rand/v2"
	"testing"

	"gonum.org/v1/gonum/mat"
)

// The exact Bayesian estimator with the engine's priors, by brute force: what the
// engine's filters are an approximation of, where the truth is one law and white
// noise.

// What the engine holds possible of a pot that cools (see its laws): Newton's law,
// convection and evaporation toward the room, Newton's toward somewhere else.
var priorLaws = []struct {
	weight, n, sd float64
	elsewhere     bool
}{{0.7, 1, 0, false}, {0.35, 1.2, 0.1, false}, {0.15, 1.7, 0.4, false}, {0.22, 1, 0, true}}

const (
	priorRoom    = 22.0 // °C
	priorRoomSD  = 4.5  // K, nobody measured it
	probeLawSD   = 0.12 // K, of a measured room for Newton's law
	probeOtherSD = 0.8  // K, for the others
	priorSigma   = 0.1  // K, of the readings
)

// equilibrium is the prior of a law's equilibrium, °C.
func equilibrium(room, elsewhere bool, n float64) (ta, sd float64) {
	switch {
	case elsewhere:
		return 50, 20
	case !room:
		return priorRoom, priorRoomSD
	case n == 1:
		return priorRoom, probeLawSD
	}
	return priorRoom, probeOtherSD
}

// power is a curve of the law dT/dt = -k (T-Ta)^n / a^(n-1).
type power struct{ ta, a, n, k float64 }

func (w power) at(t float64) float64 {
	if m := w.n - 1; math.Abs(m) > 1e-9 {
		return w.ta + w.a*math.Pow(1+m*w.k*t, -1/m)
	}
	return w.ta + w.a*math.Exp(-w.k*t)
}

func (w power) crosses(target float64) float64 {
	x := w.a / (target - w.ta)
	if m := w.n - 1; math.Abs(m) > 1e-9 {
		return (math.Pow(x, m) - 1) / (m * w.k)
	}
	return math.Log(x) / w.k
}

// draw is a curve out of the priors, from 85 °C down, that comes to target.
func draw(r *rand.Rand, target float64, room bool) power {
	for {
		u := 1.42 * r.Float64()
		l := priorLaws[len(priorLaws)-1]
		for _, x := range priorLaws {
			if u -= x.weight; u < 0 {
				l = x
				break
			}
		}
		w := power{n: l.n + l.sd*r.NormFloat64(), k: 0.0009}
		w.n = math.Max(math.Min(w.n, 2.5), 0.6)
		ta, sd := equilibrium(room, l.elsewhere, l.n)
		w.ta = ta + sd*r.NormFloat64()
		w.a = 85 - w.ta
		if w.ta < target-0.5 && w.ta > 12 {
			return w
		}
	}
}

// exactMedian is the median of the posterior of the crossing time of target,
// given that it comes, from readings a second apart. The exponent is gone through
// on a grid; for each, equilibrium, amplitude and rate are fitted by Gauss and
// Newton's method, and their evidence taken by Laplace's (Bishop, Pattern
// Recognition and Machine Learning, 2006, section 4.4).
func exactMedian(c []float64, target float64, room bool) float64 {
	// Means over sixtieths lose nothing that matters, and make it quick.
	step := max(len(c)/60, 1)
	var t, y []float64
	for i := 0; i+step <= len(c); i += step {
		var s float64
		for _, v := range c[i : i+step] {
			s += v
		}
		t = append(t, float64(i)+float64(step-1)/2)
		y = append(y, s/float64(step))
	}
	v := priorSigma * priorSigma / float64(step)
	type part struct{ lw, mid, sd float64 }
	var parts []part
	for _, l := range priorLaws {
		ta, sd := equilibrium(room, l.elsewhere, l.n)
		const half = 50 // steps to three standard deviations
		first, last := 0, 0
		if l.sd > 0 {
			first, last = -half, half
		}
		w := power{ta: ta, a: y[0] - ta, k: 0.0009}
		for i := first; i <= last; i++ {
			z := 3 * float64(i) / half
			w.n = math.Max(math.Min(l.n+l.sd*z, 2.5), 0.6)
			cost, g, lp, ok := w.fit(t, y, v, ta, sd, target)
			if !ok {
				continue
			}
			share := 1.0
			if l.sd > 0 {
				share = 3.0 / half / math.Sqrt(2*math.Pi) * math.Exp(-z*z/2)
			}
			parts = append(parts, part{math.Log(l.weight*share/sd/w.k) - cost + lp, w.crosses(target), math.Sqrt(g)})
		}
	}
	top := math.Inf(-1)
	lo, hi := math.Inf(1), math.Inf(-1)
	for _, p := range parts {
		top = math.Max(top, p.lw)
		lo, hi = math.Min(lo, p.mid-6*p.sd), math.Max(hi, p.mid+6*p.sd)
	}
	for range 60 {
		m := (lo + hi) / 2
		var below, all float64
		for _, p := range parts {
			w := math.Exp(p.lw - top)
			all += w
			below += w * 0.5 * math.Erfc(-(m-p.mid)/p.sd/math.Sqrt2)
		}
		if below < all/2 {
			lo = m
		} else {
			hi = m
		}
	}
	return (lo + hi) / 2
}

// fit finds the equilibrium, amplitude and rate that fit best, with v the
// readings' variance and a normal prior of the equilibrium. It returns the cost
// (of residuals and prior, in nats), the variance of the crossing time of target,
// and the logarithm of the volume that Laplace's method gives the evidence.
func (w *power) fit(t, y []float64, v, ta, sd, target float64) (cost, variance, volume float64, ok bool) {
	m := w.n - 1
	gradient := func(x power, t float64) (f float64, j [3]float64) {
		var g, gk float64 // the curve over a, and its derivative by k
		if math.Abs(m) > 1e-9 {
			u := 1 + m*x.k*t
			g = math.Pow(u, -1/m)
			gk = -t * g / u
		} else {
			g = math.Exp(-x.k * t)
			gk = -t * g
		}
		return x.ta + x.a*g, [3]float64{1, g, x.a * gk}
	}
	value := func(x power) float64 {
		z := (x.ta - ta) / sd
		c := z * z / 2
		for i := range t {
			d := y[i] - x.at(t[i])
			c += d * d / (2 * v)
		}
		return c
	}
	cost = value(*w)
	var h *mat.SymDense
	var chol mat.Cholesky
	for range 40 {
		h = mat.NewSymDense(3, nil)
		b := mat.NewVecDense(3, []float64{(ta - w.ta) / (sd * sd), 0, 0})
		h.SetSym(0, 0, 1/(sd*sd))
		for i := range t {
			f, j := gradient(*w, t[i])
			for p := range j {
				b.SetVec(p, b.AtVec(p)+j[p]*(y[i]-f)/v)
				for q := p; q < 3; q++ {
					h.SetSym(p, q, h.At(p, q)+j[p]*j[q]/v)
				}
			}
		}
		if !chol.Factorize(h) {
			return 0, 0, 0, false
		}
		var d mat.VecDense
		if err := chol.SolveVecTo(&d, b); err != nil {
			return 0, 0, 0, false
		}
		next, best := *w, cost
		for f := 1.0; f > 1e-4; f /= 2 { // no step that makes it worse
			x := *w
			x.ta, x.a, x.k = w.ta+f*d.AtVec(0), w.a+f*d.AtVec(1), w.k+f*d.AtVec(2)
			if x.k <= 0 || x.a <= 0 {
				continue
			}
			if c := value(x); c < best {
				next, best = x, c
				break
			}
		}
		done := cost-best < 1e-6
		*w, cost = next, best
		if done {
			break
		}
	}
	if w.ta >= target {
		return 0, 0, 0, false
	}
	g := mat.NewVecDense(3, nil)
	mid := w.crosses(target)
	for i, s := range []float64{1e-4, 1e-4, w.k * 1e-5} {
		x := *w
		switch i {
		case 0:
			x.ta += s
		case 1:
			x.a += s
		case 2:
			x.k += s
		}
		g.SetVec(i, (x.crosses(target)-mid)/s)
	}
	var cg mat.VecDense
	if err := chol.SolveVecTo(&cg, g); err != nil {
		return 0, 0, 0, false
	}
	return cost, mat.Dot(g, &cg), -chol.LogDet() / 2, true
}

// TestExactMedian holds the brute force against curves without noise to speak of,
// where the law is plain: then it must name the crossing itself.
func TestExactMedian(t *testing.T) {
	for _, n := range []float64{1, 1.2, 1.8} {
		w := power{ta: priorRoom, a: 63, n: n, k: 0.0009}
		left := w.crosses(57.2)
		c := make([]float64, int(left))
		for i := range c {
			c[i] = w.at(float64(i))
		}
		if got := exactMedian(c, 57.2, true); math.Abs(got-left) > 0.3 {
			t.Errorf("n %.1f: the exact posterior's median is %.2f s, the crossing %.2f s", n, got, left)
		}
	}
}

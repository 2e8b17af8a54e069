// Package newton fits Newton's law of cooling by least squares.
//
// For a given k the law T(t) = Ta + A exp(-k t) is linear in Ta and A, so that
// these are solved exactly and only k is searched: variable projection (Golub
// and Pereyra, SIAM J. Numer. Anal. 10, 413-432, 1973). The search goes over a
// grid of log k and refines the best point of it: it needs no start, can't
// diverge, and finds the global least squares of the grid's span.
package newton

import (
	"errors"
	"math"
)

// Fit is a least-squares fit of T(t) = Ta + A exp(-k t).
type Fit struct {
	Ta, A, K       float64
	SDTa, SDA, SDK float64 // standard errors; that of a given Ta is 0
	RSS            float64 // residual sum of squares
	DF             int     // degrees of freedom
}

// ErrTooFew is returned for fewer points than parameters.
var ErrTooFew = errors.New("too few points for a fit")

// Crossing returns when the fitted curve is at temperature c; NaN when never.
func (f Fit) Crossing(c float64) float64 {
	x := f.A / (c - f.Ta)
	if !(x > 0) {
		return math.NaN()
	}
	return math.Log(x) / f.K
}

// shape says which of the two linear parameters are free.
type shape int

const (
	both   shape = iota // Ta and A
	known               // A alone, Ta given
	origin              // T(0) = 0: A = -Ta, y = b1 (1 - exp(-b2 x))
)

// LeastSquares fits Ta, A and k.
func LeastSquares(t, y []float64) (Fit, error) { return solve(t, y, both, 0) }

// LeastSquaresAmbient fits A and k with the equilibrium given.
func LeastSquaresAmbient(t, y []float64, ta float64) (Fit, error) { return solve(t, y, known, ta) }

// LeastSquaresOrigin fits y = Ta (1 - exp(-k t)): a curve that starts from 0.
// A is -Ta.
func LeastSquaresOrigin(t, y []float64) (Fit, error) { return solve(t, y, origin, 0) }

// project solves the linear parameters for a k. It returns their values and
// the residual sum of squares. t counts from t0, for the sake of the numbers.
func project(t, y []float64, t0, k float64, s shape, ta float64) (a0, a1, rss float64) {
	switch s {
	case known:
		var sxx, sxy float64
		for i := range t {
			x := math.Exp(-k * (t[i] - t0))
			sxx += x * x
			sxy += x * (y[i] - ta)
		}
		a0, a1 = ta, sxy/sxx
	case origin:
		var sxx, sxy float64
		for i := range t {
			x := -math.Expm1(-k * t[i])
			sxx += x * x
			sxy += x * y[i]
		}
		a0 = sxy / sxx
		a1 = -a0
		t0 = 0
	default:
		// Centred, with 1 - exp(...) in place of exp(...): for small k the
		// columns are nearly the same and only their difference counts.
		n := float64(len(t))
		var mx, my float64
		for i := range t {
			mx += -math.Expm1(-k * (t[i] - t0))
			my += y[i]
		}
		mx /= n
		my /= n
		var sxx, sxy float64
		for i := range t {
			x := -math.Expm1(-k*(t[i]-t0)) - mx
			sxx += x * x
			sxy += x * (y[i] - my)
		}
		b := sxy / sxx // y = c + b (1 - e)
		a1 = -b
		a0 = my - b*mx + b
	}
	for i := range t {
		var f float64
		if s == origin {
			f = a0 * -math.Expm1(-k*t[i])
		} else {
			f = a0 + a1*math.Exp(-k*(t[i]-t0))
		}
		d := y[i] - f
		rss += d * d
	}
	return a0, a1, rss
}

func solve(t, y []float64, s shape, ta float64) (Fit, error) {
	params := 3
	if s != both {
		params = 2
	}
	if len(t) != len(y) || len(t) < params {
		return Fit{}, ErrTooFew
	}
	lo, hi := math.Inf(1), math.Inf(-1)
	for _, v := range t {
		lo, hi = math.Min(lo, v), math.Max(hi, v)
	}
	if !(hi > lo) {
		return Fit{}, ErrTooFew
	}
	t0 := lo
	// From a thousandth of a bend over the span of the data to one within a
	// fiftieth of it.
	const points = 40
	span := hi - lo
	l0, l1 := math.Log(1e-4/span), math.Log(50/span)
	at := func(i int) float64 { return l0 + (l1-l0)*float64(i)/points }
	best, arg := math.Inf(1), 0
	for i := 0; i <= points; i++ {
		if _, _, r := project(t, y, t0, math.Exp(at(i)), s, ta); r < best {
			best, arg = r, i
		}
	}
	k := math.Exp(golden(at(max(arg-1, 0)), at(min(arg+1, points)), func(l float64) float64 {
		_, _, r := project(t, y, t0, math.Exp(l), s, ta)
		return r
	}))
	f := Fit{DF: len(t) - params}
	k = polish(t, y, t0, k, s, ta)
	f.K = k
	f.Ta, f.A, f.RSS = project(t, y, t0, k, s, ta)
	f.errors(t, t0, s)
	if s != origin {
		f.A *= math.Exp(k * t0)
		f.SDA *= math.Exp(k * t0)
	}
	return f, nil
}

// golden finds the least of f between a and b to the precision of a parabola.
func golden(a, b float64, f func(float64) float64) float64 {
	const g = 0.6180339887498949
	c, d := b-g*(b-a), a+g*(b-a)
	fc, fd := f(c), f(d)
	for b-a > 1e-7 {
		if fc < fd {
			b, d, fd = d, c, fc
			c = b - g*(b-a)
			fc = f(c)
		} else {
			a, c, fc = c, d, fd
			d = a + g*(b-a)
			fd = f(d)
		}
	}
	return (a + b) / 2
}

// polish takes Gauss-Newton steps in all parameters at once: the minimum of the
// sum itself is flat to half the digits, its gradient is not.
func polish(t, y []float64, t0, k float64, s shape, ta float64) float64 {
	a0, a1, rss := project(t, y, t0, k, s, ta)
	for range 30 {
		var m [3][3]float64
		var v [3]float64
		for i := range t {
			g, f := gradient(t[i], t0, a0, a1, k, s)
			r := y[i] - f
			for p := range g {
				v[p] += g[p] * r
				for q := range g {
					m[p][q] += g[p] * g[q]
				}
			}
		}
		inv, ok := invert(m, s)
		if !ok {
			return k
		}
		dk := inv[2][0]*v[0] + inv[2][1]*v[1] + inv[2][2]*v[2]
		next := k + dk
		if !(next > 0) {
			return k
		}
		b0, b1, r := project(t, y, t0, next, s, ta)
		if r > rss*(1+1e-12) {
			return k
		}
		k, a0, a1, rss = next, b0, b1, r
		if math.Abs(dk) < 1e-15*k {
			break
		}
	}
	return k
}

// gradient returns the derivatives of the model by (Ta, A, k) and its value.
// Parameters that are not free have none.
func gradient(t, t0, a0, a1, k float64, s shape) (g [3]float64, f float64) {
	if s == origin {
		e := math.Exp(-k * t)
		return [3]float64{1 - e, 0, a0 * t * e}, a0 * (1 - e)
	}
	d := t - t0
	e := math.Exp(-k * d)
	g = [3]float64{1, e, -a1 * d * e}
	if s == known {
		g[0] = 0
	}
	return g, a0 + a1*e
}

// invert inverts the normal matrix of the free parameters; rows and columns of
// the others stay zero.
func invert(m [3][3]float64, s shape) (inv [3][3]float64, ok bool) {
	free := []int{0, 1, 2}
	switch s {
	case known:
		free = []int{1, 2}
	case origin:
		free = []int{0, 2}
	}
	n := len(free)
	var a [3][6]float64
	var scale [3]float64
	for i, p := range free {
		scale[i] = 1 / math.Sqrt(m[p][p])
		if math.IsInf(scale[i], 0) || math.IsNaN(scale[i]) {
			return inv, false
		}
	}
	for i, p := range free {
		for j, q := range free {
			a[i][j] = m[p][q] * scale[i] * scale[j]
		}
		a[i][n+i] = 1
	}
	for i := range n {
		p := i
		for r := i + 1; r < n; r++ {
			if math.Abs(a[r][i]) > math.Abs(a[p][i]) {
				p = r
			}
		}
		if math.Abs(a[p][i]) < 1e-15 {
			return inv, false
		}
		a[i], a[p] = a[p], a[i]
		for c := 2*n - 1; c >= 0; c-- {
			a[i][c] /= a[i][i]
		}
		for r := range n {
			if r == i {
				continue
			}
			w := a[r][i]
			for c := range 2 * n {
				a[r][c] -= w * a[i][c]
			}
		}
	}
	for i, p := range free {
		for j, q := range free {
			inv[p][q] = a[i][n+j] * scale[i] * scale[j]
		}
	}
	return inv, true
}

func (f *Fit) errors(t []float64, t0 float64, s shape) {
	var m [3][3]float64
	for i := range t {
		g, _ := gradient(t[i], t0, f.Ta, f.A, f.K, s)
		for p := range g {
			for q := range g {
				m[p][q] += g[p] * g[q]
			}
		}
	}
	inv, ok := invert(m, s)
	if !ok || f.DF == 0 {
		f.SDTa, f.SDA, f.SDK = math.NaN(), math.NaN(), math.NaN()
		return
	}
	v := f.RSS / float64(f.DF)
	f.SDTa, f.SDA, f.SDK = math.Sqrt(v*inv[0][0]), math.Sqrt(v*inv[1][1]), math.Sqrt(v*inv[2][2])
	if s == origin {
		f.SDA = f.SDTa
	}
}

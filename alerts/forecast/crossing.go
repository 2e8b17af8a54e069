package forecast

import (
	"fmt"
	"math"
)

// mixture is a weighted sum of log-normal or normal distributions, kept in the
// engine so that reading it off allocates nothing.
type mixture struct {
	n    int
	w    [maxMix]float64
	m, s [maxMix]float64 // median (or its logarithm) and scale
	lost float64         // weight of what never gets there
}

const maxMix = maxExp * 5

func (m *mixture) reset() { m.n, m.lost = 0, 0 }

func (m *mixture) add(w, mu, sd float64) {
	if m.n == maxMix {
		return
	}
	m.w[m.n], m.m[m.n], m.s[m.n] = w, mu, math.Max(sd, 1e-12)
	m.n++
}

// quantile returns the p quantile of what gets there.
func (m *mixture) quantile(p float64) float64 {
	lo, hi, tot := math.Inf(1), math.Inf(-1), 0.0
	for i := 0; i < m.n; i++ {
		lo = math.Min(lo, m.m[i]-6*m.s[i])
		hi = math.Max(hi, m.m[i]+6*m.s[i])
		tot += m.w[i]
	}
	for k := 0; k < 40 && hi-lo > 1e-7*(math.Abs(lo)+math.Abs(hi)); k++ {
		x := (lo + hi) / 2
		var c float64
		for i := 0; i < m.n; i++ {
			c += m.w[i] * phi((x-m.m[i])/m.s[i])
		}
		if c < p*tot {
			lo = x
		} else {
			hi = x
		}
	}
	return (lo + hi) / 2
}

func phi(z float64) float64 {
	if z > 6 {
		return 1
	} else if z < -6 {
		return 0
	}
	return 0.5 * math.Erfc(-z/math.Sqrt2)
}

// Nodes and weights of the five-point Gauss-Hermite rule for a standard normal.
var (
	hermiteX = [...]float64{0, 1.3556261799742659, -1.3556261799742659, 2.8569700138728056, -2.8569700138728056}
	hermiteW = [...]float64{0.53333333333333333, 0.22207592200561263, 0.22207592200561263, 0.011257411327720691, 0.011257411327720691}
)

// nodes calls f for the expert's state at each node of its equilibrium's
// distribution: the one entry in which a crossing time is far from linear.
func (x *expert) nodes(target float64, f func(w float64, s [dim]float64, cond bool)) {
	v := x.p[sTa][sTa]
	sd := math.Sqrt(v)
	if sd < 0.03*math.Abs(target-x.x[sTa]) {
		f(1, x.x, false)
		return
	}
	for i, z := range hermiteX {
		s := x.x
		d := z * sd
		for j := range s {
			s[j] += x.p[j][sTa] / v * d
		}
		f(hermiteW[i], s, true)
	}
}

// spread is gᵀ P g, given the equilibrium when cond is set.
func (x *expert) spread(g *[dim]float64, cond bool) float64 {
	v := x.quad(g)
	if cond {
		var c float64
		for j := 0; j < dim; j++ {
			c += g[j] * x.p[j][sTa]
		}
		v -= c * c / x.p[sTa][sTa]
	}
	return math.Max(v, 0)
}

// farthest is the longest a wax is given to get anywhere, s: beyond it, it stands.
const farthest = 12 * 3600.0

// sure is the probability of getting there below which no time is given.
const sure = 0.95

// widen is fitted to the tuning family.
const widen = 1.15

var never = Forecast{Eta: math.NaN(), Lo: math.NaN(), Hi: math.NaN(), Level: level}

func because(s Status, reason string) Forecast {
	f := never
	f.Status, f.Reason = s, reason
	return f
}

// Crossing says when the wax will have come to target from the side that dir
// names, counted from the last reading given.
func (e *Engine) Crossing(target float64, dir Direction) Forecast {
	if !e.started {
		return because(TooEarly, "no reading yet")
	}
	if math.IsNaN(target) {
		return because(TooEarly, "no target")
	}
	if e.hold.on && e.last-e.hold.since > 4 {
		if e.hold.out {
			return because(Disturbed, "the probe seems to be out of the wax")
		}
		return because(Disturbed, "the reading jumped; waiting to see what it was")
	}
	now := e.now()
	if (now-target)*float64(dir) >= 0 {
		f := because(Reached, "the wax is there")
		f.Eta, f.Lo, f.Hi, f.PReach = 0, 0, 0, 1
		return f
	}
	if e.last-e.first < minAge || e.count < 6 || e.mode == 0 {
		return because(TooEarly, "not enough curve yet")
	}
	if e.mode != dir {
		if dir == Cooling {
			return because(TooEarly, "the wax is still warming")
		}
		return because(Unreachable, "the wax is cooling: it won't get there at this heat")
	}
	if dir == Cooling && e.k.Congeal != 0 && target < e.k.Congeal {
		return because(Plateau, fmt.Sprintf("the target lies below the congealing point (%.0f °C); wax gives off heat while it sets, and no time can be told", e.k.Congeal))
	}
	p := e.spreadOut(target)
	if p < 0.1 {
		f := because(Unreachable, "it won't get there at this heat")
		f.PReach = p
		return f
	}
	if p < sure || e.mix.n == 0 {
		f := because(TooEarly, "not enough curve yet to know whether it gets there")
		f.PReach = p
		return f
	}
	lag := e.last - e.at
	mid := e.mix.quantile(0.5)
	wide := e.strays(math.Exp(mid)) * widen
	q := func(p float64) float64 {
		return math.Max(math.Exp(mid+wide*(e.mix.quantile(p)-mid))-lag, 0)
	}
	f := Forecast{Status: OK, Level: level, PReach: p, Eta: math.Max(math.Exp(mid)-lag, 0), Lo: q((1 - level) / 2), Hi: q((1 + level) / 2)}
	if f.Hi-f.Lo > 2.5*f.Eta+60 {
		g := because(TooEarly, "not enough curve yet")
		g.PReach = p
		return g
	}
	return f
}

// now is the wax's temperature at the last reading, without its noise.
func (e *Engine) now() float64 {
	c, _ := e.expect(e.last)
	return c
}

// spreadOut fills the mixture with the logarithm of the crossing time as every
// expert sees it, and returns the probability that it comes at all.
func (e *Engine) spreadOut(target float64) (reach float64) {
	m := &e.mix
	m.reset()
	var tot float64
	for i := range e.bank[:e.nbank] {
		x := &e.bank[i]
		wx := math.Exp(x.lw)
		tot += wx
		if wx < 1e-4 {
			m.lost += wx
			continue
		}
		x.nodes(target, func(w float64, s [dim]float64, cond bool) {
			p, ok := crossing(s[sT], s[sR], s[sTa], s[sN], target)
			if !ok || p.t > farthest {
				m.lost += w * wx
				return
			}
			p.t = math.Max(p.t, 0.5)
			v := x.spread(&p.g, cond)/(p.t*p.t) + x.q*x.q*p.t/3
			m.add(w*wx, math.Log(p.t), math.Min(math.Sqrt(v), 2))
		})
	}
	if tot == 0 {
		return 0
	}
	return math.Min(1, math.Max(0, 1-m.lost/tot))
}

// Ahead says what the temperature will be s seconds after the last reading.
func (e *Engine) Ahead(s float64) (lo, mid, hi float64, ok bool) {
	if !e.started || e.mode == 0 || e.last-e.first < minAge || e.hold.on && e.last-e.hold.since > 4 || !(s >= 0) {
		return 0, 0, 0, false
	}
	m := &e.mix
	m.reset()
	s += e.last - e.at
	for i := range e.bank[:e.nbank] {
		x := &e.bank[i]
		wx := math.Exp(x.lw)
		if wx < 1e-4 {
			continue
		}
		temp, rate := path(x.x[sT], x.x[sR], x.x[sTa], x.x[sN], s)
		sd := 0.05
		if p, ok := crossing(x.x[sT], x.x[sR], x.x[sTa], x.x[sN], temp); ok && s > 0 {
			v := x.spread(&p.g, false)*rate*rate + x.q*x.q*s*s*s/3*rate*rate
			sd = math.Sqrt(v)
		} else {
			sd = math.Sqrt(x.p[0][0] + 2*s*x.p[0][1] + s*s*x.p[1][1])
		}
		m.add(wx, temp, sd)
	}
	return m.quantile((1 - level) / 2), m.quantile(0.5), m.quantile((1 + level) / 2), true
}

// Band says when wax cooling through a pour window comes to its top and to its
// bottom, and how long it stays inside: from the opening, or from now when it
// is inside already.
func (e *Engine) Band(high, low float64) (open, shut Forecast, openFor Forecast) {
	open = e.Crossing(high, Cooling)
	shut = e.Crossing(low, Cooling)
	openFor = shut
	if open.Status == OK && shut.Status == OK {
		openFor.Eta = shut.Eta - open.Eta
		openFor.Lo = math.Max(0, math.Min(shut.Lo-open.Lo, openFor.Eta))
		openFor.Hi = math.Max(shut.Hi-open.Hi, openFor.Eta)
	}
	return open, shut, openFor
}

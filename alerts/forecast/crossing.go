package forecast

import "math"

// mixture is a weighted sum of log-normal or normal distributions, kept in the
// engine so that reading it off allocates nothing.
type mixture struct {
	n    int
	w    [maxMix]float64
	m, s [maxMix]float64 // median (or its logarithm) and scale
	lost float64         // weight of what never gets there

	tot, mean, sd float64 // set by seal
}

const maxMix = 2 * maxExp * 9 // each once more, slowed

func (m *mixture) reset() { m.n, m.lost = 0, 0 }

func (m *mixture) add(w, mu, sd float64) {
	if m.n == maxMix {
		return
	}
	m.w[m.n], m.m[m.n], m.s[m.n] = w, mu, math.Max(sd, 1e-12)
	m.n++
}

// slow adds a share of every part, delayed: p is how likely a slowing is, by and
// sd how much longer it takes then, relative.
func (m *mixture) slow(p, by, sd float64) {
	for i, n := 0, m.n; i < n && m.n < maxMix; i++ {
		m.w[m.n], m.m[m.n], m.s[m.n] = m.w[i]*p, m.m[i]+by, math.Hypot(m.s[i], sd)
		m.w[i] *= 1 - p
		m.n++
	}
}

// cdf is the share of what gets there that has by x.
func (m *mixture) cdf(x float64) float64 {
	var c float64
	for i := 0; i < m.n; i++ {
		c += m.w[i] * phi((x-m.m[i])/m.s[i])
	}
	return c / m.tot
}

// seal readies the mixture for reading off.
func (m *mixture) seal() {
	var top float64
	for i := 0; i < m.n; i++ {
		top = math.Max(top, m.w[i])
	}
	// What weighs next to nothing is dropped.
	k := 0
	for i := 0; i < m.n; i++ {
		if m.w[i] < 1e-3*top {
			continue
		}
		m.w[k], m.m[k], m.s[k] = m.w[i], m.m[i], m.s[i]
		k++
	}
	m.n = k
	m.weigh()
}

// weigh sums up what is in the mixture.
func (m *mixture) weigh() {
	m.tot, m.mean = 0, 0
	for i := 0; i < m.n; i++ {
		m.tot += m.w[i]
		m.mean += m.w[i] * m.m[i]
	}
	m.mean /= m.tot
	var v float64
	for i := 0; i < m.n; i++ {
		d := m.m[i] - m.mean
		v += m.w[i] * (d*d + m.s[i]*m.s[i])
	}
	m.sd = math.Sqrt(v / m.tot)
}

// quantile returns the p quantile of what gets there, by the Illinois method:
// regula falsi that halves the weight of an end that stays.
func (m *mixture) quantile(p float64) float64 {
	z := 2.2
	if p == 0.5 {
		z = 0.3
	}
	lo, hi := m.mean-z*m.sd, m.mean+z*m.sd
	flo, fhi := m.cdf(lo)-p, m.cdf(hi)-p
	for k := 0; flo > 0 && k < 20; k++ {
		hi, fhi = lo, flo
		lo -= z * m.sd * float64(k+1)
		flo = m.cdf(lo) - p
	}
	for k := 0; fhi < 0 && k < 20; k++ {
		lo, flo = hi, fhi
		hi += z * m.sd * float64(k+1)
		fhi = m.cdf(hi) - p
	}
	side := 0
	for k := 0; k < 30 && hi-lo > 1e-5*m.sd; k++ {
		x := (lo + hi) / 2
		if fhi-flo > 1e-12 && k%4 != 3 {
			x = (lo*fhi - hi*flo) / (fhi - flo)
		}
		f := m.cdf(x) - p
		if math.Abs(f) < 2e-5 {
			return x
		}
		if f < 0 {
			lo, flo = x, f
			if side < 0 {
				fhi /= 2
			}
			side = -1
		} else {
			hi, fhi = x, f
			if side > 0 {
				flo /= 2
			}
			side = 1
		}
	}
	return (lo + hi) / 2
}

// phiTable holds the standard normal distribution from -6 to 6.
var phiTable = func() (t [phiCells + 2]float64) {
	for i := range t {
		t[i] = 0.5 * math.Erfc(-(float64(i)*phiStep-6)/math.Sqrt2)
	}
	return t
}()

const (
	phiCells = 1536
	phiStep  = 12.0 / phiCells
)

// phi is the standard normal distribution, to 5e-6.
func phi(z float64) float64 {
	if z >= 6 {
		return 1
	} else if !(z > -6) {
		return 0
	}
	x := (z + 6) * (1 / phiStep)
	i := int(x)
	return phiTable[i] + (x-float64(i))*(phiTable[i+1]-phiTable[i])
}

// Nodes that share a standard normal into nine equal parts: a crossing time is
// far from linear in the equilibrium, and whether there is one hangs on it.
var (
	nineX = [...]float64{0, 0.28221614706, -0.28221614706, 0.58945579784, -0.58945579784, 0.96742156610, -0.96742156610, 1.59321881802, -1.59321881802}
	three = [...]float64{0, 1.7320508075688772, -1.7320508075688772}
	thirW = [...]float64{2.0 / 3, 1.0 / 6, 1.0 / 6}
)

// nodes spreads an expert over its equilibrium: it returns how many nodes there
// are; node gives the i-th.
func (x *expert) nodes(target float64) int {
	sd, d := math.Sqrt(x.p[sTa][sTa]), math.Abs(target-x.x[sTa])
	switch {
	case sd < 0.03*d:
		return 1
	case sd < 0.15*d:
		return 3
	}
	return len(nineX)
}

func (x *expert) node(i, n int) (w float64, s [dim]float64) {
	s = x.x
	var z float64
	switch n {
	case 1:
		return 1, s
	case 3:
		w, z = thirW[i], three[i]
	default:
		w, z = 1.0/float64(n), nineX[i]*1.02 // brings the variance to 1
	}
	v := x.p[sTa][sTa]
	d := z * math.Sqrt(v)
	for j := range s {
		s[j] += x.p[j][sTa] / v * d
	}
	return w, s
}

// relax draws a crossing time to the learnt rate. What the present rate is off it
// by is in part this batch's own, which stays, and in part jug and table settling,
// which fades; the younger the regime, the more of it is the latter. v is the
// variance of the time's logarithm, age that of the regime, s.
func (x *expert) relax(s [dim]float64, target float64, p passage, v, age float64) (t, variance float64) {
	d := s[sT] - s[sTa]
	rk := x.law.rate(d)
	if rk*s[sR] <= 0 {
		return p.t, v
	}
	own := x.law.ksd * x.law.ksd
	fades := learntFirst * math.Exp(-age/settling)
	fades *= fades
	share := fades / (fades + own)
	rk = s[sR] * math.Pow(rk/s[sR], share)
	t = p.t
	f := 1.0
	for range 2 {
		f = (1 - math.Exp(-t/settling)) * settling / t
		q, ok := crossing(s[sT], rk+(s[sR]-rk)*f, s[sTa], s[sN], target)
		if !ok {
			return p.t, v
		}
		t = math.Max(q.t, 0.5)
	}
	keep := f + (1-f)*(1-share) // of what is not known of the rate
	rate := x.p[sR][sR] / (s[sR] * s[sR])
	return t, math.Max(v-rate*(1-keep*keep), 0) + (1-f)*(1-f)*own*share
}

// wanders is the variance of the logarithm of a crossing time t that the wandering
// of the rate until then brings: q²t/3. A rate that is drawn back to the learnt one
// strays no further than settling lets it, and the mean over a long way less: q²τ²/t.
func (x *expert) wanders(t float64) float64 {
	v := x.q * x.q * t / 3
	if x.law.k > 0 {
		v /= 1 + t*t/(3*settling*settling)
	}
	return v
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

// Wax thickens, skins over and begins to give off heat of fusion some degrees
// above its congealing point: somewhere in that range it may begin to cool more
// slowly, and no curve says so beforehand.
const (
	thickenTop   = 62.0 // °C, when the congealing point is not known
	thickenSpan  = 12.0 // K
	thickenShare = 0.3  // how likely a pot is to slow somewhere in it; fitted to the tuning family
	thickenLoss  = 0.1  // by how much, relative
)

// thickens says how likely the wax is to slow between now and target, by how
// much the way then takes longer, and how sure that is, relative.
func (e *Engine) thickens(now, target float64) (p, by, sd float64) {
	top := thickenTop
	if e.k.Congeal != 0 {
		top = e.k.Congeal + thickenSpan
	}
	from := math.Min(now, top)
	if from <= target {
		return 0, 0, 0
	}
	in := (from - target) / (now - target)
	// Anywhere in what is left of the range: half of it on average.
	return math.Min(thickenShare*(from-target)/thickenSpan, 0.6), thickenLoss / 2 * in, 0.35 * thickenLoss * in
}

// farthest is the longest a wax is given to get anywhere, s: beyond it, it stands.
const farthest = 12 * 3600.0

// laziest is the longest time constant toward the room that a pot in a kitchen
// may have, s: ten litres under a lid in a bath left to itself take a quarter of
// it. What is slower is kept warm.
const laziest = 12 * 3600.0

// standing is how long a straight line may take, s, before the wax counts as
// standing still.
const standing = 8 * 3600.0

// coldest and hottest are what a pot in a kitchen may be, °C.
const coldest, hottest = -40.0, 300.0

// silence is how long a forecast holds without a reading, s.
const silence = 240.0

// sure is the probability of getting there below which no time is given.
func sure(dir Direction) float64 {
	if dir == Heating {
		return 0.93
	}
	return 0.95
}

// widen is by how much the intervals t seconds ahead are wider than the experts
// say; fitted to the tuning family.
func widen(t float64) float64 { return 0.97 + 0.55*math.Exp(-t/200) }

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
	if e.last-e.goodAt > silence {
		return because(Disturbed, "no good reading for some minutes")
	}
	now := e.now()
	if e.mode == Heating && dir == Cooling {
		return because(TooEarly, "the wax is still warming")
	}
	if (now-target)*float64(dir) >= 0 {
		f := because(Reached, "the wax is there")
		f.Eta, f.Lo, f.Hi, f.PReach = 0, 0, 0, 1
		return f
	}
	if e.last-e.first < minAge || e.count < 6 || e.mode == 0 {
		return because(TooEarly, "too early to say")
	}
	if e.mode != dir {
		return because(Unreachable, "the wax is cooling: it won't get there at this heat")
	}
	if dir == Cooling && e.k.Congeal != 0 && target < e.k.Congeal {
		return because(Plateau, e.congeal)
	}
	if ta, sd := e.roomPrior(&e.laws[0][1]); dir == Cooling && !e.haveRoom && target < ta+2*sd {
		return because(TooEarly, "that may be as cool as the room itself; no time can be told without a probe for the room")
	}
	if dir == Cooling && e.plateau {
		return because(Plateau, "it has all but stopped cooling, as wax does while it sets; no time can be told")
	}
	if dir == Heating && now < meltFrom && target > meltFrom {
		return because(TooEarly, "the wax has yet to melt")
	}
	if dir == Heating && e.melting(now) {
		return because(TooEarly, "the wax is still melting")
	}
	// No law here speeds up by itself: the straight line is the soonest.
	if r, sd := e.rate(); math.Abs(target-now) > (math.Abs(r)+2*sd)*standing && e.at-e.modeAt > 300 {
		return because(Unreachable, "it stands: it won't get there at this heat")
	}
	p := e.spreadOut(target)
	if p < 0.1 {
		f := because(Unreachable, "it won't get there at this heat")
		f.PReach = p
		return f
	}
	if p < sure(dir) || e.mix.n == 0 {
		f := because(TooEarly, "too early to say whether it gets there")
		f.PReach = p
		return f
	}
	lag := e.last - e.at
	e.mix.seal()
	if dir == Cooling {
		if p, by, sd := e.thickens(now, target); p > 0 {
			e.mix.slow(p, by, sd)
			e.mix.weigh()
		}
	}
	mid := e.mix.quantile(0.5)
	wide := e.strays(math.Exp(mid)) * widen(math.Exp(mid))
	q := func(p float64) float64 {
		return math.Max(math.Exp(mid+wide*(e.mix.quantile(p)-mid))-lag, 0)
	}
	f := Forecast{Status: OK, Level: level, PReach: p, Eta: math.Max(math.Exp(mid)-lag, 0), Lo: q((1 - level) / 2), Hi: q((1 + level) / 2)}
	f.Lo, f.Hi = math.Min(f.Lo, f.Eta), math.Max(f.Hi, f.Eta) // quantiles are found to a tolerance
	if f.Hi-f.Lo > 2.5*f.Eta+60 {
		g := because(TooEarly, "too early to say")
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
		if wx < 3e-4 || e.away && x.law.room {
			continue
		}
		tot += wx
		n := x.nodes(target)
		first, void, lost := m.n, 0.0, 0.0
		for k := range n {
			w, s := x.node(k, n)
			d := s[sT] - s[sTa]
			if s[sR]*d >= 0 && n > 1 {
				void += w // an equilibrium that the wax has already passed
				continue
			}
			p, ok := crossing(s[sT], s[sR], s[sTa], s[sN], target)
			if !ok || p.t > farthest || s[sR]*float64(x.law.dir) <= 0 || x.law.room && s[sR] > -d/laziest {
				lost += w
				continue
			}
			p.t = math.Max(p.t, 0.5)
			v := x.spread(&p.g, n > 1)/(p.t*p.t) + x.wanders(p.t)
			if x.law.k > 0 {
				p.t, v = x.relax(s, target, p, v, e.at-e.since)
			}
			m.add(w, math.Log(p.t), math.Min(math.Sqrt(v), 2))
		}
		if void > 0.999 {
			void, lost = 0, 1
		}
		c := wx / (1 - void)
		m.lost += lost * c
		for k := first; k < m.n; k++ {
			m.w[k] *= c
		}
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
			sd = math.Sqrt(math.Max(0, x.p[0][0]+2*s*x.p[0][1]+s*s*x.p[1][1]))
		}
		m.add(wx, temp, sd)
	}
	if m.n == 0 {
		return 0, 0, 0, false
	}
	m.seal()
	keep := func(c float64) float64 { return math.Min(math.Max(c, coldest), hottest) }
	mid = keep(m.quantile(0.5))
	wide := e.strays(s) * widen(s)
	lo = math.Min(keep(mid+wide*(m.quantile((1-level)/2)-mid)), mid)
	hi = math.Max(keep(mid+wide*(m.quantile((1+level)/2)-mid)), mid)
	return lo, mid, hi, true
}

// Band says when wax cooling through a pour window comes to its top and to its
// bottom, and how long it stays inside: from the opening, or from now when it
// is inside already.
func (e *Engine) Band(high, low float64) (open, shut Forecast, openFor Forecast) {
	open = e.Crossing(high, Cooling)
	shut = e.Crossing(low, Cooling)
	openFor = shut
	if open.Status == OK && shut.Status == OK {
		openFor.Eta = math.Max(0, shut.Eta-open.Eta)
		openFor.Lo = math.Max(0, math.Min(shut.Lo-open.Lo, openFor.Eta))
		openFor.Hi = math.Max(shut.Hi-open.Hi, openFor.Eta)
	}
	return open, shut, openFor
}

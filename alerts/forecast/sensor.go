package forecast

import "math"

// noise learns a sensor's own scatter from the second differences of its
// readings, which the wax is too slow to show in, and the size of its digit.
type noise struct {
	t1, c1, t2, c2 float64 // the last reading and the one before
	have           int
	v, w           float64 // running mean of the variance, and its weight
	digit          float64 // smallest step seen, K
	steps          int
}

const (
	noisePrior = 0.05 // K, of a sensor nobody knows
	noiseFloor = 0.004
	noiseSpan  = 300.0 // readings
)

func (n *noise) begin(t, c float64) {
	*n = noise{t1: t, c1: c, have: 1, v: noisePrior * noisePrior, w: 4}
}

func (n *noise) add(t, c, dt float64) {
	if d := math.Abs(c - n.c1); d > 1e-6 {
		if n.steps == 0 || d < n.digit*(1-1e-6) {
			n.digit = d
		}
		n.steps++
	}
	if n.have >= 2 && dt < 30 && n.t1-n.t2 < 30 && n.t1 > n.t2 {
		rho := dt / (n.t1 - n.t2)
		if rho < 4 {
			e := c - n.c1 - rho*(n.c1-n.c2)
			s := e * e / (1 + (1+rho)*(1+rho) + rho*rho)
			s = math.Min(s, 9*n.variance())
			n.w = math.Min(n.w+1, noiseSpan)
			n.v += (s - n.v) / n.w
		}
	}
	n.t2, n.c2, n.t1, n.c1 = n.t1, n.c1, t, c
	if n.have < 2 {
		n.have++
	}
}

// coarse tells whether the digit, not the scatter, limits the sensor.
func (n *noise) coarse() bool {
	return (n.steps >= 8 || n.steps >= 2 && n.digit >= 0.2) && n.digit > 3*n.sd()
}

// variance is that of one reading, K².
func (n *noise) variance() float64 {
	v := math.Max(n.v, noiseFloor*noiseFloor)
	if n.steps >= 8 || n.steps >= 2 && n.digit >= 0.2 {
		v = math.Max(v, n.digit*n.digit/12)
	}
	return v
}

// trust grows from near 0 to 1 as the variance becomes known.
func (n *noise) trust() float64 { return (n.w - 3) / (n.w + 12) }

func (n *noise) sd() float64 { return math.Sqrt(math.Max(n.v, noiseFloor*noiseFloor)) }

// wobble learns how much the reading strays over some twenty seconds, beyond the
// sensor's own scatter: warm and cool plumes past the probe, stirring, air over a
// wire. It looks at second differences of five-second means, twenty seconds
// apart, in which the wax's own curve hardly shows.
type wobble struct {
	t0, sc float64
	n      int
	mean   [2*wobbleLag + 1]float64
	have   int
	v, w   float64 // mean square of the differences, less the sensor's share; weight
}

const (
	wobbleStep = 5.0 // s
	wobbleLag  = 4   // steps
	wobbleLow  = 0.02 * 0.02 * 6
)

func (b *wobble) begin() { *b = wobble{v: wobbleLow * 2, w: 8} }

func (b *wobble) add(t, c, noise float64) {
	if b.n == 0 && b.have == 0 {
		b.t0 = t
	}
	if t >= b.t0+wobbleStep {
		if b.n == 0 || t >= b.t0+2.5*wobbleStep { // a pause
			b.t0, b.sc, b.n, b.have = t, c, 1, 0
			return
		}
		if b.have == len(b.mean) {
			copy(b.mean[:], b.mean[1:])
			b.have--
		}
		b.mean[b.have] = b.sc / float64(b.n)
		b.have++
		if b.have == len(b.mean) {
			d := b.mean[0] - 2*b.mean[wobbleLag] + b.mean[2*wobbleLag]
			s := math.Max(d*d-6*noise/float64(b.n), 0)
			s = math.Min(s, 8*b.v+wobbleLow)
			b.w = math.Min(b.w+1, 120)
			b.v += (s - b.v) / b.w
		}
		b.t0 += wobbleStep
		b.sc, b.n = 0, 0
	}
	b.sc += c
	b.n++
}

// pause forgets the means, not what they taught.
func (b *wobble) pause() { b.n, b.sc, b.have = 0, 0, 0 }

// sd is the standard deviation of a wobble with time tau that explains what was
// seen: its second difference has the variance sd² (6 - 8 ρ(lag) + 2 ρ(2 lag)).
func (b *wobble) sd(tau float64) float64 {
	h := wobbleStep * wobbleLag / tau
	r1, r2 := (1+h)*math.Exp(-h), (1+2*h)*math.Exp(-2*h)
	return math.Sqrt(math.Max(b.v, wobbleLow) / (6 - 8*r1 + 2*r2))
}

// block averages readings.
type block struct {
	n      int
	st, sc float64
	t0     float64
	c0     float64 // the first reading
}

func (b *block) add(t, c float64) {
	if b.n == 0 {
		b.t0, b.c0 = t, c
	}
	b.n++
	b.st += t - b.t0
	b.sc += c
}

// span is how much time the block covers at t when readings come every dt.
func (b *block) span(t, dt float64) float64 {
	if b.n == 0 {
		return 0
	}
	return t - b.t0 + dt
}

func (b *block) take() (t, c float64, n int) {
	t, c, n = b.t0+b.st/float64(b.n), b.sc/float64(b.n), b.n
	*b = block{}
	return t, c, n
}

// hold keeps readings aside that don't fit, until it is clear what they were:
// one wild value, a probe out of the wax, or a step of the wax itself.
type hold struct {
	on     bool
	forced bool // told that the probe is out
	since  float64
	from   float64 // °C expected when it began
	n      int     // readings in ring
	seen   int     // readings since it began
	back   int     // readings in a row that fit again
	out    bool    // looks like air
	ring   [ringSize]struct{ t, c float64 }
}

const ringSize = 64

func (h *hold) force(t float64) {
	if !h.on {
		*h = hold{on: true, forced: true, since: t}
	}
	h.out = true
}

func (h *hold) push(t, c float64) {
	if h.n == ringSize {
		copy(h.ring[:], h.ring[1:])
		h.n--
	}
	// Fast sensors: keep at most a few a second so that the ring spans a minute.
	if h.n > 0 && t-h.ring[h.n-1].t < 0.9 {
		return
	}
	h.ring[h.n].t, h.ring[h.n].c = t, c
	h.n++
}

// line fits the ring's readings from index i to j: level at t, slope and its
// standard error.
func (h *hold) line(i, j int, t, sd float64) (level, slope, se float64) {
	var n, st, sc float64
	for k := i; k < j; k++ {
		n++
		st += h.ring[k].t
		sc += h.ring[k].c
	}
	mt, mc := st/n, sc/n
	var stt, stc float64
	for k := i; k < j; k++ {
		dt := h.ring[k].t - mt
		stt += dt * dt
		stc += dt * (h.ring[k].c - mc)
	}
	if stt == 0 {
		return mc, 0, math.Inf(1)
	}
	slope = stc / stt
	return mc + slope*(t-mt), slope, sd / math.Sqrt(stt)
}

// fits reports whether a reading belongs to the wax as the experts see it; one
// that doesn't is put aside.
func (e *Engine) fits(t, c float64) bool {
	h := &e.hold
	pred, sd := e.expect(t)
	off := c - pred
	gate := math.Max(6*math.Sqrt(sd*sd+e.noise.variance()), 0.7)
	if e.count < 4 {
		gate = math.Max(gate, 1.5)
	} else if t < e.stepUntil {
		// The fragrance is expected to cool the wax: a small step counts too.
		gate = math.Max(5*math.Sqrt(sd*sd+e.noise.variance()), 0.35)
	}
	if e.noise.steps >= 2 {
		gate = math.Max(gate, 1.7*e.noise.digit) // a coarse sensor steps by its digit
	}
	if !h.on {
		if math.Abs(off) <= gate {
			return true
		}
		*h = hold{on: true, since: t, from: pred}
	}
	h.seen++
	if math.Abs(off) <= gate && !(h.forced && t-h.since < 10) {
		h.back++
		if h.back >= 2 || h.seen <= 2 && !h.forced {
			// It was a wild value or the probe's excursion: the old fit holds.
			if h.seen > 6 {
				e.notice(ProbeBack, t)
			}
			*h = hold{}
			return true
		}
		h.push(t, c)
		return false
	}
	h.back = 0
	h.push(t, c)
	e.settle(t, pred)
	return false
}

// expect is where the wax should be at t, and how sure that is.
func (e *Engine) expect(t float64) (c, sd float64) {
	dt := t - e.at
	if e.mode == 0 || e.nbank == 0 {
		x := &e.track
		v := x.p[0][0] + 2*dt*x.p[0][1] + dt*dt*x.p[1][1] + trackQ*trackQ*dt*dt*dt/3
		return x.x[sT] + dt*x.x[sR], math.Sqrt(v)
	}
	bi := 0
	for i := range e.bank[:e.nbank] {
		if e.bank[i].lw > e.bank[bi].lw {
			bi = i
		}
	}
	x := &e.bank[bi]
	c, _ = path(x.x[sT], x.x[sR], x.x[sTa], x.x[sN], dt)
	v := x.p[0][0] + 2*dt*x.p[0][1] + dt*dt*x.p[1][1]
	// A pause may hide a change of regime: the rate may have doubled or ended.
	d := math.Max(math.Abs(x.x[sR]), 0.01) * math.Max(dt-2, 0) * 0.5
	return c, math.Sqrt(v + d*d)
}

// settle ends a hold once the readings put aside make a curve of their own.
func (e *Engine) settle(t, pred float64) {
	h := &e.hold
	if h.n < 5 {
		return
	}
	sd := math.Sqrt(e.noise.variance())
	// The newest half minute, at least six readings.
	i := h.n - 6
	for i > 0 && t-h.ring[i-1].t <= 24 {
		i--
	}
	if i < 0 || t-h.ring[i].t < 15 || h.n-i < 6 {
		if e.count < 4 && h.n >= 5 {
			// The first reading was the wild one.
			first := h.ring[0]
			ring, n := h.ring, h.n
			e.begin(first.t, first.c)
			for k := 1; k < n; k++ {
				e.Add(ring[k].t, ring[k].c)
			}
		}
		return
	}
	mid := (i + h.n) / 2
	_, s1, se1 := h.line(i, mid, t, sd)
	_, s2, se2 := h.line(mid, h.n, t, sd)
	level, s, se := h.line(i, h.n, t, sd)
	r := e.track.x[sR]
	if e.mode != 0 {
		r, _ = e.Rate()
	}
	steady := math.Abs(s2-s1) < 2*math.Hypot(se1, se2)+0.004+0.25*math.Abs(r)
	sane := math.Abs(s) < math.Max(4*math.Abs(r), 0.12)
	air, _ := e.roomPrior(&e.laws[0][0])
	if drop := h.from - level; drop > 12 && h.from-air > 20 {
		// Far below the wax: in air, on the way there, or on the table.
		if !h.out {
			h.out = true
			e.notice(ProbeOut, h.since)
		}
	}
	limit := 150.0
	if h.out {
		limit = 900
		if level-air < 0.35*(h.from-air) || !steady {
			sane = false
		}
	}
	if !(steady && sane) && t-h.since < limit {
		return
	}
	e.jump(t, level, s, se, sd)
}

// jump moves the whole bank to a new level.
func (e *Engine) jump(t, level, s, se, sd float64) {
	h := &e.hold
	from := h.from
	step := level - from
	thinner := 1.0
	if t < e.stepUntil+60 {
		thinner = e.thinner()
	}
	at := h.since
	out := h.out
	*h = hold{}
	vt := sd*sd/4 + 0.02*0.02
	move := func(x *expert) {
		dt := t - e.at
		if x.law.dir != 0 {
			x.advance(dt, x.law.drift)
			d0 := x.gap()
			x.x[sT] = level
			d1 := x.gap()
			x.x[sR] *= math.Pow(d1/d0, x.x[sN]) * thinner
		}
		r := x.x[sR]
		if x.law.dir == 0 || math.Abs(s-r) > 3*se+0.5*math.Abs(r) || out {
			x.x[sR] = s
			x.p[sR] = [dim]float64{}
			for i := range x.p {
				x.p[i][sR] = 0
			}
			v := 2*se + 0.3*math.Abs(s) + 1e-3
			x.p[sR][sR] = v * v
		} else {
			x.p[sR][sR] += 0.15 * 0.15 * r * r
		}
		x.x[sT] = level
		for i := range x.p {
			x.p[i][sT], x.p[sT][i] = 0, 0
		}
		x.p[sT][sT] = vt
		x.x[sW], x.x[sV] = 0, 0
		for i := range x.p {
			x.p[i][sW], x.p[sW][i] = 0, 0
			x.p[i][sV], x.p[sV][i] = 0, 0
		}
		x.wobble()
		x.miss = 0
	}
	for i := range e.bank[:e.nbank] {
		move(&e.bank[i])
	}
	move(&e.track)
	e.at = t
	e.blk = block{}
	e.goodAt = t
	e.since = t
	e.breakRecord()
	e.noise.have = 0
	e.wobble.pause()
	switch {
	case out:
		e.notice(ProbeBack, t)
	case t < e.stepUntil+60:
		// The maker told of the fragrance: this was it.
		e.stepUntil = math.Inf(-1)
	case !e.scented && from > 55 && e.scentStep(from, step):
		e.scented = true
		e.notice(ScentIn, at)
	default:
		e.notice(Change, at)
	}
}

// Specific heats of liquid wax and of fragrance oil, kJ/(kg K): waxes 2.1 to 2.9
// and oils near 1.9 in common tables.
const (
	waxHeat = 2.3
	oilHeat = 1.9
)

// scentStep tells whether a step could be the fragrance going in: by the energy
// balance when the masses are known, else by its size.
func (e *Engine) scentStep(from, step float64) bool {
	if e.k.OilGrams <= 0 || e.k.WaxGrams <= 0 {
		return step < -1 && step > -12
	}
	oil := e.k.OilCelsius
	if oil == 0 {
		oil = defaultRoom
	}
	mo, mw := e.k.OilGrams*oilHeat, e.k.WaxGrams*waxHeat
	want := -mo * (from - oil) / (mo + mw)
	return step < 0.4*want && step > 2.2*want
}

// thinner is by how much the fragrance's own heat slows the wax.
func (e *Engine) thinner() float64 {
	if e.k.OilGrams <= 0 || e.k.WaxGrams <= 0 {
		return 1
	}
	mo, mw := e.k.OilGrams*oilHeat, e.k.WaxGrams*waxHeat
	return mw / (mo + mw)
}

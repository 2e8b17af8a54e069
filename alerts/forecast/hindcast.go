package forecast

import "math"

// hindcast asks a while later how good the forecasts of a while ago were: the
// pot's own record of how far its path strays from what the experts allow. One
// looks a fixed time ahead.
type hindcast struct {
	ahead   float64 // s
	next    float64 // s, when the next forecast is kept
	ring    [hindRing]kept
	first   int
	n       int
	sum, wt float64 // of squared standard errors, faded
}

type kept struct{ due, mid, sd, from float64 }

const (
	hindRing   = 32
	hindPer    = 24.0   // forecasts kept for each look ahead
	hindMemory = 2700.0 // s
	hindPrior  = 6.0    // independent looks that the prior scale of 1 is worth
)

// hindAhead are the looks ahead, s.
var hindAhead = [...]float64{60, 240, 900}

func (h *hindcast) forget() { h.n, h.first, h.next = 0, 0, 0 }

// review keeps and judges forecasts; it is called after every update.
func (e *Engine) review() {
	if e.mode == 0 || e.at-e.first < minAge {
		return
	}
	var now, vnow, rate float64
	have := false
	for i := range e.hind {
		h := &e.hind[i]
		for h.n > 0 && h.ring[h.first].due <= e.at {
			k := h.ring[h.first]
			h.first = (h.first + 1) % hindRing
			h.n--
			if !have {
				now, vnow = e.moments(0)
				rate, _ = e.Rate()
				have = true
			}
			c := now - rate*(e.at-k.due)
			z2 := (c - k.mid) * (c - k.mid) / (k.sd*k.sd + vnow)
			if i == 1 {
				e.settingNow(k.from-k.mid, k.from-c)
			}
			g := math.Exp(-h.ahead / hindPer / hindMemory)
			h.sum = h.sum*g + math.Min(z2, 8)
			h.wt = h.wt*g + 1
		}
		if e.at >= h.next && h.n < hindRing {
			mid, v := e.moments(h.ahead)
			h.ring[(h.first+h.n)%hindRing] = kept{e.at + h.ahead, mid, math.Sqrt(v), e.track.x[sT]}
			h.n++
			h.next = e.at + h.ahead/hindPer
		}
	}
}

// moments is the mean and variance of the temperature s seconds after the
// state's time, over all experts.
func (e *Engine) moments(s float64) (mean, v float64) {
	var w0, m1, m2 float64
	ref := e.track.x[sT]
	for i := range e.bank[:e.nbank] {
		x := &e.bank[i]
		if x.lw < -7 {
			continue
		}
		w := math.Exp(x.lw)
		m, sd := x.ahead(s)
		m -= ref
		w0 += w
		m1 += w * m
		m2 += w * (m*m + sd*sd)
	}
	m1 /= w0
	return ref + m1, math.Max(m2/w0-m1*m1, 1e-8)
}

// ahead is where one expert sees the wax in s seconds.
func (x *expert) ahead(s float64) (mean, sd float64) {
	if s <= 0 {
		return x.x[sT], math.Sqrt(math.Max(0, x.p[sT][sT]))
	}
	temp, rate := path(x.x[sT], x.x[sR], x.x[sTa], x.x[sN], s)
	p, ok := crossing(x.x[sT], x.x[sR], x.x[sTa], x.x[sN], temp)
	if !ok {
		return temp, math.Sqrt(math.Max(0, x.p[0][0]+2*s*x.p[0][1]+s*s*x.p[1][1])) // rounding may bring it below
	}
	return temp, math.Sqrt((x.spread(&p.g, false) + x.q*x.q*s*s*s/3) * rate * rate)
}

// strays is by how much the intervals s seconds ahead should be wider than the
// experts say, from the pot's own record; 1 while there is none.
func (e *Engine) strays(s float64) float64 {
	f := func(h *hindcast) float64 {
		n := h.wt / hindPer * hindGain
		m := 1.0
		if h.wt > 0 {
			m = h.sum / h.wt
		}
		return (hindPrior + n*m) / (hindPrior + n)
	}
	h := &e.hind
	last := len(h) - 1
	v := 0.0
	switch {
	case s <= h[0].ahead:
		v = f(&h[0])
	case s >= h[last].ahead:
		v = f(&h[last])
	default:
		for i := range last {
			if s <= h[i+1].ahead {
				w := math.Log(s/h[i].ahead) / math.Log(h[i+1].ahead/h[i].ahead)
				v = (1-w)*f(&h[i]) + w*f(&h[i+1])
				break
			}
		}
	}
	return math.Sqrt(math.Min(math.Max(v, 0.6), 2.5))
}

const hindGain = 1.5

// settingNow compares the fall of four minutes with the one expected.
func (e *Engine) settingNow(expected, fell float64) {
	t := e.track.x[sT]
	if e.mode != Cooling || t < setFrom || t > setTo || expected < math.Max(1, 10*e.noise.sd()) {
		return
	}
	switch q := fell / expected; {
	case q < setSlow && e.at-e.modeAt > 300 && math.Abs(e.track.x[sR]) < setRate:
		e.plateau = true
	case q > 2*setSlow:
		e.plateau = false
	}
}

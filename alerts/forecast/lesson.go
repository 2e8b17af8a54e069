package forecast

import "math"

const (
	lessonGap   = 40.0 // K from the equilibrium at which a lesson's k holds
	lessonLeast = 4.0  // min of curve that a lesson needs
	maxLessons  = 32
	// massPower is how k goes with the mass in a given jug. k = hA/mc would give
	// -1 for a fixed area; wetted area grows with the filling.
	massPower = -0.7
)

// Lessons returns what this batch has taught so far, the stretch that is going
// on included. Give them to the next batch's [Known].
func (e *Engine) Lessons() []Lesson {
	out := append([]Lesson(nil), e.lessons...)
	if l, ok := e.lesson(); ok {
		out = append(out, l)
	}
	return out
}

// learn closes the stretch that ends.
func (e *Engine) learn() {
	if l, ok := e.lesson(); ok && len(e.lessons) < maxLessons {
		e.lessons = append(e.lessons, l)
	}
}

// lesson is what the present stretch has taught.
func (e *Engine) lesson() (Lesson, bool) {
	began := math.Max(e.modeAt, e.regimeAt)
	minutes := (e.at - began) / 60
	if e.mode == 0 || minutes < lessonLeast || e.hold.on || e.plateau {
		return Lesson{}, false
	}
	reg := e.regime
	if reg == RegimeUnknown {
		reg = RegimeBench
		if e.mode == Heating {
			reg = RegimeHeating
		}
	}
	var w, ta, n, lk, sd float64
	for i := range e.bank[:e.nbank] {
		x := &e.bank[i]
		if x.q >= quickQ {
			continue // knows the rate, not the law
		}
		d := x.gap()
		if x.x[sR]*d >= 0 {
			continue
		}
		p := math.Exp(x.lw)
		w += p
		ta += p * x.x[sTa]
		n += p * x.x[sN]
		lk += p * (math.Log(-x.x[sR]/d) - (x.x[sN]-1)*math.Log(math.Abs(d)/lessonGap))
		sd += p * math.Hypot(x.wob, math.Sqrt(x.p[sT][sT]))
	}
	if w == 0 {
		return Lesson{}, false
	}
	return Lesson{
		Jug: e.k.Jug, Regime: reg, WaxGrams: e.k.WaxGrams,
		K: math.Exp(lk / w), Exponent: n / w, Ambient: ta / w, Residual: sd / w, Minutes: minutes,
	}, true
}

// learnt is the law that the shop's earlier batches in this jug followed; its
// weight is 0 when there were none.
func (e *Engine) learnt(dir Direction) law {
	l := law{name: "as learnt", dir: dir, room: dir == Cooling, drift: roomDrift}
	want := RegimeBench
	if dir == Heating {
		want = RegimeHeating
	}
	var w, lk, n, ta, lk2, ta2, n2 float64
	if dir == Cooling {
		e.learntRoom = 0
	}
	for i := range e.k.Lessons {
		s := &e.k.Lessons[i]
		if s.Regime != want || s.Jug != e.k.Jug || !(s.K > 0) || s.K > 1 {
			continue
		}
		q := math.Log(s.K)
		p := math.Min(s.Minutes, 30)
		if s.WaxGrams > 0 && e.k.WaxGrams > 0 {
			m := math.Log(e.k.WaxGrams / s.WaxGrams)
			q += massPower * m
			p *= math.Exp(-math.Abs(m) * 2)
		}
		// The newest teach most: they come last.
		p *= math.Exp(-0.2 * float64(len(e.k.Lessons)-1-i))
		ex := s.Exponent
		if ex == 0 {
			ex = 1
		}
		w += p
		lk += p * q
		lk2 += p * q * q
		n += p * ex
		n2 += p * ex * ex
		ta += p * s.Ambient
		ta2 += p * s.Ambient * s.Ambient
	}
	if !(w > 0.5) {
		return l
	}
	spread := func(a, a2 float64) float64 { return math.Sqrt(math.Max(a2/w-a*a/w/w, 0)) }
	l.weight = 10
	if dir == Cooling {
		e.learntRoom = ta / w
	}
	l.k, l.ksd = math.Exp(lk/w), math.Hypot(0.06, spread(lk, lk2))
	l.n, l.nsd = n/w, math.Hypot(0.05, spread(n, n2))
	if dir == Heating {
		l.n, l.nsd = 1, 0
		l.ta, l.tasd, l.drift = ta/w, math.Hypot(1.5, spread(ta, ta2)), 0
	}
	return l
}

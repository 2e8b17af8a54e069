package forecast

import (
	"fmt"
	"math"
)

// Tuning of the engine. What was fitted to simulated pots is said so; see the
// package documentation for how.
const (
	level = 0.9 // of the intervals

	defaultRoom   = 22.0 // °C, a kitchen nobody measured
	defaultRoomSD = 4.5  // K
	guessRoomSD   = 2.5  // K, a room temperature somebody guessed
	learntRoomSD  = 3.0  // K, that of earlier batches
	bathProbeSD   = 2.0  // K, a measured bath against what the jug feels
	probeRoomSD   = 0.8  // K, a measured one against what the pot feels
	exactRoomSD   = 0.12 // K, the same for the law in its purest form
	defaultBoil   = 99.0 // °C, water a little above the sea

	evidenceMemory = 2400.0 // s over which old evidence fades
	missLimit      = 12.0   // nats by which the quick expert must beat another to take it over
	changePrice    = 3.0    // nats, for a change nobody told of
	wobblePlain    = 0.06   // K, a wobble that is nothing out of the ordinary
	reseedTime     = 40.0   // s, over which a wobble may have passed for a change of rate
	minAge         = 20.0   // s of curve before anything is said
)

// manners are the ways in which a pot may stray from the law: how far the rate
// wanders (relative, in 1/√s; 1e-3 lets it move by 2.4 % in ten minutes), and
// for how long the reading wobbles (s; 0 for not at all). How much it wobbles is
// learnt.
var manners = [...]struct{ q, time, prior float64 }{
	{0, 0, 0.27},
	{2.5e-4, 0, 0.22},
	{1e-3, 0, 0.15},
	{3e-4, 8, 0.11},
	{1e-3, 30, 0.1},
	{4e-3, 0, 0.1},
	{1.5e-2, 0, 0.05},
}

const (
	nq     = len(manners)
	quickQ = 4e-3 // an expert that wanders this much is quick
	maxLaw = 5
	maxExp = nq * maxLaw
)

// Engine forecasts one pot. The zero value is not ready; use [New]. It is not
// safe for concurrent use.
type Engine struct {
	k    Known
	laws [2][maxLaw]law // cooling, heating

	// The bank of experts for the direction the wax is going, and the tracker
	// that knows nothing of the law and sees every change first.
	bank  [maxExp]expert
	nbank int
	mode  Direction // 0 until the curve has said which way it goes
	track expert
	none  law // the tracker's

	started  bool
	first    float64 // s, of the curve
	began    float64 // °C, at its first reading
	at       float64 // s, time of the state
	last     float64 // s, time of the last reading given, of any use
	goodAt   float64 // s, time of the last reading that was used
	count    int     // good readings
	since    float64 // s, since when the present regime holds
	modeAt   float64
	blk      block
	noise    noise
	wobble   wobble
	hold     hold
	stale    int // readings in a row that came from the past
	room     float64
	roomAt   float64
	haveRoom bool
	bath     float64
	haveBath bool
	congeal  string // why there is no time below the congealing point

	regime    Regime
	regimeAt  float64
	scented   bool
	stepUntil float64   // s, a step down is expected until then
	flipAsk   Direction // the maker told which way it will go
	bathAt    float64
	nextStart float64
	kept      float64 // 1/s, how fast the pot went while it last went steadily
	plateau   bool
	judged    bool // the last change has been named

	noticed    [16]Noticed
	nnoticed   int
	lessons    []Lesson
	lowest     float64 // °C, since the wax goes this way
	highest    float64
	learntRoom float64 // °C, of earlier batches; 0 = none
	quickest   float64 // 1/s, greatest rate over distance to boiling while heating

	hind  [len(hindAhead)]hindcast
	bend  bend
	away  bool    // from the room's equilibrium
	awayK float64 // 1/s, least rate over distance to the room since then
	mix   mixture
}

// New returns an engine that has seen nothing yet.
func New(k Known) *Engine {
	e := &Engine{regime: RegimeUnknown, stepUntil: math.Inf(-1), judged: true}
	e.none = law{name: "straight"}
	e.Know(k)
	return e
}

// Know replaces what is known of the pot; the curve seen so far is kept.
func (e *Engine) Know(k Known) {
	e.k = k
	e.k.Lessons = append([]Lesson(nil), k.Lessons...)
	e.congeal = fmt.Sprintf("the target lies below the congealing point (%.0f °C); wax gives off heat while it sets, and no time can be told", k.Congeal)
	e.setLaws()
	if e.mode == Cooling && k.Room != 0 && !e.haveRoom {
		for i := range e.bank[:e.nbank] {
			if x := &e.bank[i]; x.law.room {
				x.measure(sTa, k.Room, guessRoomSD*guessRoomSD+1, 3)
			}
		}
	}
}

func (e *Engine) setLaws() {
	boil := e.k.Boiling
	if boil == 0 {
		boil = defaultBoil
	}
	e.laws[0] = [maxLaw]law{
		{name: "newton", dir: Cooling, weight: 0.7, n: 1, room: true, drift: roomDrift},
		{name: "convection", dir: Cooling, weight: 0.35, n: 1.2, nsd: 0.1, room: true, drift: roomDrift},
		{name: "evaporation", dir: Cooling, weight: 0.15, n: 1.7, nsd: 0.4, room: true, drift: roomDrift, fade: vapourFade},
		{name: "elsewhere", dir: Cooling, weight: 0.22, n: 1, ta: 50, tasd: 20, drift: bathDrift},
		e.learnt(Cooling),
	}
	e.laws[1] = [maxLaw]law{
		{name: "boiling bath", dir: Heating, weight: 0.45, n: 1, ta: boil - 3, tasd: 3},
		{name: "any bath", dir: Heating, weight: 0.3, n: 1, ta: 85, tasd: 12},
		{name: "constant power", dir: Heating, weight: 0.2, n: 0, nsd: 0.2, ta: boil - 5, tasd: 6},
		{name: "slack", dir: Heating, weight: 0.05, n: 0.6, nsd: 0.5, ta: 92, tasd: 8},
		e.learnt(Heating),
	}
}

// Add takes in a good reading of the pot, at t seconds on the caller's line.
// Readings that come twice or late are left out; one that no wax could give is
// put aside until those after it say what it was.
func (e *Engine) Add(t, celsius float64) {
	if math.IsNaN(t) || math.IsInf(t, 0) || math.IsNaN(celsius) || celsius < coldest || celsius > hottest {
		return
	}
	if !e.started {
		e.begin(t, celsius)
		return
	}
	if t <= e.last {
		// A late or repeated one. When nothing else comes any more, the
		// caller's line itself has stepped back: start again from there.
		if t < e.last {
			if e.stale++; e.stale >= 10 {
				e.stale = 0
				d := t - e.last
				e.last, e.at, e.goodAt = t, t, t
				for _, was := range []*float64{&e.first, &e.since, &e.modeAt, &e.regimeAt, &e.stepUntil, &e.nextStart, &e.roomAt, &e.bathAt} {
					*was += d
				}
				e.hold = hold{}
				e.blk = block{}
				e.wobble.pause()
				e.breakRecord()
			}
		}
		return
	}
	e.stale = 0
	dt := t - e.last
	e.last = t
	if !e.fits(t, celsius) {
		return
	}
	e.noise.add(t, celsius, dt)
	e.wobble.add(t, celsius, e.noise.variance())
	e.goodAt = t
	e.count++
	coarse := e.noise.coarse()
	if coarse && e.blk.n > 0 && math.Abs(celsius-e.blk.c0) > 0.5*e.noise.digit && e.blk.span(t, 0) >= minBlock {
		// The digit has changed: in the middle of its stay the wax was there.
		e.close()
	}
	e.blk.add(t, celsius)
	most := minBlock
	if coarse {
		most = maxBlock
	}
	if e.blk.span(t, dt) >= most {
		e.close()
	}
}

func (e *Engine) begin(t, c float64) {
	e.started = true
	e.first, e.at, e.last, e.since, e.modeAt = t, t, t, t, t
	e.began = c
	e.goodAt, e.count = t, 1
	e.noise.begin(t, c)
	e.wobble.begin()
	e.track = expert{law: &e.none, q: 0}
	e.track.x = [dim]float64{c, 0, 0, 0}
	e.track.p[sT][sT] = 0.3 * 0.3
	e.track.p[sR][sR] = 0.1 * 0.1
	e.mode, e.nbank = 0, 0
	e.hold = hold{}
	e.blk = block{}
	e.forgetRecord()
}

// forgetRecord starts the hindcasts anew.
func (e *Engine) forgetRecord() {
	for i := range e.hind {
		e.hind[i] = hindcast{ahead: hindAhead[i]}
	}
}

// breakRecord drops the forecasts that a change of regime has overtaken.
func (e *Engine) breakRecord() {
	for i := range e.hind {
		e.hind[i].forget()
	}
	e.bend = bend{}
	e.away = false
}

// Readings are averaged over a second before they are taken in, and those of a
// coarse sensor for as long as it shows the same digit, s.
const (
	minBlock = 0.95
	maxBlock = 90.0
)

func (e *Engine) close() {
	t, c, n := e.blk.take()
	e.update(t, c, n)
}

// update moves every expert to t and takes in the mean c of n readings.
func (e *Engine) update(t, c float64, n int) {
	dt := t - e.at
	if dt <= 0 {
		return
	}
	v := e.noise.variance() / float64(n)
	e.at = t
	// The tracker's wandering is absolute: it must see the wax start and stop.
	e.track.x[sN] = 0
	e.trackStep(dt)
	lt := e.track.measure(sT, c, v, 4)
	if e.mode != 0 {
		e.step(dt, t, c, v, lt)
		e.startup()
		e.review()
		e.watchMelt()
		e.judge()
		e.bend.add(t, c)
		if e.mode == Cooling && e.bend.n == 1 {
			e.wander()
		}
	}
	e.pickMode(t)
}

// wander decides whether the wax is on its way to somewhere warmer than the room.
// Once it is, it stays so until the curve clearly says otherwise, or goes faster.
func (e *Engine) wander() {
	room, _ := e.roomPrior(&e.laws[0][1])
	away, clear := e.bend.away(room, math.Hypot(0.8*e.wobble.sd(8), e.noise.sd()/5))
	r, _ := e.rate()
	k := -r / math.Max(e.track.x[sT]-room, 1)
	switch {
	case away && !e.away:
		e.away, e.awayK = true, k
	case away:
		e.awayK = math.Min(e.awayK, k)
	case clear || k > bendLift*e.awayK:
		e.away = false
	case e.away:
		e.awayK = math.Min(e.awayK, k)
	}
}

const trackQ = 4e-4 // K/s per √s

func (e *Engine) trackStep(dt float64) {
	x := &e.track
	x.x[sT] += x.x[sR] * dt
	p := &x.p
	q := trackQ * trackQ
	p[0][0] += 2*dt*p[0][1] + dt*dt*p[1][1] + q*dt*dt*dt/3
	p[0][1] += dt*p[1][1] + q*dt*dt/2
	p[1][0] = p[0][1]
	p[1][1] += q * dt
}

// step moves the bank.
func (e *Engine) step(dt, t, c, v, lt float64) {
	fade := math.Exp(-dt / evidenceMemory)
	quick, best := -1, math.Inf(-1)
	var ll [maxExp]float64
	// While the sensor's scatter is hardly known, likelihoods count for less.
	trust := e.noise.trust()
	for i := range e.bank[:e.nbank] {
		x := &e.bank[i]
		if x.tau > 0 {
			x.wob = e.wobbleOf(x)
		}
		x.advance(dt, x.law.drift)
		ll[i] = trust * x.read(c, v, 4)
		if math.IsNaN(ll[i]) {
			*x = expert{law: x.law, q: x.q, wob: x.wob, tau: x.tau, pri: x.pri, lw: x.pri - 20}
			e.plant(x)
			ll[i] = -20
		}
		x.lw = (x.lw-x.pri)*fade + x.pri + ll[i]
		if x.law.k > 0 {
			z := math.Log(math.Max(x.x[sR]/x.law.rate(x.gap()), 0.05)) / learntLater
			x.lw -= dt / settling * math.Min(z*z, 12) / 2
		}
		if x.q >= quickQ && x.lw > best {
			quick, best = i, x.lw
		}
	}
	// Who has missed a change is taken over by the eyes of the quick expert of
	// its own law; those about to be go with it, lest the order decide between
	// laws.
	// Where the reading wobbles, a change must show longer before it is one.
	w := e.wobble.sd(8) / wobblePlain
	most := missLimit * math.Min(1+w*w, 2)
	limit := most
	for i := range e.bank[:e.nbank] {
		x := &e.bank[i]
		if x.q >= quickQ {
			continue
		}
		x.miss = math.Max(0, x.miss+ll[quick]-ll[i]-0.02*math.Min(dt, 1))
		if x.miss > most {
			limit = most / 2
		}
	}
	if limit < most {
		lead := math.Inf(-1)
		for i := range e.bank[:e.nbank] {
			if x := &e.bank[i]; x.q < quickQ {
				lead = math.Max(lead, x.lw)
			}
		}
		if e.bank[quick].lw > lead {
			e.since, e.judged = e.at, false
		}
		for i := range e.bank[:e.nbank] {
			x := &e.bank[i]
			if x.q < quickQ && x.miss > limit {
				e.reseed(x, e.quickOf(x.law, quick))
			}
		}
	}
	top := math.Inf(-1)
	for i := range e.bank[:e.nbank] {
		top = math.Max(top, e.bank[i].lw)
	}
	for i := range e.bank[:e.nbank] {
		x := &e.bank[i]
		x.lw = math.Max(x.lw-top, -25)
	}
}

// vapourFade lets the exponent of a liquid that evaporates move by 0.3 in twenty
// minutes: the pressure of its vapour falls faster than any power of the difference.
const vapourFade = 0.3 * 0.3 / 1200

// How far an equilibrium drifts: a room by 0.4 K in an hour, a bath left to
// itself by 5 K, as variance per second.
const (
	roomDrift = 0.4 * 0.4 / 3600
	bathDrift = 2 * 2 / 3600.0
)

// wobbleOf is how much an expert lets the reading wobble, K.
func (e *Engine) wobbleOf(x *expert) float64 {
	if x.tau == 0 {
		return 0
	}
	return e.wobble.sd(x.tau)
}

// reseed gives x the eyes of y: where the wax is and how fast it moves. What x
// thought of the law, which led it astray, goes back toward the prior.
func (e *Engine) reseed(x, y *expert) {
	ta, n, vta, vn := x.x[sTa], x.x[sN], x.p[sTa][sTa], x.p[sN][sN]
	if l := x.law; l.room {
		vta = math.Max(vta, 0.25*0.25)
	} else {
		ta, vta = l.ta, l.tasd*l.tasd
	}
	if l := x.law; l.nsd > 0 {
		n = 0.85*n + 0.15*l.n
		vn = math.Max(vn, 0.4*l.nsd*l.nsd)
	}
	x.p = [dim][dim]float64{}
	x.x = y.x
	x.x[sW], x.x[sV] = 0, 0
	x.p[sT][sT], x.p[sT][sR], x.p[sR][sT], x.p[sR][sR] = y.p[sT][sT], y.p[sT][sR], y.p[sR][sT], y.p[sR][sR]
	// A wobble may have passed for a change.
	u := e.wobble.sd(8) / reseedTime
	x.p[sR][sR] += u * u
	x.wobble()
	x.x[sTa], x.x[sN], x.p[sTa][sTa], x.p[sN][sN] = ta, n, vta, vn
	// It should have seen the change when it began: the likelihood since then is
	// the quick expert's, at the price of a change.
	// An equilibrium of its own that had to be given up was wrong: no refund.
	refund := x.miss
	if x.law.dir == Cooling && !x.law.room {
		refund = 0
	}
	x.lw = math.Max(x.lw+refund, y.lw) - changePrice
	x.miss = 0
}

// quickOf is the weightiest quick expert of a law.
func (e *Engine) quickOf(l *law, quick int) *expert {
	best := -1
	for i := range e.bank[:e.nbank] {
		if x := &e.bank[i]; x.law == l && x.q >= quickQ && (best < 0 || x.lw > e.bank[best].lw) {
			best = i
		}
	}
	if best < 0 {
		best = quick
	}
	return &e.bank[best]
}

// startup plants the bank anew while a regime is young and the tracker sees
// another rate: a probe in a sleeve shows a new regime only after its lag, and a
// bank planted in between has learnt a bend that isn't there.
func (e *Engine) startup() {
	age := e.at - e.modeAt
	if age < 20 || age > 150 || e.at < e.nextStart {
		return
	}
	e.nextStart = e.at + 15
	r, ok := e.Rate()
	if !ok {
		return
	}
	var v, w float64
	for i := range e.bank[:e.nbank] {
		x := &e.bank[i]
		p := math.Exp(x.lw)
		w += p
		v += p * x.p[sR][sR]
	}
	d := e.track.x[sR] - r
	if d*d > startupZ*startupZ*(e.track.p[sR][sR]+v/w) {
		e.breakRecord()
		e.seed()
	}
}

const startupZ = 2.2

// wobble splits what was taken for the temperature between it and a wobble.
func (x *expert) wobble() {
	if x.tau == 0 {
		return
	}
	v := x.wob * x.wob
	x.p[sT][sT] += v
	x.p[sW][sW] = v
	x.p[sV][sV] = v / (x.tau * x.tau)
	x.p[sT][sW], x.p[sW][sT] = -v, -v
}

// pickMode decides which way the wax goes, and seeds the bank for it.
func (e *Engine) pickMode(t float64) {
	r, sd := e.track.x[sR], math.Sqrt(e.track.p[sR][sR])
	want := e.mode
	switch {
	case r < -3*sd-5e-4:
		want = Cooling
	case r > 3*sd+5e-4:
		want = Heating
	case e.mode == 0 && t-e.first > crawlFor:
		// A big pot moves too slowly for its rate to stand out between readings:
		// then how far it has come tells which way it goes.
		if d := e.track.x[sT] - e.began; math.Abs(d) > math.Max(crawlLeast, 8*e.wobble.sd(8)) {
			want = Cooling
			if d > 0 {
				want = Heating
			}
		}
	}
	if want == e.mode || t-e.first < 5 || e.count < 4 {
		return
	}
	if e.mode != 0 && e.flipAsk != want {
		now := e.track.x[sT]
		least := math.Min(math.Max(flipLeast, 4*e.wobble.sd(8)), 1)
		switch {
		case e.mode == Heating && now > e.highest-least:
			return
		case e.mode == Cooling && now < e.lowest+2*least:
			return
		case e.mode == Cooling && now < setTo && now < e.lowest+setRise && e.at-e.modeAt > 600:
			// Wax warms by itself while it sets, by a degree or so.
			e.plateau = true
			return
		}
	}
	if e.mode != 0 {
		e.learn()
		if want == Cooling && e.flipAsk != Cooling {
			e.notice(HeatOff, t)
			if e.regime == RegimeHeating || e.regime == RegimeUnknown {
				e.regime, e.regimeAt = RegimeBathOff, t
			}
		} else if want == Heating && e.flipAsk != Heating {
			e.notice(HeatOn, t)
			e.regime, e.regimeAt = RegimeHeating, t
		}
	}
	e.flipAsk = 0
	e.mode = want
	e.modeAt, e.since = t, t
	e.nextStart = t
	e.lowest, e.highest = math.Inf(1), math.Inf(-1)
	e.plateau = false
	e.kept, e.judged = 0, true
	e.breakRecord()
	e.seed()
}

// How long and how far a curve too slow to have a rate must have come, s and K.
const (
	crawlFor   = 60
	crawlLeast = 0.5
)

// flipLeast is how far the wax must have turned back before it counts, K; twice
// that when it would be warming again.
const flipLeast = 0.2

// While wax sets it all but stops cooling, and may warm a little.
const (
	setFrom, setTo = 28.0, 72.0 // °C, between which waxes set
	setRise        = 2.5        // K, the most that setting wax warms by itself
	setSlow        = 0.35       // of the fall that was expected, and less
	setRate        = 0.008      // K/s, and no faster than this
)

// judge names a change of the cooling rate once the new one is known.
func (e *Engine) judge() {
	if e.mode == 0 {
		return
	}
	e.lowest = math.Min(e.lowest, e.track.x[sT])
	e.highest = math.Max(e.highest, e.track.x[sT])
	r, ok := e.Rate()
	if !ok {
		return
	}
	var d float64
	if e.mode == Cooling {
		room, _ := e.roomPrior(&e.laws[0][1])
		d = e.track.x[sT] - room
	} else {
		d = e.track.x[sT] - (e.laws[1][0].ta + 3)
	}
	if math.Abs(d) < 3 {
		return
	}
	k := -r / d
	age := e.at - e.since
	if !e.judged && age > 60 {
		e.judged = true
		if e.kept > 0 && e.at-e.regimeAt > 120 {
			switch q := k / e.kept; {
			case q > 1.5 && e.mode == Cooling && e.regime != RegimeBench:
				e.notice(JugOut, e.since)
				e.setRegime(RegimeBench)
				e.favour(-1.5)
			case q > 1.3 || q < 0.7:
				e.notice(Change, e.since)
			}
		}
		e.kept = 0
	}
	if age > 120 && e.judged {
		if e.kept == 0 {
			e.kept = k
		} else {
			e.kept += (k - e.kept) * 0.02
		}
	}
}

// seed fills the bank from the tracker and the priors.
func (e *Engine) seed() {
	set := &e.laws[0]
	if e.mode == Heating {
		set = &e.laws[1]
	}
	e.nbank = 0
	for i := range set {
		l := &set[i]
		if l.weight == 0 {
			continue
		}
		for _, m := range manners {
			x := &e.bank[e.nbank]
			e.nbank++
			*x = expert{law: l, q: m.q, tau: m.time, pri: math.Log(l.weight * m.prior)}
			x.wob = e.wobbleOf(x)
			x.lw = x.pri
			e.plant(x)
		}
	}
}

// plant sets an expert from the tracker and its law's priors.
func (e *Engine) plant(x *expert) {
	l := x.law
	x.x[sT], x.x[sR] = e.track.x[sT], e.track.x[sR]
	x.p[sT][sT], x.p[sT][sR], x.p[sR][sT], x.p[sR][sR] = e.track.p[0][0], e.track.p[0][1], e.track.p[1][0], e.track.p[1][1]
	x.wobble()
	x.x[sN] = l.n
	x.p[sN][sN] = l.nsd * l.nsd
	ta, sd := l.ta, l.tasd
	if l.room {
		ta, sd = e.roomPrior(l)
	}
	x.x[sTa], x.p[sTa][sTa] = ta, sd*sd
	if l.k > 0 {
		// A rate that is not at all the learnt one speaks against its holding here.
		z := math.Log(math.Max(x.x[sR]/l.rate(x.gap()), 0.05)) / learntFirst
		x.lw -= math.Min(z*z, 12) / 2
	}
}

// How far the rate may be from the learnt one: at first, while jug and table
// take up heat; and later.
const (
	learntFirst = 0.4
	learntLater = 0.15
	settling    = 300.0 // s, after which a jug goes as the law says
)

// rate is how fast the law lets the wax move at a distance d from equilibrium.
func (l *law) rate(d float64) float64 {
	return -l.k * d * math.Pow(math.Abs(d)/lessonGap, l.n-1)
}

func (e *Engine) roomPrior(l *law) (ta, sd float64) {
	switch {
	case e.haveRoom && l.n == 1 && l.nsd == 0:
		return e.room, exactRoomSD
	case e.haveRoom:
		return e.room, probeRoomSD
	case e.k.Room != 0:
		return e.k.Room, guessRoomSD
	case e.learntRoom != 0:
		return e.learntRoom, learntRoomSD
	}
	return defaultRoom, defaultRoomSD
}

// Room takes in a reading of the air where the jug cools.
func (e *Engine) Room(t, celsius float64) {
	if math.IsNaN(celsius) || celsius < -30 || celsius > 60 {
		return
	}
	if !e.haveRoom {
		e.haveRoom = true
		e.room, e.roomAt = celsius, t
		for i := range e.bank[:e.nbank] {
			if x := &e.bank[i]; x.law.room {
				// A first measurement outweighs any guess.
				_, sd := e.roomPrior(x.law)
				x.measure(sTa, celsius, sd*sd, 6)
			}
		}
		return
	}
	// Later ones tell of the drift; smoothed, for the probe is noisy too.
	dt := math.Max(t-e.roomAt, 0)
	e.roomAt = math.Max(t, e.roomAt)
	w := 1 - math.Exp(-dt/60)
	d := math.Max(-3, math.Min(3, celsius-e.room)) * w
	e.room += d
	for i := range e.bank[:e.nbank] {
		if x := &e.bank[i]; x.law.room {
			x.x[sTa] += d
		}
	}
}

// Bath takes in a reading of the hot water.
func (e *Engine) Bath(t, celsius float64) {
	if math.IsNaN(celsius) || celsius < -5 || celsius > 130 {
		return
	}
	d, first := 0.0, !e.haveBath
	if !first {
		dt := math.Max(t-e.bathAt, 0)
		d = math.Max(-5, math.Min(5, celsius-e.bath)) * (1 - math.Exp(-dt/30))
		e.bath += d
	} else {
		e.haveBath, e.bath, e.bathAt = true, celsius, t
	}
	e.bathAt = math.Max(e.bathAt, t)
	if e.regime == RegimeBench {
		return
	}
	// Only an equilibrium that is free to be a bath's may follow it.
	for i := range e.bank[:e.nbank] {
		if x := &e.bank[i]; !x.law.room && x.law.tasd > 4 {
			if first {
				x.measure(sTa, celsius, bathProbeSD*bathProbeSD, 4)
			} else {
				x.x[sTa] += d
			}
		}
	}
}

// Tell takes in what the maker did at t, s.
func (e *Engine) Tell(t float64, kind EventKind) {
	switch kind {
	case HeatOn:
		e.setRegime(RegimeHeating)
		e.loosen(2)
		e.flipAsk = Heating
	case HeatOff:
		if e.regime != RegimeBench {
			e.setRegime(RegimeBathOff)
		}
		e.loosen(1)
		e.flipAsk = Cooling
	case JugOut:
		e.setRegime(RegimeBench)
		e.loosen(2)
		e.favour(-2)
	case ScentIn:
		e.scented = true
		e.stepUntil = t + 180
		e.breakRecord()
	case Stirred:
		e.loosen(0.3)
	case Change:
		e.loosen(1)
	case ProbeOut:
		e.hold.force(e.last)
	case ProbeBack:
		// The readings themselves say when the wax is read again.
	}
}

// setRegime closes the lesson of the regime that ends.
func (e *Engine) setRegime(r Regime) {
	if r == e.regime {
		return
	}
	e.learn()
	e.regime = r
	e.regimeAt = e.at
	e.kept = 0
}

// favour moves the weight of equilibria other than the room's, in nats.
func (e *Engine) favour(nats float64) {
	for i := range e.bank[:e.nbank] {
		if x := &e.bank[i]; x.law.dir == Cooling && !x.law.room {
			x.lw += nats
			x.pri += nats
		}
	}
}

// loosen lets every expert learn its rate anew: by how much it may have
// changed, relative.
func (e *Engine) loosen(rel float64) {
	if !e.started {
		return
	}
	w := func(x *expert) {
		s := rel * (math.Abs(x.x[sR]) + 5e-3)
		x.p[sR][sR] += s * s
		x.p[sT][sT] += 0.04
		x.miss = 0
	}
	for i := range e.bank[:e.nbank] {
		w(&e.bank[i])
	}
	w(&e.track)
	e.since = e.at
	e.breakRecord()
}

// Rate returns how fast the wax moves, K/s.
func (e *Engine) Rate() (perSecond float64, ok bool) {
	if !e.started || e.at-e.first < minAge {
		return 0, false
	}
	if e.nbank == 0 {
		return e.track.x[sR], true
	}
	r, _ := e.rate()
	return r, true
}

// rate is the mean and standard deviation of the rate over all experts, K/s.
func (e *Engine) rate() (r, sd float64) {
	if e.nbank == 0 {
		return e.track.x[sR], math.Sqrt(e.track.p[sR][sR])
	}
	var w, m1, m2 float64
	for i := range e.bank[:e.nbank] {
		x := &e.bank[i]
		if x.lw < -12 {
			continue
		}
		p := math.Exp(x.lw)
		w += p
		m1 += p * x.x[sR]
		m2 += p * (x.x[sR]*x.x[sR] + x.p[sR][sR])
	}
	m1 /= w
	return m1, math.Sqrt(math.Max(m2/w-m1*m1, 0))
}

// Regime returns what the pot is going through, as told or as found.
func (e *Engine) Regime() Regime {
	if e.regime != RegimeUnknown {
		return e.regime
	}
	if e.mode == Heating {
		return RegimeHeating
	}
	return RegimeUnknown
}

// Noticed returns the changes of regime found since it was last called.
func (e *Engine) Noticed() []Noticed {
	if e.nnoticed == 0 {
		return nil
	}
	out := append([]Noticed(nil), e.noticed[:e.nnoticed]...)
	e.nnoticed = 0
	return out
}

func (e *Engine) notice(k EventKind, at float64) {
	if e.nnoticed == len(e.noticed) {
		copy(e.noticed[:], e.noticed[1:])
		e.nnoticed--
	}
	e.noticed[e.nnoticed] = Noticed{k, at}
	e.nnoticed++
}

// Pass tells the engine that it is t now and no good reading came: crossing
// times count from then, until the next reading.
func (e *Engine) Pass(t float64) {
	if e.started && t > e.last {
		e.last = t
	}
}

// Now returns the wax's temperature at the last reading, without its noise.
func (e *Engine) Now() (celsius float64, ok bool) {
	if !e.started {
		return 0, false
	}
	return e.now(), true
}

// Going returns which way the wax is going; 0 while the curve hasn't said.
func (e *Engine) Going() Direction { return e.mode }

// While wax melts its rate falls to a fraction of what the bath would give, and
// comes back when all is liquid: no law of one body says when.
const (
	meltFrom, meltTo = 33.0, 66.0 // °C, between which container waxes melt
	meltSlow         = 0.6        // share of the greatest rate
)

func (e *Engine) watchMelt() {
	if e.mode != Heating || e.at-e.modeAt < 60 {
		return
	}
	boil := e.laws[1][0].ta + 3
	r, sd := e.track.x[sR], math.Sqrt(e.track.p[sR][sR])
	if d := boil - e.track.x[sT]; d > 5 && sd < 0.15*r {
		e.quickest = math.Max(e.quickest, (r-sd)/d)
	}
}

func (e *Engine) melting(now float64) bool {
	if now < meltFrom || now > meltTo || e.quickest == 0 {
		return false
	}
	r, ok := e.Rate()
	return ok && r/(e.laws[1][0].ta+3-now) < meltSlow*e.quickest
}

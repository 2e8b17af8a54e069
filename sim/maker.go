package sim

import (
	"cmp"
	"fmt"
	"math/rand/v2"
	"slices"
	"time"
)

// Tap is something the maker tells the station. Kind is the station's word for
// it ("scent-added", "jug-out").
type Tap struct {
	Kind        string
	Grams       float64        // fragrance that went in, wax left over
	First, Last float64        // °C in the jug at the first and the last jar
	Counts      map[string]int // jars filled, by name
}

// Hands is the station as the maker's hands and ears know it.
type Hands interface {
	// Tap tells the station. A refused tap is tried again a few times.
	Tap(Tap) error
	// Stage is where the station says the batch stands ("melting", "cooling").
	Stage() string
	// Calls are the keys of the cues and alarms that stand ("scent-now").
	Calls() []string
	// Tapped are the kinds told in this batch so far, by whomever, in order.
	Tapped() []string
}

// MakerConfig is how a maker works.
type MakerConfig struct {
	Delay  time.Duration            // from a call to the hand on the jug
	Spread time.Duration            // random, on top, evenly from 0
	TapLag time.Duration            // from doing to telling
	Waits  map[string]time.Duration // on top of Delay, by kind of thing

	ScentAt      float64 // °C at which an uncalled maker adds the fragrance
	ScentGrams   float64
	ScentCelsius float64
	Stir         time.Duration
	PourAt       float64       // °C at which an uncalled maker pours
	PourTime     time.Duration // from the first jar to the last
	LeftOver     float64       // g that stay in the jug
	ReheatTo     float64       // °C to warm a pot that grew too cold
	Patience     time.Duration // at a temperature uncalled before acting alone
	Counts       map[string]int

	LooksIn time.Duration // tells the station that somebody is there, this often, while the heat is on; 0 = never

	// Forgets is the chance that the maker does a thing of a kind but never tells.
	Forgets map[string]float64
	// Dawdles is the chance that the maker is away when called, for Away.
	Dawdles float64
	Away    time.Duration
	// Heedless makers go on as if nothing were wrong when a danger is called.
	Heedless bool

	// Follow: the hands do only what somebody has tapped.
	Follow bool
	// Last is the last kind of thing done ("wicks"); "" = to the end.
	Last string
	Seed uint64
}

// DefaultMaker works by common practice: fragrance at 185 °F, an ounce to the
// pound, two minutes of stirring, pour at 135 °F.
func DefaultMaker() MakerConfig {
	return MakerConfig{
		Delay: 6 * time.Second, Spread: 8 * time.Second, TapLag: 3 * time.Second,
		ScentAt: 85, ScentGrams: 56.7, ScentCelsius: 21, Stir: 2 * time.Minute,
		PourAt: 57.2, PourTime: 4 * time.Minute, LeftOver: 25, ReheatTo: 65, Patience: 90 * time.Second,
		LooksIn: 12 * time.Minute,
		Seed:    1,
	}
}

// Maker plays the hands of a candle maker on a bench: it does what is called for
// after a human delay, and says so. Somebody else may tap first: then the hands
// follow and nothing is told twice. One goroutine at a time.
type Maker struct {
	c     MakerConfig
	bench *Bench
	hands Hands
	rng   *rand.Rand

	steps   []*task
	seen    map[string]int // taps accounted for, by kind
	now     time.Duration
	hotFrom time.Duration // uncalled, at a temperature since
	danger  time.Duration // when a danger that is called will be met; 0 = none
	resume  time.Duration // when melting goes on after one; 0 = it was not stopped
	cold    time.Duration // when the pot was first called too cold
	looked  time.Duration // when the maker last tapped anything

	pouring     bool
	pourFrom    time.Duration
	pourGrams   float64
	poured      float64
	first, last float64
}

// task is one thing the maker does in a batch.
type task struct {
	kind  string
	due   func() bool
	act   func(*Pot)
	tap   func() Tap
	armed time.Duration // when it was found due; -1 = not yet
	at    time.Duration
	acted time.Duration // -1 = not yet
	tell  bool
	tries int
	retry time.Duration
	done  bool
}

// Kinds of things the maker does, the words of the station's events.
const (
	doStart     = "start"
	doScent     = "scent-added"
	doHeatOff   = "heat-off"
	doStirred   = "stirred"
	doJugOut    = "jug-out"
	doPourStart = "pour-start"
	doPoured    = "poured"
	doWicks     = "wicks"
	doTrimmed   = "trimmed"
	doMoved     = "moved"
	doCured     = "cured"
	doHeatOn    = "heat-on"
	doAbandoned = "abandoned"
	doTouched   = "touched"
)

// dangers are the calls at which a heedful maker takes the heat away.
var dangers = []string{"flash-margin", "flash-approach", "scorch", "boiled-dry", "heat-left-on"}

// NewMaker gives a bench hands.
func NewMaker(c MakerConfig, b *Bench, h Hands) *Maker {
	m := &Maker{c: c, bench: b, hands: h, rng: rand.New(rand.NewPCG(c.Seed, 0x68616e64)), seen: map[string]int{}}
	since := func(kind string) time.Duration { // how long ago a thing was done; < 0 = not done
		if t := m.task(kind); t.acted >= 0 {
			return m.now - t.acted
		}
		return -1
	}
	m.steps = []*task{
		{kind: doStart, due: func() bool { return true }, act: (*Pot).HeatOn},
		{kind: doScent,
			due: func() bool {
				return m.called("scent-now") || m.stage("scent") || m.waited(func(t float64) bool { return t >= c.ScentAt })
			},
			act: func(p *Pot) { p.AddScent(c.ScentGrams, c.ScentCelsius); p.Stir(true) },
			tap: func() Tap { return Tap{Grams: c.ScentGrams} }},
		{kind: doHeatOff, due: func() bool { return since(doScent) >= 15*time.Second }, act: (*Pot).HeatOff},
		{kind: doStirred, due: func() bool { return since(doScent) >= c.Stir || m.called("stir-end") },
			act: func(p *Pot) { p.Stir(false) }},
		{kind: doJugOut, due: func() bool { return since(doStirred) >= 20*time.Second }, act: (*Pot).JugOut},
		{kind: doPourStart,
			due: func() bool {
				return m.called("pour-now") || m.called("window-closing") || m.waited(func(t float64) bool { return t <= c.PourAt })
			},
			act: func(p *Pot) {
				p.HeatOff()
				p.JugOut()
				m.pouring, m.pourFrom, m.first = true, m.now, p.Wax()
				m.pourGrams, m.poured = max(p.Grams()-c.LeftOver, 0), 0
			}},
		{kind: doPoured, due: func() bool { return since(doPourStart) >= c.PourTime },
			act: func(p *Pot) {
				m.last = p.Wax()
				p.Pour(p.Grams() - c.LeftOver)
				m.pouring = false
			},
			tap: func() Tap { return Tap{First: m.first, Last: m.last, Counts: c.Counts} }},
		{kind: doWicks, due: func() bool { return m.called("wicks") || since(doPoured) >= 2*time.Minute }, act: func(*Pot) {}},
		{kind: doTrimmed, due: func() bool { return m.called("trim") || m.stage("trim") }, act: func(*Pot) {}},
		{kind: doMoved, due: func() bool { return m.called("move") }, act: func(*Pot) {}},
		{kind: doCured, due: func() bool { return m.called("cured") || m.stage("done") }, act: func(*Pot) {}},
	}
	for i, t := range m.steps {
		t.armed, t.acted = -1, -1
		if t.kind == c.Last {
			m.steps = m.steps[:i+1]
			break
		}
	}
	return m
}

func (m *Maker) task(kind string) *task {
	for _, t := range m.steps {
		if t.kind == kind {
			return t
		}
	}
	return &task{kind: kind, acted: -1, armed: -1}
}

func (m *Maker) called(key string) bool { return slices.Contains(m.hands.Calls(), key) }
func (m *Maker) stage(s string) bool    { return m.hands.Stage() == s }

func (m *Maker) wax() (t float64) {
	m.bench.Do(func(p *Pot) { t = p.Wax() })
	return t
}

// waited reports whether the maker has looked at the thermometer long enough
// without having been called.
func (m *Maker) waited(ok func(float64) bool) bool {
	if !ok(m.wax()) {
		m.hotFrom = 0
		return false
	}
	if m.hotFrom == 0 {
		m.hotFrom = m.now
	}
	return m.now-m.hotFrom >= m.c.Patience
}

// delay is how long the maker takes this time.
func (m *Maker) delay() time.Duration {
	d := m.c.Delay + time.Duration(m.rng.Float64()*float64(m.c.Spread))
	if m.rng.Float64() < m.c.Dawdles {
		d += m.c.Away
	}
	return d
}

// Did is when a thing of a kind was done (not when it was told), or -1.
func (m *Maker) Did(kind string) time.Duration { return m.task(kind).acted }

// Done reports whether the maker has nothing left to do or to tell.
func (m *Maker) Done() bool {
	for _, t := range m.steps {
		if !t.done {
			return false
		}
	}
	return true
}

// Step lets the maker look around and act. now is the time since the bench was
// set up; it must not go back. It returns the last tap that the station refused.
func (m *Maker) Step(now time.Duration) error {
	m.now = now
	m.follow()
	if m.pouring {
		m.pour()
	}
	if !m.c.Follow {
		m.mind()
		m.next()
	}
	return m.tell()
}

// follow does with the hands what somebody else has tapped.
func (m *Maker) follow() {
	count := map[string]int{}
	for _, k := range m.hands.Tapped() {
		count[k]++
	}
	for _, t := range m.steps {
		if count[t.kind] <= m.seen[t.kind] {
			continue
		}
		m.seen[t.kind] = count[t.kind]
		switch t.kind {
		case doJugOut:
			m.imply(doStirred, doHeatOff)
		case doPourStart:
			m.imply(doStirred, doHeatOff, doJugOut)
			m.skip(doScent)
		case doPoured:
			m.imply(doStirred, doHeatOff, doJugOut, doPourStart)
			m.skip(doScent)
		}
		if t.acted < 0 {
			m.act(t)
		}
		t.done = true
	}
	if count[doAbandoned] > 0 {
		m.bench.Do(func(p *Pot) { p.HeatOff(); p.JugOut() })
		for _, t := range m.steps {
			t.done = true
			if t.acted < 0 {
				t.acted = m.now
			}
		}
		return
	}
	if count[doHeatOn] > m.seen[doHeatOn] {
		m.seen[doHeatOn] = count[doHeatOn]
		m.reheat()
	}
}

// imply does things that another thing says were done, untold.
func (m *Maker) imply(kinds ...string) {
	for _, k := range kinds {
		if t := m.task(k); t.acted < 0 && t.act != nil {
			m.act(t)
			t.done = true
		}
	}
}

// skip passes over a thing that somebody has gone past.
func (m *Maker) skip(kind string) {
	if t := m.task(kind); t.acted < 0 {
		t.acted, t.done = m.now, true
	}
}

func (m *Maker) act(t *task) {
	m.bench.Do(t.act)
	t.acted = m.now
	t.tell = m.rng.Float64() >= m.c.Forgets[t.kind]
	t.retry = m.now + m.c.TapLag
	if !t.tell {
		t.done = true
	}
}

// next does what is due, one thing after another.
func (m *Maker) next() {
	for _, t := range m.steps {
		if t.acted >= 0 {
			continue
		}
		if t.armed < 0 {
			if !t.due() {
				return
			}
			m.hotFrom = 0
			t.armed, t.at = m.now, m.now
			if t.kind != doStart {
				t.at += m.delay() + m.c.Waits[t.kind]
			}
		}
		if m.now < t.at {
			return
		}
		m.act(t)
	}
}

// tell taps what has been done and not been told.
func (m *Maker) tell() error {
	const tries = 4
	var refused error
	for _, t := range m.steps {
		if t.done || t.acted < 0 || m.now < t.retry {
			continue
		}
		if s := m.hands.Stage(); t.kind == doStirred && s != "stirring" && s != "" {
			t.done = true // the station's own timer was quicker
			continue
		}
		tap := Tap{}
		if t.tap != nil {
			tap = t.tap()
		}
		tap.Kind = t.kind
		err := m.hands.Tap(tap)
		if err == nil {
			m.seen[t.kind]++
			m.looked = m.now
			t.done = true
			continue
		}
		refused = fmt.Errorf("telling the station %q: %w", t.kind, err)
		t.retry = m.now + 5*time.Second
		if t.tries++; t.tries >= tries {
			t.done = true
		}
	}
	return refused
}

// pour empties the jug evenly.
func (m *Maker) pour() {
	share := min((m.now-m.pourFrom).Seconds()/max(m.c.PourTime.Seconds(), 1), 1)
	more := share*m.pourGrams - m.poured
	if more > 0 {
		m.bench.Do(func(p *Pot) { p.Pour(more) })
		m.poured += more
	}
}

// mind looks after what no step foresees: danger, and a pot grown too cold.
func (m *Maker) mind() {
	calls := m.hands.Calls()
	dangerous := !m.c.Heedless && slices.ContainsFunc(calls, func(k string) bool { return slices.Contains(dangers, k) })
	switch {
	case !dangerous:
		m.danger = 0
	case m.danger == 0:
		m.danger = m.now + max(m.delay(), time.Second)
	case m.now >= m.danger:
		m.bench.Do(func(p *Pot) {
			if p.Heating() || p.Bare() {
				p.HeatOff()
				p.BareFlame(0)
				p.JugOut()
				m.resume = m.now + 3*time.Minute
			}
		})
	}
	if m.resume > 0 && !dangerous && m.now >= m.resume {
		m.resume = 0
		if m.Did(doScent) < 0 { // water into the bath, and on with it
			m.bench.Do(func(p *Pot) { p.TopUp(50); p.JugIn(); p.HeatOn() })
		}
	}

	if m.c.LooksIn > 0 && m.Did(doStart) >= 0 && m.now-m.looked >= m.c.LooksIn {
		m.looked = m.now
		var heating bool
		m.bench.Do(func(p *Pot) { heating = p.Heating() })
		if heating {
			_ = m.hands.Tap(Tap{Kind: doTouched}) // said again in a while
		}
	}

	cold := m.stage("cold") && m.task(doPourStart).acted < 0
	switch {
	case !cold:
		m.cold = 0
	case m.cold == 0:
		m.cold = m.now + max(m.delay(), time.Second)
	case m.now >= m.cold:
		m.cold = 0
		m.reheat()
		if m.hands.Tap(Tap{Kind: doHeatOn}) == nil {
			m.seen[doHeatOn]++
		}
	}
}

// reheat puts the jug back over the flame until it is warm enough again.
func (m *Maker) reheat() {
	m.bench.Do(func(p *Pot) { p.JugIn(); p.HeatOn() })
	warm := func() bool { return m.wax() >= cmp.Or(m.c.ReheatTo, m.c.PourAt+6) }
	for _, kind := range []string{doHeatOff, doJugOut} {
		t := m.task(kind)
		t.armed, t.acted, t.done, t.tries = -1, -1, false, 0
		t.due = warm
	}
	if t := m.task(doPourStart); t.acted < 0 {
		t.armed = -1
	}
}

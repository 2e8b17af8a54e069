package station

import (
	"fmt"
	"math"
	"runtime/debug"
	"slices"
	"sync"
	"time"

	"example.org/meltstation/alerts"
	"example.org/meltstation/alerts/forecast"
	"example.org/meltstation/alerts/plan"
	"example.org/meltstation/probe"
	"example.org/meltstation/probe/trace"
)

// pot is one melting pot: its probes, its alarms, and the batch in it.
type pot struct {
	s   *Station
	opt PotOptions

	mu      sync.Mutex
	probes  map[string]*alerts.ProbeState
	order   []string // of probes
	watch   *alerts.Watch
	run     *run
	engine  Forecaster
	outlook *alerts.Outlook
	openFor forecast.Forecast
	stamp   uint64
	idleTap time.Duration     // when the maker last touched an empty pot
	viewed  time.Time         // when the last "pot" update went out
	fitted  time.Duration     // when the outlook was last worked out
	heated  []forecast.Lesson // what the batch taught before the fragrance went in
	taught  []forecast.Lesson // what it taught before it was poured; nil = not kept
}

// run is one batch going through a pot.
type run struct {
	home     *pot // whose lock guards it, in the pot and on the shelf
	batch    trace.Batch
	sheet    plan.Sheet
	known    forecast.Known // when it started
	history  []plan.Event
	events   []plan.Event // history with corrections resolved
	progress *plan.Progress
	watch    *alerts.Watch // once on the shelf
	like     string
}

func newPot(s *Station, o PotOptions) *pot {
	p := &pot{s: s, opt: o, probes: map[string]*alerts.ProbeState{}, watch: alerts.NewWatch(o.ID, s.opt.Alarms)}
	p.engine = s.opt.NewForecaster(p.known(nil))
	return p
}

// known is what is known of the pot before its curve says anything.
func (p *pot) known(r *run) forecast.Known {
	k := forecast.Known{Jug: p.opt.Jug, Boiling: p.s.opt.Boiling}
	if r != nil {
		k.WaxGrams, k.OilGrams = r.sheet.WaxGrams(), r.sheet.FragranceGrams()
		k.Congeal = r.sheet.Thresholds.Congeal
		if r.sheet.Jug != "" {
			k.Jug = r.sheet.Jug
		}
	}
	k.Lessons = p.s.lessons(k.Jug)
	return k
}

// take is the pot's part of one step. It reports whether the reading went into
// a batch's trace.
func (p *pot) take(at time.Duration, r probe.Reading) bool {
	p.mu.Lock()
	defer p.mu.Unlock()

	st := p.probes[r.Probe]
	if st == nil {
		st = &alerts.ProbeState{ID: r.Probe, Role: r.Role}
		p.probes[r.Probe] = st
		p.order = append(p.order, r.Probe)
	}
	st.Role, st.Last, st.LastAt = r.Role, r, at
	if r.OK() {
		st.Good, st.GoodAt, st.HaveGood = r, at, true
	}

	kept := false
	if p.run != nil && !p.run.emptied(at) {
		p.s.opt.Store.Append(readingEntry(p.run.batch.ID, p.opt.ID, at, r))
		kept = true
	}
	leads := r.Role != probe.RolePot || p.potProbe(at) == st
	if p.run != nil && r.Role == probe.RolePot && leads && r.OK() {
		p.run.progress.Observe(at, r.Celsius)
		p.stageMoved()
	}
	// The alarms see the reading before the forecast does: they need nothing of
	// it, and must not wait should it be slow or broken.
	p.evaluate(at, &r, 0)
	if leads {
		p.fit(at, r)
	}

	v := readingView(r, r.At)
	p.s.hub.publish(Update{Type: "reading", Now: p.s.wall(p.s.now()), PotID: p.opt.ID, Reading: &v})
	p.show(p.s.now(), false)
	return kept
}

// curveEnds is how long after the last jar the readings of a pot still belong to
// the batch: after that they tell of an empty jug.
const curveEnds = 30 * time.Minute

// emptied reports whether the batch has left the pot's jug for good.
func (r *run) emptied(at time.Duration) bool {
	poured, ok := r.progress.PouredAt()
	return ok && at-poured >= curveEnds
}

func (p *pot) tick(now time.Time, step time.Duration) {
	p.mu.Lock()
	defer p.mu.Unlock()
	at := p.s.line.at(now)
	if p.run != nil {
		p.run.progress.Tick(at)
		p.stageMoved()
	}
	p.evaluate(at, nil, step)
	if p.run != nil && p.run.leaves(at) {
		p.s.toShelf(p.run)
		p.run, p.outlook = nil, nil
		p.stamp++
		p.renew()
		p.show(now, true)
		return
	}
	p.show(now, false)
}

// leaves reports whether nothing of a poured batch is to be done at its pot any
// more: its candles may leave the bench, and the pot is ready for the next.
func (r *run) leaves(at time.Duration) bool {
	poured, ok := r.progress.PouredAt()
	return ok && !r.progress.Over() && at-poured >= max(r.sheet.Timers.Move, curveEnds)
}

// stageMoved keeps the stored batch and the stamp in step with the stage.
func (p *pot) stageMoved() {
	stage, _ := p.run.progress.Stage()
	if string(stage) == p.run.batch.Stage {
		return
	}
	p.run.batch.Stage = string(stage)
	p.stamp++
	p.run.batch.Ended = time.Time{} // what ended it may have been taken back
	if stage == plan.StageDone {
		p.run.batch.Ended = p.s.wall(p.s.now())
	}
	p.learn(stage)
	p.s.saveBatch(p.run.batch)
}

// learn puts by what the curve has taught while it is still undisturbed: cold
// fragrance and a jug that empties bend it.
func (p *pot) learn(stage plan.Stage) {
	if stage != plan.StageScent && stage != plan.StageWindow && stage != plan.StagePouring {
		return
	}
	defer func() { _ = recover() }() // a forecast that fails has nothing to teach
	var heated, cooled []forecast.Lesson
	for _, l := range p.engine.Lessons() {
		if l.Regime == forecast.RegimeHeating {
			heated = append(heated, l)
		} else {
			cooled = append(cooled, l)
		}
	}
	if stage == plan.StageScent {
		p.heated = heated
		return
	}
	if len(p.heated) > 0 {
		heated = p.heated
	}
	p.taught = append(slices.Clone(heated), cooled...)
}

// facts are what the rules may look at now.
func (p *pot) facts(at time.Duration, r *probe.Reading, step time.Duration) alerts.Facts {
	f := alerts.Facts{
		At: at, Wall: p.s.wall(p.s.now()), Reading: r, Stage: plan.StageIdle,
		ClockStep: step, Outlook: p.outlook, TouchedAt: p.idleTap,
	}
	for _, id := range p.order {
		f.Probes = append(f.Probes, *p.probes[id])
	}
	p.s.mu.Lock()
	f.StoreErr, f.DiskFree = p.s.storeErr, p.s.diskFree
	p.s.mu.Unlock()
	if p.run != nil {
		p.run.facts(&f)
	}
	return f
}

func (r *run) facts(f *alerts.Facts) {
	g := r.progress
	f.Batch, f.Sheet = r.batch.ID, &r.sheet
	f.Stage, f.StageAt = g.Stage()
	f.HeatOn, f.Fragrance, f.JugOut = g.HeatOn(), g.Fragrance(), g.JugOut()
	f.ScentAt, _ = g.ScentAt()
	f.PouredAt, _ = g.PouredAt()
	f.StirredAt, _ = g.StirredAt()
	f.Reheating = g.Reheating()
	f.TouchedAt = max(f.TouchedAt, g.TouchedAt())
	for i := range r.events {
		switch r.events[i].Kind {
		case plan.EventWicks:
			f.Wicks = true
		case plan.EventMoved:
			f.Moved = true
		}
	}
}

// evaluate asks the rules, and sends on what they say.
func (p *pot) evaluate(at time.Duration, r *probe.Reading, step time.Duration) {
	p.tell(p.watch.Eval(p.facts(at, r, step)))
}

// tell sends notices to the notifier, the trace and the pages, in that order.
func (p *pot) tell(ns []alerts.Notice) {
	if len(ns) == 0 {
		return
	}
	batch := ""
	if p.run != nil {
		batch = p.run.batch.ID
	}
	p.s.tell(p.opt.ID, batch, ns)
	p.show(p.s.now(), true)
}

func (s *Station) tell(pot, batch string, ns []alerts.Notice) {
	for i := range ns {
		n := &ns[i]
		n.Pot = pot
		if n.Batch == "" {
			n.Batch = batch
		}
		if s.opt.Post != nil {
			s.opt.Post(*n)
		}
		s.opt.Store.Append(trace.Entry{
			Batch: n.Batch, Pot: pot, At: n.At, Wall: n.Wall, Kind: trace.KindNotice, Name: n.Key, Data: mustJSON(n),
		})
		v := s.noticeView(*n, s.now())
		s.hub.publish(Update{Type: "notice", Now: s.wall(s.now()), PotID: pot, Notice: &v})
	}
	s.flushSoon()
}

// fit hands the reading to the forecast and asks it what it thinks. A forecast
// that panics is set aside and begun anew; the alarms do not notice.
func (p *pot) fit(at time.Duration, r probe.Reading) {
	if !r.OK() && r.Role != probe.RolePot {
		return
	}
	defer func() {
		if e := recover(); e != nil {
			p.s.log.Error("the forecast failed and was begun anew", "pot", p.opt.ID, "panic", e, "stack", string(debug.Stack()))
			p.outlook = nil
			p.renew()
			p.s.setTrouble("forecast-"+p.opt.ID, "The forecast stumbled and starts again from here. Alarms are not affected.")
		}
	}()
	t := p.seconds(at)
	switch r.Role {
	case probe.RoleRoom:
		p.engine.Room(t, r.Celsius)
		return
	case probe.RoleBath:
		p.engine.Bath(t, r.Celsius)
		return
	case probe.RolePot:
	default:
		return
	}
	if r.OK() {
		p.engine.Add(t, r.Celsius)
	} else {
		p.engine.Pass(t)
	}
	if p.run == nil || p.outlook != nil && at-p.fitted < time.Second/2 {
		return
	}
	p.fitted = at
	th := p.run.sheet.Thresholds
	o := &alerts.Outlook{
		At:    at,
		Scent: p.engine.Crossing(th.ScentAdd, forecast.Heating),
		Pour:  p.engine.Crossing(th.Pour, forecast.Cooling),
	}
	o.WindowOpen, o.WindowClose, p.openFor = p.engine.Band(th.PourHigh, th.PourLow)
	if p.run.progress.Reheating() {
		o.Reheat = p.engine.Crossing(th.PourHigh, forecast.Heating)
	}
	p.outlook = o
	p.s.clearTrouble("forecast-" + p.opt.ID)
	for _, n := range p.engine.Noticed() {
		p.noticed(at, n)
	}
}

// renew begins the forecast again, for this pot and batch.
func (p *pot) renew() {
	defer func() {
		if e := recover(); e != nil {
			p.engine = mute{}
		}
	}()
	if p.run != nil {
		p.engine = p.s.opt.NewForecaster(p.run.known)
		return
	}
	p.engine = p.s.opt.NewForecaster(p.known(nil))
}

// seconds is the forecast's time: the station's, without what the line was
// moved forward after a start with a wrong clock.
func (p *pot) seconds(at time.Duration) float64 { return (at - p.s.line.shifted()).Seconds() }

// noticed asks the maker about a change that the forecast found by itself.
func (p *pot) noticed(at time.Duration, n forecast.Noticed) {
	if p.run == nil {
		return
	}
	g := p.run.progress
	stage, since := g.Stage()
	var kind plan.EventKind
	switch n.Kind {
	case forecast.HeatOff:
		if g.HeatSeemsOff() || stage == plan.StageMelting {
			return
		}
		kind = plan.EventHeatOff
	case forecast.JugOut:
		if g.JugOut() || stage == plan.StageMelting {
			return
		}
		kind = plan.EventJugOut
	case forecast.ScentIn:
		if _, in := g.ScentAt(); in || stage != plan.StageScent {
			return
		}
		kind = plan.EventScentAdded
	default:
		return
	}
	if at-since < 20*time.Second { // the tap may be on its way
		return
	}
	for _, e := range p.run.history { // asked once, answered once
		if e.Detected && e.Kind == kind {
			return
		}
	}
	began := p.s.line.shifted() + time.Duration(n.At*float64(time.Second))
	began = min(max(began, since), at)
	now := p.s.now()
	e := plan.Event{
		ID: fmt.Sprintf("noticed-%s-%d", kind, began.Milliseconds()), Kind: kind, At: began,
		Wall: p.s.line.wallOf(began, now), Detected: true, Celsius: p.celsius(),
	}
	p.enter(p.run, e)
	p.s.flushSoon()
	p.publishEvent(e)
}

func (p *pot) publishEvent(e plan.Event) {
	e.Forecast = nil
	p.s.hub.publish(Update{Type: "event", Now: p.s.wall(p.s.now()), PotID: p.opt.ID, Event: &e})
	p.show(p.s.now(), true)
}

// enter records an event of a batch in the pot or on the shelf. It is numbered
// here, in the order in which the pot sees it among its readings; whoever answers
// for it flushes the trace first.
func (p *pot) enter(r *run, e plan.Event) {
	p.s.opt.Store.Append(eventEntry(r.batch.ID, p.opt.ID, e))
	if r == p.run {
		p.apply(e)
	} else {
		p.s.applyShelf(r, e)
	}
}

// apply takes an event into the batch: history, stage, forecast.
func (p *pot) apply(e plan.Event) {
	r := p.run
	before := r.events
	r.history = append(r.history, e)
	switch e.Kind {
	case plan.EventCorrection, plan.EventWithdrawal:
		p.rebuild(r)
	default:
		if n := len(r.events); n > 0 && r.events[n-1].At > e.At {
			p.rebuild(r)
		} else {
			r.events = append(r.events, e)
			r.progress.Apply(e)
		}
		if !e.Detected {
			p.tellEngine(e)
		}
	}
	if at, ok := r.progress.PouredAt(); ok {
		r.batch.PouredAt = at
	} else {
		r.batch.PouredAt = 0
	}
	p.stamp++
	if r.relot(before) {
		p.s.saveBatch(r.batch)
	}
	p.stageMoved()
}

// rebuild works the batch's standing out again from its corrected events.
func (p *pot) rebuild(r *run) {
	r.events = plan.Fold(r.history)
	g := plan.NewProgress(r.sheet)
	for _, e := range r.events {
		g.Apply(e)
	}
	at := p.s.line.at(p.s.now())
	for _, id := range p.order {
		if st := p.probes[id]; st.Role == probe.RolePot && st.HaveGood {
			g.Observe(at, st.Good.Celsius)
		}
	}
	g.Tick(at)
	r.progress = g
}

func (p *pot) tellEngine(e plan.Event) {
	kind, ok := map[plan.EventKind]forecast.EventKind{
		plan.EventHeatOn:     forecast.HeatOn,
		plan.EventStart:      forecast.HeatOn,
		plan.EventHeatOff:    forecast.HeatOff,
		plan.EventScentAdded: forecast.ScentIn,
		plan.EventStirred:    forecast.Stirred,
		plan.EventJugOut:     forecast.JugOut,
		plan.EventProbeOut:   forecast.ProbeOut,
		plan.EventProbeIn:    forecast.ProbeBack,
	}[e.Kind]
	if !ok {
		return
	}
	defer func() {
		if x := recover(); x != nil {
			p.s.log.Error("the forecast failed on an event", "pot", p.opt.ID, "panic", x)
			p.outlook = nil
			p.renew()
		}
	}()
	p.engine.Tell(p.seconds(e.At), kind)
}

// celsius is the pot's last good reading; 0 when there is none.
func (p *pot) celsius() float64 {
	if st := p.potProbe(p.s.line.at(p.s.now())); st != nil && st.HaveGood {
		return st.Good.Celsius
	}
	return 0
}

// leadFor is how long a probe of the wax that gives nothing good still leads: a
// second one in the same pot takes over then.
const leadFor = 30 * time.Second

// potProbe is the probe of the wax that stage and forecast rest on: the first
// that has lately been good, else the one that was good last, else any.
func (p *pot) potProbe(at time.Duration) *alerts.ProbeState {
	var best *alerts.ProbeState
	for _, id := range p.order {
		st := p.probes[id]
		switch {
		case st.Role != probe.RolePot:
		case st.HaveGood && at-st.GoodAt <= leadFor:
			return st
		case best == nil, st.HaveGood && (!best.HaveGood || st.GoodAt > best.GoodAt):
			best = st
		}
	}
	return best
}

// show publishes the pot as it stands; unless urgent, at most once a second.
func (p *pot) show(now time.Time, urgent bool) {
	real := now.Sub(p.viewed).Seconds() / p.s.opt.Lapse
	if !urgent && real >= 0 && real < 0.95 {
		return
	}
	p.viewed = now
	v := p.viewLocked(now)
	p.s.hub.publish(Update{Type: "pot", Now: p.s.wall(now), PotID: p.opt.ID, Pot: &v})
}

// mute is the forecaster of last resort: it never has an answer.
type mute struct{}

func (mute) Know(forecast.Known)                      {}
func (mute) Add(_, _ float64)                         {}
func (mute) Room(_, _ float64)                        {}
func (mute) Bath(_, _ float64)                        {}
func (mute) Pass(float64)                             {}
func (mute) Tell(float64, forecast.EventKind)         {}
func (mute) Noticed() []forecast.Noticed              { return nil }
func (mute) Rate() (float64, bool)                    { return 0, false }
func (mute) Lessons() []forecast.Lesson               { return nil }
func (mute) Ahead(float64) (a, b, c float64, ok bool) { return 0, 0, 0, false }
func (mute) Crossing(float64, forecast.Direction) forecast.Forecast {
	return forecast.Forecast{Status: forecast.TooEarly, Reason: "no forecast", Eta: math.NaN(), Lo: math.NaN(), Hi: math.NaN(), Level: 0.9}
}
func (m mute) Band(_, _ float64) (a, b, c forecast.Forecast) {
	f := m.Crossing(0, forecast.Cooling)
	return f, f, f
}

func eventEntry(batch, pot string, e plan.Event) trace.Entry {
	name := string(e.Kind)
	if e.Detected { // only noticed: a replay must notice it again, not be told
		name = "noticed-" + name
	}
	return trace.Entry{
		Batch: batch, Pot: pot, At: e.At, Wall: e.Wall, Kind: trace.KindEvent, ID: e.ID, Name: name, Data: mustJSON(e),
	}
}

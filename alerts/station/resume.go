package station

import (
	"cmp"
	"context"
	"encoding/json"
	"fmt"
	"slices"
	"sort"
	"time"

	"example.org/meltstation/alerts"
	"example.org/meltstation/alerts/forecast"
	"example.org/meltstation/alerts/plan"
	"example.org/meltstation/probe"
	"example.org/meltstation/probe/trace"
)

// resumeCurve is how much of an open batch's curve the forecast is given back
// after a restart: more than any regime lasts.
const resumeCurve = 3 * time.Hour

// resume stands every open batch where its trace leaves it.
func (s *Station) resume(ctx context.Context) error {
	open, err := s.opt.Store.OpenBatches(ctx)
	if err != nil {
		return err
	}
	// Those of a pot that has left the settings come last: they take no other's place.
	gone := func(b trace.Batch) bool { _, err := s.pot(b.Pot); return err != nil }
	sort.Slice(open, func(i, j int) bool {
		if gi, gj := gone(open[i]), gone(open[j]); gi != gj {
			return gj
		}
		return open[i].StartAt < open[j].StartAt
	})
	latest, err := s.latest(ctx)
	if err != nil {
		return err
	}
	for _, b := range open {
		p, err := s.pot(b.Pot)
		if err != nil { // the pot has left the settings: its candles still cure
			p = s.pots[0]
		}
		r, entries, err := s.readRun(ctx, b)
		if err != nil {
			return fmt.Errorf("batch %s: %w", b.ID, err)
		}
		r.home = p
		if r.progress.Over() { // while the station was off
			s.ended(r)
			continue
		}
		after, later := latest[b.Pot]
		_, poured := r.progress.PouredAt()
		p.mu.Lock()
		if poured && (gone(b) || r.leaves(s.line.at(s.now())) || later && after != b.ID) { // the pot has gone on
			s.toShelf(r)
			p.mu.Unlock()
			continue
		}
		if gone(b) && p.run != nil {
			p.mu.Unlock()
			s.SetTrouble("pot-gone "+b.ID, fmt.Sprintf("Batch %s was begun in the pot %q, which is not in the settings any more. Put that pot back into the settings file and start meltstation anew, to go on with the batch or to give it up.", b.ID, b.Pot))
			continue
		}
		if p.run != nil {
			s.toShelf(p.run)
		}
		p.run = r
		p.resumeCurve(entries)
		p.mu.Unlock()
	}
	for _, p := range s.pots {
		if err := p.resumeAlarms(ctx); err != nil {
			return fmt.Errorf("pot %s: what stood: %w", p.opt.ID, err)
		}
	}
	return nil
}

// latest returns the batch that was last started in each pot that has been used of
// late, closed or not.
func (s *Station) latest(ctx context.Context) (map[string]string, error) {
	last, err := s.opt.Store.Batches(ctx, trace.Query{Limit: 8 * len(s.pots)})
	if err != nil {
		return nil, err
	}
	out := map[string]string{}
	at := map[string]time.Duration{}
	for _, b := range last {
		if _, ok := out[b.Pot]; !ok || b.StartAt > at[b.Pot] {
			out[b.Pot], at[b.Pot] = b.ID, b.StartAt
		}
	}
	return out, nil
}

// ended closes a batch that came to its end while the station was off. A cured
// one goes by the shelf, so that its cue still comes.
func (s *Station) ended(r *run) {
	if _, poured := r.progress.PouredAt(); poured {
		r.watch = alerts.NewWatch(r.batch.Pot, s.opt.Alarms)
		s.mu.Lock()
		s.shelf = append(s.shelf, r)
		s.mu.Unlock()
		return
	}
	stage, _ := r.progress.Stage()
	r.batch.Stage, r.batch.Ended = string(stage), s.wall(s.now())
	s.saveBatch(r.batch)
}

// resumeAlarms puts the pot's alarms and cues back where they stood: by what was
// written of them outside any batch, in the pot's last batches, and in those on
// the shelf, in the order in which it happened.
func (p *pot) resumeAlarms(ctx context.Context) error {
	batches := map[string]bool{"": true}
	last, err := p.s.opt.Store.Batches(ctx, trace.Query{Limit: 8 * len(p.s.pots)})
	if err != nil {
		return err
	}
	for _, b := range last {
		if b.Pot == p.opt.ID && len(batches) < 4 {
			batches[b.ID] = true
		}
	}
	shelf := map[string]*run{}
	for _, r := range p.s.shelfRuns() {
		if r.home == p {
			batches[r.batch.ID], shelf[r.batch.ID] = true, r
		}
	}
	var kept []trace.Entry
	for id := range batches {
		es, err := p.s.opt.Store.Events(ctx, id)
		if err != nil {
			return err
		}
		for _, e := range es {
			if e.Kind == trace.KindNotice && e.Pot == p.opt.ID {
				kept = append(kept, e)
			}
		}
	}
	slices.SortFunc(kept, func(a, b trace.Entry) int { return cmp.Compare(a.Seq, b.Seq) })
	var pot []alerts.Notice
	cues := map[string][]alerts.Notice{}
	for _, e := range kept {
		var n alerts.Notice
		if err := json.Unmarshal(e.Data, &n); err != nil {
			p.s.log.Warn("a notice in the trace can't be read and is passed over", "seq", e.Seq, "err", err)
			continue
		}
		if shelf[e.Batch] != nil && n.Class == alerts.Cue {
			cues[e.Batch] = append(cues[e.Batch], n)
			continue
		}
		pot = append(pot, n)
	}
	p.mu.Lock()
	defer p.mu.Unlock()
	p.watch.Rebuild(pot)
	for id, ns := range cues {
		shelf[id].watch.Rebuild(ns)
	}
	return nil
}

// readRun rebuilds a batch from its trace.
func (s *Station) readRun(ctx context.Context, b trace.Batch) (*run, []trace.Entry, error) {
	r := &run{batch: b}
	if err := json.Unmarshal(b.Sheet, &r.sheet); err != nil {
		return nil, nil, fmt.Errorf("reading its sheet: %w", err)
	}
	var entries []trace.Entry
	for e, err := range s.opt.Store.Entries(ctx, b.ID, 0) {
		if err != nil {
			return nil, nil, err
		}
		entries = append(entries, e)
		if e.Kind != trace.KindEvent {
			continue
		}
		var ev plan.Event
		if err := json.Unmarshal(e.Data, &ev); err != nil {
			s.log.Warn("an event in the trace can't be read and is passed over", "batch", b.ID, "seq", e.Seq, "err", err)
			continue
		}
		if len(ev.Forecast) > 0 {
			if err := json.Unmarshal(ev.Forecast, &r.known); err != nil {
				s.log.Warn("what the forecast knew at the start can't be read", "batch", b.ID, "err", err)
			}
		}
		r.history = append(r.history, ev)
	}
	r.events = plan.Fold(r.history)
	r.progress = plan.NewProgress(r.sheet)
	r.like = s.likeOf(ctx, b)

	// Events and good readings of the wax, as they came.
	next := 0
	for _, e := range entries {
		if e.Kind != trace.KindReading || e.Role != probe.RolePot || e.Quality != probe.Good {
			continue
		}
		for next < len(r.events) && r.events[next].At <= e.At {
			r.progress.Apply(r.events[next])
			next++
		}
		r.progress.Observe(e.At, e.Celsius)
	}
	for ; next < len(r.events); next++ {
		r.progress.Apply(r.events[next])
	}
	r.progress.Tick(s.line.at(s.now()))
	if at, ok := r.progress.PouredAt(); ok {
		r.batch.PouredAt = at
	}
	if r.relot(nil) { // noted just before the station went off
		s.saveBatch(r.batch)
	}
	return r, entries, nil
}

// resumeCurve gives the forecast and the alarms back what they knew.
func (p *pot) resumeCurve(entries []trace.Entry) {
	p.outlook, p.fitted = nil, 0
	p.renew()
	stage, _ := p.run.progress.Stage()
	p.run.batch.Stage = string(stage)
	from := time.Duration(0)
	if n := len(entries); n > 0 {
		from = entries[n-1].At - resumeCurve
	}
	next := 0
	events := p.run.history // as they were told then; a correction tells the forecast nothing
	tell := func(upTo time.Duration) {
		for next < len(events) && events[next].At <= upTo {
			if !events[next].Detected {
				p.tellEngine(events[next])
			}
			next++
		}
	}
	for _, e := range entries {
		switch e.Kind {
		case trace.KindReading:
			r := probe.Reading{
				Probe: e.Probe, Role: e.Role, Pot: e.Pot, At: e.Wall, Celsius: e.Celsius, Raw: e.Raw, Quality: e.Quality,
			}
			st := p.probes[e.Probe]
			if st == nil {
				st = &alerts.ProbeState{ID: e.Probe, Role: e.Role}
				p.probes[e.Probe] = st
				p.order = append(p.order, e.Probe)
			}
			st.Last, st.LastAt = r, e.At
			if r.OK() {
				st.Good, st.GoodAt, st.HaveGood = r, e.At, true
			}
			if e.At < from || !r.OK() {
				continue
			}
			tell(e.At)
			p.refit(e.At, r)
		}
	}
	if n := len(entries); n > 0 {
		tell(entries[n-1].At)
	}
}

// refit gives the forecast a stored reading, without asking it anything.
func (p *pot) refit(at time.Duration, r probe.Reading) {
	defer func() {
		if e := recover(); e != nil {
			p.s.log.Error("the forecast failed on a stored reading and was begun anew", "pot", p.opt.ID, "panic", e)
			p.renew()
		}
	}()
	t := p.seconds(at)
	switch r.Role {
	case probe.RolePot:
		p.engine.Add(t, r.Celsius)
	case probe.RoleRoom:
		p.engine.Room(t, r.Celsius)
	case probe.RoleBath:
		p.engine.Bath(t, r.Celsius)
	}
}

// toShelf puts a poured batch on the shelf: its candles set and cure while the
// pot goes on with another. The caller holds the pot's lock.
func (s *Station) toShelf(r *run) {
	if _, poured := r.progress.PouredAt(); !poured || r.progress.Over() {
		return
	}
	r.watch = alerts.NewWatch(r.batch.Pot, s.opt.Alarms)
	if p, err := s.pot(r.batch.Pot); err == nil {
		r.watch.Rebuild(p.watch.HandOver(r.batch.ID)) // alarms stay with the pot
	}
	s.mu.Lock()
	s.shelf = append(s.shelf, r)
	s.mu.Unlock()
}

func (s *Station) shelfRuns() []*run {
	s.mu.Lock()
	defer s.mu.Unlock()
	return append([]*run(nil), s.shelf...)
}

func (s *Station) shelved(batch string) *run {
	for _, r := range s.shelfRuns() {
		if r.batch.ID == batch {
			return r
		}
	}
	return nil
}

// tickShelf lets time pass for the batches on the shelf: trim, move, cured.
func (s *Station) tickShelf(now time.Time) {
	at := s.line.at(now)
	for _, r := range s.shelfRuns() {
		p := r.home
		p.mu.Lock()
		r.progress.Tick(at)
		f := alerts.Facts{At: at, Wall: s.wall(now), DiskFree: -1}
		r.facts(&f)
		ns := r.watch.Eval(f)
		s.tell(p.opt.ID, r.batch.ID, ns)
		s.settle(r, now)
		p.mu.Unlock()
	}
}

// applyShelf takes an event into a batch on the shelf. The caller holds the lock
// of its pot.
func (s *Station) applyShelf(r *run, e plan.Event) {
	before := r.events
	r.history = append(r.history, e)
	r.events = plan.Fold(r.history)
	g := plan.NewProgress(r.sheet)
	for _, e := range r.events {
		g.Apply(e)
	}
	now := s.now()
	g.Tick(s.line.at(now))
	r.progress = g
	r.batch.PouredAt, _ = g.PouredAt()
	if r.relot(before) {
		s.saveBatch(r.batch)
	}
	s.settle(r, now)
}

// settle keeps the stored row in step, and takes a cured batch off the shelf.
func (s *Station) settle(r *run, now time.Time) {
	stage, _ := r.progress.Stage()
	if string(stage) != r.batch.Stage {
		r.batch.Stage, r.batch.Ended = string(stage), time.Time{}
		if r.progress.Over() {
			r.batch.Ended = s.wall(now)
		}
		s.saveBatch(r.batch)
	}
	if r.progress.Over() {
		s.mu.Lock()
		for i, x := range s.shelf {
			if x == r {
				s.shelf = append(s.shelf[:i:i], s.shelf[i+1:]...)
				break
			}
		}
		s.mu.Unlock()
	}
}

// docLesson is the kind of document that holds what a batch taught the forecast.
const docLesson = "lesson"

// lessonsKept is how many of the shop's latest lessons a forecast starts from.
const lessonsKept = 60

// keepLessons stores what the batch taught, and starts later batches from it.
func (s *Station) keepLessons(ctx context.Context, p *pot, b trace.Batch) {
	p.mu.Lock()
	var ls []forecast.Lesson
	func() {
		defer func() { _ = recover() }() // a forecast that fails has nothing to teach
		if ls = p.taught; ls == nil {
			ls = p.engine.Lessons()
		}
	}()
	p.mu.Unlock()
	if len(ls) == 0 {
		return
	}
	s.mu.Lock()
	s.taught = append(append([]forecast.Lesson(nil), ls...), s.taught...)
	s.taught = s.taught[:min(len(s.taught), 10*lessonsKept)]
	s.mu.Unlock()
	data, err := json.Marshal(ls)
	if err == nil {
		err = s.opt.Store.PutDoc(ctx, docLesson, b.ID, data, "station")
	}
	if err != nil {
		s.log.Warn("what the batch taught could not be kept", "batch", b.ID, "err", err)
	}
}

// loadLessons reads what earlier batches taught, the latest first. They are kept
// in memory, so that no pot ever waits for the disk.
func (s *Station) loadLessons(ctx context.Context) {
	docs, err := s.opt.Store.Docs(ctx, docLesson)
	if err != nil {
		s.log.Warn("earlier lessons could not be read", "err", err)
		return
	}
	for i := len(docs) - 1; i >= 0 && len(s.taught) < 10*lessonsKept; i-- {
		var ls []forecast.Lesson
		if json.Unmarshal(docs[i].Data, &ls) == nil {
			s.taught = append(s.taught, ls...)
		}
	}
}

// lessons are what earlier batches taught, those of the same jug last, the latest
// of them at the very end: a forecast gives the last ones the most weight.
func (s *Station) lessons(jug string) []forecast.Lesson {
	s.mu.Lock()
	defer s.mu.Unlock()
	var same, other []forecast.Lesson
	for _, l := range s.taught {
		if l.Jug == jug {
			same = append(same, l)
		} else {
			other = append(other, l)
		}
	}
	all := append(same, other...)
	all = all[:min(len(all), lessonsKept)]
	slices.Reverse(all)
	return all
}

// likeOf finds an earlier batch of the same recipe, to draw behind this one.
func (s *Station) likeOf(ctx context.Context, b trace.Batch) string {
	if b.Recipe == "" {
		return ""
	}
	bs, err := s.opt.Store.Batches(ctx, trace.Query{Recipe: b.Recipe, Limit: 10})
	if err != nil {
		return ""
	}
	for _, x := range bs {
		if x.ID != b.ID && x.Pot == b.Pot && x.PouredAt > 0 {
			return x.ID
		}
	}
	return ""
}

package station

import (
	"context"
	"errors"
	"fmt"
	"slices"
	"strings"
	"time"

	"example.org/meltstation/alerts"
	"example.org/meltstation/alerts/plan"
	"example.org/meltstation/probe/trace"
)

// Start puts a batch into a pot and returns its code. A poured batch that is
// still in the pot moves to the shelf. The batch is on disk when Start returns
// without an error.
func (s *Station) Start(ctx context.Context, potID string, req StartRequest) (string, error) {
	p, err := s.pot(potID)
	if err != nil {
		return "", err
	}
	if req.ID == "" {
		return "", fmt.Errorf("%w: a start needs an id of its own", ErrInvalid)
	}
	sheet := req.Sheet
	if sheet.Thresholds == (plan.Thresholds{}) {
		sheet = s.opt.Default
	}
	if bad := sheet.Thresholds.Validate(); len(bad) > 0 {
		return "", fmt.Errorf("%w: %w", ErrInvalid, bad[0])
	}
	if n := len(sheet.Melts); n > 1 {
		return "", fmt.Errorf("%w: the sheet is for %d melts, each weighed and scented by itself; start one melt at a time", ErrInvalid, n)
	}
	for _, w := range sheet.Warnings {
		if w.Level == plan.Stop {
			return "", fmt.Errorf("%w: %s", ErrInvalid, w.Text)
		}
	}
	code, err := s.nextCode(ctx)
	if err != nil {
		return "", err
	}

	like := s.likeOf(ctx, trace.Batch{ID: code, Pot: potID, Recipe: sheet.Recipe})

	p.mu.Lock()
	if p.run != nil {
		for _, e := range p.run.history {
			if e.ID == req.ID { // the same tap again
				id := p.run.batch.ID
				p.mu.Unlock()
				if err := s.opt.Store.Flush(ctx); err != nil { // the first time may not have reached the disk
					return id, fmt.Errorf("batch %s goes on, but is not on disk yet: %w", id, err)
				}
				return id, nil
			}
		}
		if _, poured := p.run.progress.PouredAt(); !poured && !p.run.progress.Over() {
			p.mu.Unlock()
			return "", fmt.Errorf("%w: batch %s; pour it, or give it up first", ErrBusy, p.run.batch.ID)
		}
		s.toShelf(p.run)
		p.run = nil
	}
	now := s.now()
	at := s.line.at(now)
	name := req.Name
	if name == "" {
		name = sheet.Name
	}
	p.run = &run{
		home: p, sheet: sheet, progress: plan.NewProgress(sheet),
		batch: trace.Batch{
			ID: code, Pot: potID, Name: name, Recipe: sheet.Recipe, Started: s.wall(now), StartAt: at,
			Sheet: mustJSON(sheet), Lots: lots(sheet, req), Stage: string(plan.StageIdle),
		},
	}
	p.run.like = like
	p.run.known = p.known(p.run)
	p.outlook, p.fitted, p.heated, p.taught = nil, 0, nil, nil
	p.renew()
	e := plan.Event{
		ID: req.ID, Kind: plan.EventStart, At: at, Wall: s.wall(now), Who: req.Who, Celsius: p.celsius(), Lots: req.LotOf,
		Forecast: mustJSON(p.run.known),
	}
	p.enter(p.run, e)
	p.startRoom(at)
	batch := p.run.batch
	p.publishEvent(e)
	p.mu.Unlock()

	if err := s.opt.Store.PutBatch(ctx, batch); err != nil {
		return code, fmt.Errorf("batch %s goes on, but is not on disk yet: %w", code, err)
	}
	if err := s.opt.Store.Flush(ctx); err != nil {
		return code, fmt.Errorf("batch %s goes on, but its start is not on disk yet: %w", code, err)
	}
	s.hub.publish(Update{Type: "batches", Now: s.wall(s.now())})
	return code, nil
}

// startRoom gives a new batch the room's temperature as it was last read.
func (p *pot) startRoom(at time.Duration) {
	p.s.mu.Lock()
	room, roomAt := p.s.room, p.s.roomAt
	p.s.mu.Unlock()
	if room == nil || !room.OK() || at-roomAt > time.Minute {
		return
	}
	p.s.opt.Store.Append(readingEntry(p.run.batch.ID, p.opt.ID, at, *room))
	p.refit(at, *room)
}

// lots are the lot numbers of a batch that starts, from its sheet and as given.
func lots(s plan.Sheet, req StartRequest) []string {
	out := plan.LotsOf(s, []plan.Event{{Lots: req.LotOf}})
	for _, l := range req.Lots {
		if l != "" && !slices.Contains(out, l) {
			out = append(out, l)
		}
	}
	return out
}

// relot keeps the lots by which the batch is looked up in step with what is noted
// of them: before are the events as they stood until now.
func (r *run) relot(before []plan.Event) bool {
	was := plan.LotsOf(r.sheet, before)
	now := plan.LotsOf(r.sheet, r.events)
	for _, l := range r.batch.Lots { // given at the start without saying of what
		if !slices.Contains(was, l) && !slices.Contains(now, l) {
			now = append(now, l)
		}
	}
	if slices.Equal(now, r.batch.Lots) {
		return false
	}
	r.batch.Lots = now
	return true
}

// nextCode makes the next batch code of the day: 26-11-25-A, then -B, and so on.
func (s *Station) nextCode(ctx context.Context) (string, error) {
	day := s.wall(s.now()).Format("06-01-02")
	s.codes.Lock()
	defer s.codes.Unlock()
	for i := 0; ; i++ {
		code := day + "-" + letters(i)
		if s.given[code] {
			continue
		}
		_, err := s.opt.Store.Batch(ctx, code)
		switch {
		case errors.Is(err, trace.ErrNoBatch):
			s.given[code] = true
			return code, nil
		case err != nil:
			return day + "-" + s.wall(s.now()).Format("150405"), nil //nolint:nilerr // a trace that can't be asked must not stop a batch
		}
	}
}

// letters counts A to Z, then AA, AB and so on.
func letters(i int) string {
	s := ""
	for i++; i > 0; i = (i - 1) / 26 {
		s = string(rune('A'+(i-1)%26)) + s
	}
	return s
}

// Tap records what the maker has done. The event is on disk when Tap returns
// without an error. The same id again returns the first event.
func (s *Station) Tap(ctx context.Context, potID string, t Tap) (plan.Event, error) {
	p, err := s.home(potID, t.Batch)
	if err != nil {
		return plan.Event{}, err
	}
	if t.ID == "" {
		return plan.Event{}, fmt.Errorf("%w: a tap needs an id of its own", ErrInvalid)
	}
	now := s.now()
	p.mu.Lock()
	r, err := p.find(t.Batch)
	if err != nil {
		if t.Kind == plan.EventTouched && t.Batch == "" { // someone is there, by an empty pot
			p.idleTap = s.line.at(now)
			p.mu.Unlock()
			return plan.Event{ID: t.ID, Kind: t.Kind, At: s.line.at(now), Wall: s.wall(now), Who: t.Who}, nil
		}
		p.mu.Unlock()
		return plan.Event{}, err
	}
	for _, e := range r.history {
		if e.ID == t.ID {
			p.mu.Unlock()
			if err := s.opt.Store.Flush(ctx); err != nil { // the first time may not have reached the disk
				return e, fmt.Errorf("noted, but not on disk yet: %w", err)
			}
			return e, nil
		}
	}
	always := t.Kind == plan.EventNote || t.Kind == plan.EventTouched || t.Kind == plan.EventProbeOut || t.Kind == plan.EventProbeIn ||
		t.Kind == plan.EventLots || t.Kind == plan.EventFound
	if _, poured := r.progress.PouredAt(); poured && t.Kind == plan.EventLeftOver {
		always = true // the jug is often weighed later
	}
	switch {
	case t.Kind == plan.EventStart || t.Kind == plan.EventCorrection || t.Kind == plan.EventWithdrawal:
		err = fmt.Errorf("%w: %q is not a tap", ErrInvalid, t.Kind)
	case always:
	case t.Batch == "" && t.Stamp != 0 && t.Stamp != p.stamp && !slices.Contains(r.progress.Taps(), t.Kind):
		err = ErrStale
	case !slices.Contains(r.progress.Taps(), t.Kind):
		err = fmt.Errorf("%w: %s", ErrNotNow, notNow(r.progress, t.Kind))
	}
	if err != nil {
		p.mu.Unlock()
		return plan.Event{}, err
	}
	e := plan.Event{
		ID: t.ID, Kind: t.Kind, At: s.line.at(now), Wall: s.wall(now), Who: t.Who,
		Celsius: t.Celsius, Grams: t.Grams, Counts: t.Counts, First: t.First, Last: t.Last, Text: t.Text,
		Lots: t.Lots, Found: t.Found,
	}
	if r == p.run {
		if _, poured := r.progress.PouredAt(); e.Celsius == 0 && !poured { // afterwards the probe is in an empty jug
			e.Celsius = p.celsius()
		}
		if e.Kind == plan.EventPoured {
			p.fillPour(&e)
		}
	}
	p.enter(r, e)
	over := r == p.run && (e.Kind == plan.EventPoured || e.Kind == plan.EventAbandoned)
	if over {
		p.closePot(e)
	}
	batch := r.batch
	p.publishEvent(e)
	p.mu.Unlock()

	if over {
		s.keepLessons(ctx, p, batch)
	}
	if err := s.opt.Store.Flush(ctx); err != nil {
		return e, fmt.Errorf("noted, but not on disk yet: %w", err)
	}
	return e, nil
}

// home returns the pot that looks after a batch, in it or on the shelf; without a
// batch, or with one that is closed, the pot of that id.
func (s *Station) home(potID, batch string) (*pot, error) {
	if r := s.shelved(batch); batch != "" && r != nil {
		return r.home, nil
	}
	return s.pot(potID)
}

// fillPour adds the wax temperatures at the first and the last jar, as measured.
func (p *pot) fillPour(e *plan.Event) {
	if e.Last == 0 {
		e.Last = p.celsius()
	}
	if e.First == 0 {
		for _, x := range p.run.events {
			if x.Kind == plan.EventPourStart {
				e.First = x.Celsius
			}
		}
	}
}

// closePot ends what is left of a batch in its pot when it is given up.
func (p *pot) closePot(e plan.Event) {
	if e.Kind != plan.EventAbandoned {
		return
	}
	p.run.batch.Ended = e.Wall
	p.s.saveBatch(p.run.batch)
	p.evaluate(e.At, nil, 0)
	p.run = nil
	p.outlook = nil
	p.stamp++
}

// find returns the batch in the pot, or a batch of its on the shelf.
func (p *pot) find(batch string) (*run, error) {
	if p.run != nil && (batch == "" || batch == p.run.batch.ID) {
		return p.run, nil
	}
	if batch != "" {
		if r := p.s.shelved(batch); r != nil && r.home == p { // its pot's lock guards it
			return r, nil
		}
		return nil, fmt.Errorf("%w: batch %s is not open", ErrNoBatch, batch)
	}
	return nil, ErrNoBatch
}

// amend records a correction or a withdrawal of an event.
func (s *Station) amend(ctx context.Context, potID, eventID string, make func(r *run, old plan.Event, now time.Duration) (plan.Event, error)) error {
	p, err := s.pot(potID)
	for _, r := range s.shelfRuns() {
		if err != nil && r.batch.Pot == potID { // the pot has left the settings
			p, err = r.home, nil
		}
	}
	if err != nil {
		return err
	}
	p.mu.Lock()
	r := p.run
	var old *plan.Event
	for _, cand := range append([]*run{p.run}, s.shelfRuns()...) {
		if cand == nil || cand.home != p {
			continue
		}
		for i := range cand.events {
			if cand.events[i].ID == eventID {
				r, old = cand, &cand.events[i]
			}
		}
	}
	if old == nil {
		p.mu.Unlock()
		return fmt.Errorf("%w: %q", ErrNoEvent, eventID)
	}
	if old.Kind == plan.EventStart {
		p.mu.Unlock()
		return fmt.Errorf("%w: a start is not taken back; give the batch up instead", ErrNotNow)
	}
	now := s.now()
	e, err := make(r, *old, s.line.at(now))
	if err != nil {
		p.mu.Unlock()
		return err
	}
	e.At, e.Wall, e.Corrects = s.line.at(now), s.wall(now), eventID
	e.ID = fmt.Sprintf("%s-%s-%d", e.Kind, eventID, e.At.Milliseconds())
	if r != p.run && r.unpours(e) {
		p.mu.Unlock()
		return fmt.Errorf("%w: the candles of batch %s are on the shelf and its jug has gone on, so \"poured\" stays; correct its time or its counts instead", ErrNotNow, r.batch.ID)
	}
	p.enter(r, e)
	p.publishEvent(e)
	p.mu.Unlock()
	if err := s.opt.Store.Flush(ctx); err != nil {
		return fmt.Errorf("noted, but not on disk yet: %w", err)
	}
	return nil
}

// unpours reports whether a batch would not be poured any more with one event more.
func (r *run) unpours(e plan.Event) bool {
	if _, poured := r.progress.PouredAt(); !poured {
		return false
	}
	events := plan.Fold(append(slices.Clone(r.history), e))
	return !slices.ContainsFunc(events, func(e plan.Event) bool { return e.Kind == plan.EventPoured })
}

// Withdraw takes an event back; it stays in the history.
func (s *Station) Withdraw(ctx context.Context, pot, eventID, who string) error {
	return s.amend(ctx, pot, eventID, func(*run, plan.Event, time.Duration) (plan.Event, error) {
		return plan.Event{Kind: plan.EventWithdrawal, Who: who}, nil
	})
}

// Correct replaces what an event says, see [plan.Replacement]; the first version
// stays in the history.
func (s *Station) Correct(ctx context.Context, pot, eventID string, to plan.Event, who string) error {
	return s.amend(ctx, pot, eventID, func(r *run, old plan.Event, now time.Duration) (plan.Event, error) {
		to, err := plan.Replacement(old, to, r.batch.StartAt, now)
		if err != nil {
			return plan.Event{}, fmt.Errorf("%w: %w", ErrInvalid, err)
		}
		to.Who = who
		return plan.Event{Kind: plan.EventCorrection, Who: who, Corrected: &to}, nil
	})
}

// Confirm answers what the station asked about an event it noticed by itself:
// yes keeps it, no takes it back.
func (s *Station) Confirm(ctx context.Context, pot, eventID, who string, yes bool) error {
	if !yes {
		return s.Withdraw(ctx, pot, eventID, who)
	}
	return s.amend(ctx, pot, eventID, func(_ *run, old plan.Event, _ time.Duration) (plan.Event, error) {
		old.Detected, old.Who = false, who
		return plan.Event{Kind: plan.EventCorrection, Who: who, Corrected: &old}, nil
	})
}

// act runs one of the maker's answers to an alarm and puts it on disk.
func (s *Station) act(ctx context.Context, potID string, do func(w *alerts.Watch, at time.Duration, wall time.Time) ([]alerts.Notice, error)) error {
	p, err := s.pot(potID)
	if err != nil {
		return err
	}
	p.mu.Lock()
	now := s.now()
	at := s.line.at(now)
	ns, err := do(p.watch, at, s.wall(now))
	if err != nil {
		for _, r := range s.shelfRuns() {
			if r.home != p {
				continue
			}
			if more, e2 := do(r.watch, at, s.wall(now)); e2 == nil {
				ns, err = more, nil
				for i := range ns {
					ns[i].Batch = r.batch.ID
				}
				break
			}
		}
	}
	if err == nil {
		p.idleTap = at
		p.tell(ns)
	}
	p.mu.Unlock()
	if err != nil {
		return err
	}
	if err := s.opt.Store.Flush(ctx); err != nil {
		return fmt.Errorf("noted, but not on disk yet: %w", err)
	}
	return nil
}

// Acknowledge says that the maker has seen an alarm or a cue.
func (s *Station) Acknowledge(ctx context.Context, pot, key, who string) error {
	return s.act(ctx, pot, func(w *alerts.Watch, at time.Duration, wall time.Time) ([]alerts.Notice, error) {
		return w.Acknowledge(at, wall, key, who)
	})
}

// Shelve puts an alarm aside for a limited time.
func (s *Station) Shelve(ctx context.Context, pot, key, who string, d time.Duration) error {
	return s.act(ctx, pot, func(w *alerts.Watch, at time.Duration, wall time.Time) ([]alerts.Notice, error) {
		return w.Shelve(at, wall, key, who, d)
	})
}

// Unshelve brings a shelved alarm back before its time.
func (s *Station) Unshelve(ctx context.Context, pot, key, who string) error {
	return s.act(ctx, pot, func(w *alerts.Watch, at time.Duration, wall time.Time) ([]alerts.Notice, error) {
		return w.Unshelve(at, wall, key, who)
	})
}

// Reset ends a latched alarm whose cause is gone.
func (s *Station) Reset(ctx context.Context, pot, key, who string) error {
	return s.act(ctx, pot, func(w *alerts.Watch, at time.Duration, wall time.Time) ([]alerts.Notice, error) {
		return w.Reset(at, wall, key, who)
	})
}

// Remove takes an alarm out of service, with a reason.
func (s *Station) Remove(ctx context.Context, pot, key, who, reason string) error {
	return s.act(ctx, pot, func(w *alerts.Watch, at time.Duration, wall time.Time) ([]alerts.Notice, error) {
		return w.Remove(at, wall, key, who, reason)
	})
}

// Restore puts an alarm back into service.
func (s *Station) Restore(ctx context.Context, pot, key, who string) error {
	return s.act(ctx, pot, func(w *alerts.Watch, at time.Duration, wall time.Time) ([]alerts.Notice, error) {
		return w.Restore(at, wall, key, who)
	})
}

// notNow says why a tap is not taken; most often another page was quicker.
func notNow(p *plan.Progress, kind plan.EventKind) string {
	_, scented := p.ScentAt()
	_, poured := p.PouredAt()
	switch {
	case kind == plan.EventHeatOff && !p.HeatOn():
		return "the heat is off already"
	case kind == plan.EventHeatOn && p.HeatOn():
		return "the heat is on already"
	case kind == plan.EventScentAdded && scented:
		return "the fragrance is in already"
	case kind == plan.EventJugOut && p.JugOut():
		return "the jug is out already"
	case kind == plan.EventPoured && poured:
		return "all is poured already"
	}
	stage, _ := p.Stage()
	return fmt.Sprintf("%q does not go with %q", strings.ReplaceAll(string(kind), "-", " "), strings.ReplaceAll(string(stage), "-", " "))
}

package station

import (
	"context"
	"encoding/json"
	"fmt"
	"log/slog"
	"math"
	"sort"
	"sync"
	"sync/atomic"
	"time"

	"example.org/meltstation/alerts"
	"example.org/meltstation/alerts/forecast"
	"example.org/meltstation/alerts/plan"
	"example.org/meltstation/probe"
	"example.org/meltstation/probe/trace"
)

// Forecaster is what the station asks of a forecast; [forecast.Engine] is the
// one it makes. A test may give one that fails.
type Forecaster interface {
	Know(forecast.Known)
	Add(t, celsius float64)
	Room(t, celsius float64)
	Bath(t, celsius float64)
	Pass(t float64)
	Tell(t float64, kind forecast.EventKind)
	Crossing(target float64, dir forecast.Direction) forecast.Forecast
	Ahead(s float64) (lo, mid, hi float64, ok bool)
	Band(high, low float64) (open, shut, openFor forecast.Forecast)
	Noticed() []forecast.Noticed
	Rate() (perSecond float64, ok bool)
	Lessons() []forecast.Lesson
}

// PotOptions describe one pot of the station.
type PotOptions struct {
	ID, Name, Jug string
}

// Options are what a station is made of. Store and Pots are required.
type Options struct {
	Name, Version string
	Units, Mass   string // "C" or "F", "g" or "oz": what pages show at first
	Pots          []PotOptions
	ProbeNames    map[string]string // by id, as the maker calls them; it is not changed any more
	Default       plan.Sheet        // for a pot without a batch, and a batch started without a recipe
	Boiling       float64           // °C, of water at the station's altitude; 0 = not known
	Store         *trace.Store
	Alarms        alerts.Settings
	Now           func() time.Time // nil = time.Now
	// WallClock is the time of day at a moment of Now; nil = Now's own. It may step.
	WallClock func(now time.Time) time.Time
	// Asleep is how long the machine has slept since some fixed moment, which Now
	// does not count; nil = it never sleeps.
	Asleep        func() time.Duration
	Log           *slog.Logger                        // nil = slog.Default
	Post          func(alerts.Notice)                 // to the notifier; must not block; may be nil
	Channels      func() []ChannelView                // may be nil
	TestChannels  func(context.Context) []ChannelView // may be nil
	NewForecaster func(forecast.Known) Forecaster     // nil = forecast.New
	DiskFree      func() int64                        // bytes; nil = not watched
	Lapse         float64                             // 0 or 1 = life's own speed
	Demo          bool
	TickEvery     time.Duration // real time between ticks; 0 = 1 s
}

// Station runs the pots. Its methods may be called from any goroutine.
type Station struct {
	opt   Options
	log   *slog.Logger
	now   func() time.Time
	line  *timeline
	hub   hub
	pots  []*pot
	flush chan struct{}
	beat  atomic.Int64 // when the last tick was done, in ns since born
	born  time.Time

	mu       sync.Mutex
	room     *probe.Reading
	roomAt   time.Duration
	troubles map[string]Trouble
	idle     map[string]idle // by probe
	storeErr error
	diskFree int64
	shelf    []*run // poured batches whose pot has gone on
	dirty    map[string]trace.Batch
	taught   []forecast.Lesson // by earlier batches, the latest first

	codes sync.Mutex      // guards given
	given map[string]bool // batch codes given out by this process
}

// New opens a station on its trace and stands where the trace stood: an open
// batch goes on.
func New(ctx context.Context, o Options) (*Station, error) {
	if o.Now == nil {
		o.Now = time.Now
	}
	if o.Log == nil {
		o.Log = slog.Default()
	}
	if o.NewForecaster == nil {
		o.NewForecaster = func(k forecast.Known) Forecaster { return forecast.New(k) }
	}
	if o.Lapse <= 0 {
		o.Lapse = 1
	}
	if o.TickEvery <= 0 {
		o.TickEvery = time.Second
	}
	s := &Station{
		opt: o, log: o.Log, now: o.Now,
		flush:    make(chan struct{}, 1),
		born:     time.Now(),
		troubles: map[string]Trouble{},
		idle:     map[string]idle{},
		dirty:    map[string]trace.Batch{},
		given:    map[string]bool{},
		diskFree: -1,
	}
	_, lastAt, lastWall, err := o.Store.Last(ctx)
	if err != nil {
		return nil, fmt.Errorf("asking the trace where it stood: %w", err)
	}
	s.line = newTimeline(s.now(), s.wall, o.Asleep, lastAt, lastWall)
	s.loadLessons(ctx)
	for _, po := range o.Pots {
		s.pots = append(s.pots, newPot(s, po))
	}
	if len(s.pots) == 0 {
		return nil, fmt.Errorf("%w: a station needs at least one pot", ErrInvalid)
	}
	if err := s.resume(ctx); err != nil {
		return nil, fmt.Errorf("going on with the open batches: %w", err)
	}
	return s, nil
}

// Run lets time pass until ctx ends: timers, stale readings, the wall clock, the
// state of the trace. It returns after everything spooled has been written.
func (s *Station) Run(ctx context.Context) error {
	tick := time.NewTicker(s.opt.TickEvery)
	defer tick.Stop()
	done := make(chan struct{})
	go func() {
		defer close(done)
		s.flushLoop(ctx)
	}()
	watched := make(chan struct{})
	go func() { // apart from the pots: a disk that hangs must not stop their timers
		defer close(watched)
		look := time.NewTicker(s.opt.TickEvery)
		defer look.Stop()
		for {
			s.watchStore()
			select {
			case <-ctx.Done():
				return
			case <-look.C:
			}
		}
	}()
	for {
		select {
		case <-ctx.Done():
			<-done
			select {
			case <-watched:
			case <-time.After(time.Second): // a disk that hangs may hold it
			}
			return nil
		case <-tick.C:
			s.Tick()
		}
	}
}

func (s *Station) flushLoop(ctx context.Context) {
	for {
		select {
		case <-ctx.Done():
			s.write(ctx)
			return
		case <-s.flush:
			s.write(ctx)
		}
	}
}

// write puts what is spooled on disk, and the rows of batches that have moved on.
func (s *Station) write(ctx context.Context) {
	ctx, cancel := context.WithTimeout(context.WithoutCancel(ctx), 5*time.Second)
	defer cancel()
	if err := s.opt.Store.Flush(ctx); err != nil {
		s.log.Warn("the trace could not be written; it is kept in memory", "err", err)
	}
	s.mu.Lock()
	dirty := s.dirty
	s.dirty = map[string]trace.Batch{}
	s.mu.Unlock()
	for id, b := range dirty {
		if err := s.opt.Store.PutBatch(ctx, b); err != nil {
			s.log.Warn("a batch's row could not be written", "batch", id, "err", err)
			s.mu.Lock()
			if _, newer := s.dirty[id]; !newer {
				s.dirty[id] = b
			}
			s.mu.Unlock()
		}
	}
}

// saveBatch has the batch's row written in the background: it can be worked out
// again from the trace, so nothing is lost when that comes late.
func (s *Station) saveBatch(b trace.Batch) {
	s.mu.Lock()
	s.dirty[b.ID] = b
	s.mu.Unlock()
	s.flushSoon()
}

// flushSoon asks for what is spooled to be written without waiting for it.
func (s *Station) flushSoon() {
	select {
	case s.flush <- struct{}{}:
	default:
	}
}

// Tick lets time pass once: Run calls it every second.
func (s *Station) Tick() {
	now := s.now()
	step := s.line.check(now)
	if step != 0 {
		s.log.Warn("the wall clock stepped", "by", step)
	}
	for _, p := range s.pots {
		p.tick(now, step)
	}
	s.tickShelf(now)
	s.beat.Store(int64(time.Since(s.born)))
}

// Beat returns how long ago every pot was last looked after, in real time: what
// a watchdog wants to know.
func (s *Station) Beat() time.Duration {
	return time.Since(s.born) - time.Duration(s.beat.Load())
}

// watchStore looks after the trace and the disk under it.
func (s *Station) watchStore() {
	h := s.opt.Store.Health()
	free := int64(-1)
	if s.opt.DiskFree != nil {
		free = s.opt.DiskFree()
	}
	s.mu.Lock()
	s.storeErr, s.diskFree = h.Err, free
	s.mu.Unlock()
	if h.Err != nil {
		s.setTrouble("store", fmt.Sprintf("The trace can't be written (%v). Readings are kept in memory meanwhile; make room on the disk or check that the data folder may be written.", h.Err))
	} else {
		s.clearTrouble("store")
	}
	if h.SetAside != "" {
		s.setTrouble("damaged", fmt.Sprintf("The trace was damaged. It is kept as %s, and a new one was begun with what could be read of it. A backup brings back the rest: \"meltstation restore\".", h.SetAside))
	}
}

func (s *Station) setTrouble(key, text string) {
	s.mu.Lock()
	had, ok := s.troubles[key]
	s.troubles[key] = Trouble{Key: key, Text: text}
	s.mu.Unlock()
	if !ok || had.Text != text {
		s.log.Warn(text, "trouble", key)
		s.publishTroubles()
	}
}

func (s *Station) clearTrouble(key string) {
	s.mu.Lock()
	_, ok := s.troubles[key]
	delete(s.troubles, key)
	s.mu.Unlock()
	if ok {
		s.publishTroubles()
	}
}

func (s *Station) publishTroubles() {
	s.hub.publish(Update{Type: "troubles", Now: s.wall(s.now()), Troubles: s.Troubles()})
}

// SetTrouble shows a trouble found outside the station (a port that can't be
// opened, say) until ClearTrouble.
func (s *Station) SetTrouble(key, text string) { s.setTrouble(key, text) }

// ClearTrouble takes a trouble away.
func (s *Station) ClearTrouble(key string) { s.clearTrouble(key) }

// Troubles returns what is wrong with the station itself, in order of their keys.
func (s *Station) Troubles() []Trouble {
	s.mu.Lock()
	defer s.mu.Unlock()
	out := make([]Trouble, 0, len(s.troubles))
	for _, t := range s.troubles {
		out = append(out, t)
	}
	sort.Slice(out, func(i, j int) bool { return out[i].Key < out[j].Key })
	return out
}

// Take is the one step for one reading: into the trace, past the alarms, into
// the forecast, out to the pages. A probe that names no pot serves all of them.
func (s *Station) Take(r probe.Reading) {
	at := s.line.at(r.At)
	if r.Role == probe.RoleRoom || r.Pot == "" && r.Role != probe.RolePot {
		s.mu.Lock()
		s.room, s.roomAt = &r, at
		s.mu.Unlock()
		v := readingView(r, r.At)
		s.hub.publish(Update{Type: "room", Now: s.wall(s.now()), Reading: &v})
	}
	taken := false
	for _, p := range s.pots {
		if r.Pot == "" || p.opt.ID == r.Pot {
			taken = p.take(at, r) || taken
		}
	}
	if !taken && s.idles(at, r) { // no batch wants it, but it was
		s.opt.Store.Append(readingEntry("", r.Pot, at, r))
	}
}

// idleEvery is how often a reading that belongs to no batch goes into the trace:
// a station left on for years would fill its card with an empty jug.
const idleEvery = 15 * time.Second

// idle is the last reading of a probe that went into the trace without a batch.
type idle struct {
	at      time.Duration
	quality probe.Quality
}

// idles reports whether a reading without a batch is worth keeping: it is a while
// since the last, or the probe does better or worse than then.
func (s *Station) idles(at time.Duration, r probe.Reading) bool {
	s.mu.Lock()
	defer s.mu.Unlock()
	last, ok := s.idle[r.Probe]
	if ok && r.Quality == last.quality && at >= last.at && at-last.at < idleEvery {
		return false
	}
	s.idle[r.Probe] = idle{at, r.Quality}
	return true
}

func readingEntry(batch, pot string, at time.Duration, r probe.Reading) trace.Entry {
	e := trace.ReadingEntry(r, batch, at)
	e.Pot = pot
	return e
}

// wall is the time of day at a moment, UTC.
func (s *Station) wall(now time.Time) time.Time {
	if s.opt.WallClock != nil {
		return s.opt.WallClock(now).UTC()
	}
	return now.Round(0).UTC()
}

// pot returns the pot with an id.
func (s *Station) pot(id string) (*pot, error) {
	for _, p := range s.pots {
		if p.opt.ID == id {
			return p, nil
		}
	}
	return nil, fmt.Errorf("%w: %q", ErrNoPot, id)
}

// Subscribe returns a channel of updates from now on, and a function that ends
// the subscription. A subscriber that leaves its buffer full is dropped: its
// channel is closed, and it must take a new Snapshot.
func (s *Station) Subscribe(buffer int) (<-chan Update, func()) {
	c, _, cancel := s.hub.subscribe(buffer)
	return c, cancel
}

// Snapshot returns the whole station as it stands. Subscribe first and skip the
// updates whose Seq the snapshot already holds.
func (s *Station) Snapshot() Snapshot {
	now := s.now()
	v := Snapshot{
		Type: "snapshot", Seq: s.hub.last(), Now: s.wall(now), Name: s.opt.Name, Version: s.opt.Version,
		Demo: s.opt.Demo, Lapse: s.opt.Lapse, Units: s.opt.Units, Mass: s.opt.Mass, Role: "maker",
		Channels: s.channels(), Troubles: s.Troubles(),
	}
	for _, p := range s.pots {
		v.Pots = append(v.Pots, p.view(now))
	}
	s.mu.Lock()
	if s.room != nil {
		r := readingView(*s.room, now)
		v.Room = &r
	}
	s.mu.Unlock()
	return v
}

func (s *Station) channels() []ChannelView {
	if s.opt.Channels == nil {
		return []ChannelView{}
	}
	return s.opt.Channels()
}

// ChannelsChanged tells the pages that a channel has worked or failed.
func (s *Station) ChannelsChanged() {
	s.hub.publish(Update{Type: "channels", Now: s.wall(s.now()), Channels: s.channels()})
}

// TestChannels sends a test over every channel and returns how each fared.
func (s *Station) TestChannels(ctx context.Context) []ChannelView {
	if s.opt.TestChannels == nil {
		return []ChannelView{}
	}
	return s.opt.TestChannels(ctx)
}

// Drain publishes a "bye" to every page: the station is about to stop.
func (s *Station) Drain(reason string) {
	s.hub.publish(Update{Type: "bye", Now: s.wall(s.now()), Reason: reason})
}

func readingView(r probe.Reading, now time.Time) ReadingView {
	v := ReadingView{
		Probe: r.Probe, Role: string(r.Role), At: r.At.UTC(), Age: now.Sub(r.At).Seconds(),
		Quality: string(r.Quality), Detail: r.Detail,
	}
	if !math.IsNaN(r.Celsius) {
		c := r.Celsius
		v.Celsius = &c
	}
	return v
}

func mustJSON(v any) json.RawMessage {
	b, err := json.Marshal(v)
	if err != nil { // only for a NaN in a value of our own: a programming error
		return json.RawMessage(`{"error":"not encodable"}`)
	}
	return b
}

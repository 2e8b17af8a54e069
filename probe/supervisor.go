package probe

import (
	"cmp"
	"context"
	"errors"
	"log/slog"
	"maps"
	"math/rand/v2"
	"slices"
	"sync"
	"time"
)

// Spec says what a probe is, how to open it and how to judge it. Every and
// Timeout are real time; MaxRate and StuckAfter are judged by the times stamped
// on readings.
type Spec struct {
	ID    string // unique in the station
	Name  string // what the maker calls it; "" = the id
	Kind  string // "w1", "onewire", "serial-text", "modbus", "sim"
	Where string // port, file or address, for people; a change reopens the probe
	Role  Role
	Pot   string // the pot it serves; "" for one that serves all
	Open  Opener

	Every   time.Duration // between the starts of two reads; at least MinEvery
	Timeout time.Duration // for one read; 0 = 5 s, for kernel 1-Wire files 10 s

	Min, Max   float64               // plausible °C; both 0 = DefaultMin to DefaultMax
	MaxRate    float64               // °C/s; 0 = DefaultMaxRate
	StuckAfter time.Duration         // equal digits for this long are a fault; 0 = judged by pace, < 0 = never
	Adjust     func(float64) float64 // calibration, °C to °C; nil = none
}

// MinEvery is the shortest time between the starts of two reads of one probe:
// no flood of lines gets through faster than 20 a second.
const MinEvery = 50 * time.Millisecond

// Options of a Supervisor.
type Options struct {
	Now  func() time.Time // stamps readings; nil = time.Now
	Log  *slog.Logger     // nil = no log
	Emit func(Reading)    // called from the probe's own goroutine; must not block long
}

// Status is what is known of one probe. It is a value.
type Status struct {
	ID, Name, Kind, Where string
	Role                  Role
	Pot                   string
	Attached              bool            // the last attempt reached the device
	Last                  Reading         // the last attempt; zero before the first
	LastGood              Reading         // zero before the first good one
	RateHz                float64         // good readings per second, of late
	Readings              int             // good ones since the start
	Errors                map[Quality]int // suspect ones since the start, by reason
	Since                 time.Time       // when the present quality began; by Options.Now
	Mend                  string          // what to do, in plain words; "" when all is well
}

// Supervisor keeps every probe of the station open and hands on a Reading for
// every attempt. Each probe has a goroutine of its own and never more than one
// call into its driver: one that hangs, vanishes, floods or returns rubbish
// delays no other, and a driver call that never returns costs one goroutine,
// not one per attempt.
type Supervisor struct {
	opts Options

	mu      sync.Mutex
	ctx     context.Context // nil until Run
	workers map[string]*worker
	order   []string
	wg      sync.WaitGroup
}

// NewSupervisor makes a supervisor without probes; see Set and Run.
func NewSupervisor(opts Options) *Supervisor {
	if opts.Now == nil {
		opts.Now = time.Now
	}
	if opts.Log == nil {
		opts.Log = slog.New(slog.DiscardHandler)
	}
	if opts.Emit == nil {
		opts.Emit = func(Reading) {}
	}
	return &Supervisor{opts: opts, workers: map[string]*worker{}}
}

// Set replaces the list of probes: new ones are started, gone ones stopped, and
// those that stay take over their new Spec without losing a reading (only a
// changed Kind or Where reopens them). It may be called at any time, before or
// during Run. Of two with the same id the first counts.
func (s *Supervisor) Set(specs []Spec) {
	s.mu.Lock()
	defer s.mu.Unlock()
	want := map[string]bool{}
	s.order = s.order[:0]
	for _, spec := range specs {
		if want[spec.ID] {
			s.opts.Log.Error("two probes have the same id; the second is left out", "probe", spec.ID)
			continue
		}
		want[spec.ID] = true
		s.order = append(s.order, spec.ID)
		if w := s.workers[spec.ID]; w != nil {
			w.use(spec)
			continue
		}
		w := newWorker(s.opts, spec)
		s.workers[spec.ID] = w
		if s.ctx != nil && s.ctx.Err() == nil {
			s.start(w)
		}
	}
	for id, w := range s.workers {
		if !want[id] {
			delete(s.workers, id)
			if w.cancel != nil {
				w.cancel()
			}
		}
	}
}

func (s *Supervisor) start(w *worker) {
	var ctx context.Context
	ctx, w.cancel = context.WithCancel(s.ctx)
	s.wg.Go(func() { w.run(ctx) })
}

// Run reads every probe until ctx ends, then closes them. It returns nil, or an
// error if it is called twice.
func (s *Supervisor) Run(ctx context.Context) error {
	s.mu.Lock()
	if s.ctx != nil {
		s.mu.Unlock()
		return errors.New("probe supervisor: already run")
	}
	s.ctx = ctx
	for _, w := range s.workers {
		s.start(w)
	}
	s.mu.Unlock()
	<-ctx.Done()
	s.mu.Lock() // a Set under way may still start a probe; later ones see that ctx is over
	wait := s.wg.Wait
	s.mu.Unlock()
	wait()
	return nil
}

// Status tells how each probe is, in the order they were set.
func (s *Supervisor) Status() []Status {
	s.mu.Lock()
	defer s.mu.Unlock()
	out := make([]Status, 0, len(s.order))
	for _, id := range s.order {
		out = append(out, s.workers[id].status())
	}
	return out
}

type worker struct {
	opts   Options
	cancel context.CancelFunc

	mu     sync.Mutex
	spec   Spec
	reopen bool
	st     Status
	gap    float64 // smoothed seconds between good readings, real time
	goodAt time.Time
}

func newWorker(opts Options, spec Spec) *worker {
	w := &worker{opts: opts, st: Status{Errors: map[Quality]int{}}}
	w.use(spec)
	w.reopen = false
	return w
}

func (w *worker) use(spec Spec) {
	if spec.Every < MinEvery {
		spec.Every = MinEvery
	}
	if spec.Timeout <= 0 {
		spec.Timeout = 5 * time.Second
		if spec.Kind == "w1" {
			spec.Timeout = 10 * time.Second
		}
	}
	w.mu.Lock()
	defer w.mu.Unlock()
	if w.spec.Kind != spec.Kind || w.spec.Where != spec.Where {
		w.reopen = true
	}
	w.spec = spec
	w.st.ID, w.st.Name, w.st.Kind, w.st.Where = spec.ID, cmp.Or(spec.Name, spec.ID), spec.Kind, spec.Where
	w.st.Role, w.st.Pot = spec.Role, spec.Pot
}

// current gives the spec to go on with, and whether the source opened under the
// one before must be reopened.
func (w *worker) current() (Spec, bool) {
	w.mu.Lock()
	defer w.mu.Unlock()
	again := w.reopen
	w.reopen = false
	return w.spec, again
}

func (w *worker) status() Status {
	w.mu.Lock()
	defer w.mu.Unlock()
	st := w.st
	st.Errors = maps.Clone(w.st.Errors)
	if w.gap > 0 {
		// A probe that has gone quiet has no rate any more.
		st.RateHz = 1 / max(w.gap, time.Since(w.goodAt).Seconds()/3)
	}
	return st
}

func (w *worker) emit(r Reading, err error) {
	w.mu.Lock()
	before := w.st.Last
	if before.Quality != r.Quality {
		w.st.Since = r.At
	}
	w.st.Last = r
	w.st.Attached = r.Quality != NoDevice && (r.Quality != Stale || w.st.Attached && err == nil)
	w.st.Mend = Mend(w.spec.Kind, r.Quality, err)
	if r.OK() {
		w.st.LastGood = r
		w.st.Readings++
		now := time.Now()
		if !w.goodAt.IsZero() {
			gap := now.Sub(w.goodAt).Seconds()
			if w.gap == 0 {
				w.gap = gap
			}
			w.gap += (gap - w.gap) / 8
		}
		w.goodAt = now
	} else {
		w.st.Errors[r.Quality]++
	}
	mend := w.st.Mend
	w.mu.Unlock()
	if before.Quality != r.Quality {
		if r.OK() {
			w.opts.Log.Info("probe reads", "probe", r.Probe, "role", r.Role, "celsius", r.Celsius)
		} else {
			w.opts.Log.Warn("probe is suspect", "probe", r.Probe, "role", r.Role, "quality", r.Quality, "detail", r.Detail, "mend", mend)
		}
	}
	w.opts.Emit(r)
}

// Backoff between two attempts to open a probe: doubled from the first to the
// longest, each spread by a fifth either way so that many probes on one hub
// don't come back in step.
const (
	backoffFirst   = 250 * time.Millisecond
	backoffLongest = 5 * time.Second
)

const (
	lateGrace  = 250 * time.Millisecond // for a driver to notice by itself that its time is up
	closeGrace = time.Second            // for a driver call to end once the station stops
	maxFails   = 5                      // damaged or missing answers in a row before the source is reopened
)

func (w *worker) run(ctx context.Context) {
	spec, _ := w.current()
	check := NewChecker(spec)
	wait := backoffFirst
	for ctx.Err() == nil {
		spec, _ := w.current()
		check.Use(spec)
		src, err, ok := w.open(ctx, spec, check)
		if !ok {
			return
		}
		if err != nil {
			w.emit(check.Check(w.opts.Now(), Sample{}, err), err)
		} else {
			good, ok := w.serve(ctx, src, check)
			if !ok {
				return
			}
			if good {
				wait = backoffFirst
			}
		}
		if !sleep(ctx, jitter(wait)) {
			return
		}
		wait = min(2*wait, backoffLongest)
	}
}

func (w *worker) open(ctx context.Context, spec Spec, check *Checker) (Source, error, bool) {
	if spec.Open == nil {
		return nil, &Fault{Op: "open", Where: spec.ID, Err: ErrNoDevice}, true
	}
	type opened struct {
		src Source
		err error
	}
	late := false
	o, ok := patiently(ctx, spec.Timeout, func(ctx context.Context) opened {
		src, err := spec.Open(ctx)
		if err == nil && src == nil {
			err = ErrNoDevice
		}
		if err == nil && ctx.Err() != nil { // too late: nobody waits for it
			src.Close()
			return opened{err: ctx.Err()}
		}
		return opened{src, err}
	}, func() {
		late = true
		w.late(spec, check, "open")
	}, func() {})
	if !ok {
		return nil, nil, false
	}
	if late && o.err == nil {
		o.src.Close()
		o.err = ErrTimeout
	}
	return o.src, o.err, true
}

func (w *worker) late(spec Spec, check *Checker, op string) {
	err := &Fault{Op: op, Where: cmp.Or(spec.Where, spec.ID), Err: ErrTimeout}
	w.emit(check.Check(w.opts.Now(), Sample{}, err), err)
}

// serve reads one opened source until it must be reopened. good reports whether
// anything believable came; ok is false when ctx is over.
func (w *worker) serve(ctx context.Context, src Source, check *Checker) (good, ok bool) {
	var once sync.Once
	shut := func() { once.Do(func() { src.Close() }) }
	type got struct {
		s   Sample
		err error
	}
	fails := 0
	next := time.Now()
	for {
		spec, again := w.current()
		if again {
			shut()
			return true, ctx.Err() == nil
		}
		check.Use(spec)
		late := false
		g, ok := patiently(ctx, spec.Timeout, func(ctx context.Context) got {
			s, err := src.Read(ctx)
			return got{s, err}
		}, func() {
			late = true
			w.late(spec, check, "read")
		}, shut)
		if !ok {
			return good, false
		}
		if late { // closed meanwhile; what came is old
			shut()
			return good, true
		}
		if ctx.Err() != nil {
			shut()
			return good, false
		}
		r := check.Check(w.opts.Now(), g.s, g.err)
		w.emit(r, g.err)
		switch {
		case g.err == nil:
			good, fails = good || r.OK(), 0
		case fatal(g.err):
			shut()
			return good, true
		case linkDown(g.err):
			if fails++; fails >= maxFails {
				shut()
				return good, true
			}
		}
		now := time.Now()
		next = next.Add(spec.Every)
		if next.Before(now) { // slower than asked: don't catch up in a burst
			next = now
		}
		if !sleep(ctx, next.Sub(now)) {
			shut()
			return good, false
		}
	}
}

// fatal reports whether a source can't be read any more without reopening it.
// Damaged or missing answers are no reason: they often pass.
func fatal(err error) bool { return Classify(err) == NoDevice }

// linkDown reports whether an error may come of a line that has lost step, which
// reopening can mend. A broken thermocouple is told over a line that works.
func linkDown(err error) bool {
	switch Classify(err) {
	case BadCRC, Garbled, Shorted, Stale:
		return true
	}
	return false
}

// patiently calls f in a goroutine of its own and waits for it. If it takes
// longer than limit (and a grace), f's context is over, interrupt is called once
// from another goroutine, and late is called then and again every limit until f
// is back. ok is false when ctx ended; f is then given a moment to end.
func patiently[T any](ctx context.Context, limit time.Duration, f func(context.Context) T, late, interrupt func()) (v T, ok bool) {
	fctx, cancel := context.WithTimeout(ctx, limit)
	defer cancel()
	back := make(chan T, 1)
	go func() { back <- f(fctx) }()
	timer := time.NewTimer(limit + lateGrace)
	defer timer.Stop()
	interrupted := false
	for {
		select {
		case v = <-back:
			return v, true
		case <-timer.C:
			if !interrupted {
				interrupted = true
				go interrupt()
			}
			late()
			timer.Reset(limit)
		case <-ctx.Done():
			if !interrupted {
				go interrupt()
			}
			timer.Reset(closeGrace)
			select {
			case <-back:
			case <-timer.C:
			}
			return v, false
		}
	}
}

func jitter(d time.Duration) time.Duration {
	return time.Duration(float64(d) * (0.8 + 0.4*rand.Float64()))
}

// sleep waits and reports whether ctx is still on.
func sleep(ctx context.Context, d time.Duration) bool {
	if d <= 0 {
		return ctx.Err() == nil
	}
	t := time.NewTimer(d)
	defer t.Stop()
	select {
	case <-t.C:
		return true
	case <-ctx.Done():
		return false
	}
}

// Kinds lists the qualities in a fixed order, for counters and tables.
func Kinds() []Quality {
	return slices.Clone([]Quality{Good, BadCRC, PowerOnReset, OutOfRange, ImpossibleRate, Stuck, OpenCircuit, Shorted, Stale, NoDevice, Garbled})
}

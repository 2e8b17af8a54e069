package notify

import (
	"context"
	"crypto/rand"
	"errors"
	"fmt"
	"log/slog"
	"slices"
	"sync"
	"time"

	"example.org/meltstation/alerts"
)

// Options are what a dispatcher needs to know.
type Options struct {
	Station string
	Units   alerts.Units
	Pots    map[string]string // names by id; said in every message when there are several
	Routes  []Route
	Quiet   Quiet
	Log     *slog.Logger     // nil = slog.Default()
	Now     func() time.Time // nil = time.Now
	CueAge  time.Duration    // a cue that can't be delivered for this long is given up; 0 = 10 min
	Changed func()           // called after every attempt, once its outcome stands in Status; must not block; may be nil
}

// Times between attempts: doubled from the first to the last.
const (
	firstPause = time.Second
	lastPause  = 2 * time.Minute
)

// Dispatcher hands notices to the channels.
type Dispatcher struct {
	o     Options
	lines []*line

	mu    sync.Mutex
	waits []wait // late channels and held cues, in no order
	wake  chan struct{}
}

// wait is something to be done later unless it is withdrawn before.
type wait struct {
	due  time.Time
	key  name
	line *line   // nil: a cue held by quiet hours, for all lines
	msg  Message // as first made
	held []*line
}

// name tells one alarm of a pot, or one cue of a batch: several batches from one
// pot may cure at once.
type name struct{ pot, key, batch string }

func nameOf(n alerts.Notice) name {
	if n.Class == alerts.Alarm {
		return name{pot: n.Pot, key: n.Key}
	}
	return name{n.Pot, n.Key, n.Batch}
}

// New makes a dispatcher. It refuses two channels of the same name.
func New(o Options) (*Dispatcher, error) {
	if o.Log == nil {
		o.Log = slog.Default()
	}
	if o.Now == nil {
		o.Now = time.Now
	}
	if o.CueAge == 0 {
		o.CueAge = 10 * time.Minute
	}
	d := &Dispatcher{o: o, wake: make(chan struct{}, 1)}
	seen := map[string]bool{}
	for _, r := range o.Routes {
		if seen[r.Channel.Name()] {
			return nil, fmt.Errorf("two channels are named %q: every channel needs a name of its own", r.Channel.Name())
		}
		seen[r.Channel.Name()] = true
		if r.Timeout == 0 {
			r.Timeout = 15 * time.Second
		}
		if r.Queue == 0 {
			r.Queue = 100
		}
		d.lines = append(d.lines, &line{d: d, route: r, wake: make(chan struct{}, 1)})
	}
	return d, nil
}

// Post takes a notice on for every channel that is to have it. It never blocks.
func (d *Dispatcher) Post(n alerts.Notice) {
	now := d.o.Now()
	m := Message{ID: rand.Text(), Station: d.o.Station, Notice: n, Text: alerts.Words(n, d.o.Units), Made: now.UTC()}
	if p := d.o.Pots[n.Pot]; p != "" && len(d.o.Pots) > 1 {
		m.Text.Title = p + ": " + m.Text.Title
	}
	d.mu.Lock()
	defer d.mu.Unlock()

	calls := n.State == alerts.Unacked
	// Whatever it was, what waited for this alarm or cue is out of date, except
	// that an alarm nobody acknowledged stays so when its cause is gone.
	if calls || !n.Standing() || n.State == alerts.Acked || n.State == alerts.LatchedAck {
		d.withdraw(nameOf(n))
	}
	quiet, ends := false, time.Time{}
	if n.Class == alerts.Cue {
		quiet, ends = d.o.Quiet.At(now)
	}
	var held []*line
	for _, l := range d.lines {
		if !l.wants(m) {
			if n.Class == alerts.Cue && !calls {
				l.unsay(nameOf(n)) // "pour now" after it was poured is worse than nothing
			}
			continue
		}
		switch {
		case quiet && !l.route.Always:
			if calls {
				held = append(held, l)
			}
		case l.route.After > 0:
			if calls {
				d.waits = append(d.waits, wait{due: now.Add(l.route.After), key: nameOf(n), line: l, msg: m})
			} else if l.told(nameOf(n)) {
				l.put(m) // it was called, so it hears the end
			}
		default:
			l.put(m)
		}
	}
	if held != nil {
		d.waits = append(d.waits, wait{due: ends, key: nameOf(n), msg: m, held: held})
	}
	d.poke()
}

// Acked says that somebody has answered for an alarm or cue: no later channel is
// used for it. A posted notice that says so does the same.
func (d *Dispatcher) Acked(pot, key string) {
	d.mu.Lock()
	defer d.mu.Unlock()
	d.waits = slices.DeleteFunc(d.waits, func(w wait) bool { return w.key.pot == pot && w.key.key == key })
}

func (d *Dispatcher) withdraw(k name) {
	d.waits = slices.DeleteFunc(d.waits, func(w wait) bool { return w.key == k })
}

func (d *Dispatcher) poke() {
	select {
	case d.wake <- struct{}{}:
	default:
	}
}

// failed brings the next late channel forward for an alarm that l could not
// deliver, unless another one that has been called works, or may yet.
func (d *Dispatcher) failed(l *line, k name) {
	d.mu.Lock()
	defer d.mu.Unlock()
	for _, o := range d.lines {
		if o != l && o.told(k) && o.ok() {
			return
		}
	}
	next := -1
	for i, w := range d.waits {
		if w.key == k && w.line != nil && w.line != l && (next < 0 || w.due.Before(d.waits[next].due)) {
			next = i
		}
	}
	if next >= 0 && d.waits[next].due.After(d.o.Now()) {
		d.waits[next].due = d.o.Now()
		d.poke()
	}
}

// Run delivers until ctx ends, then waits for the channels, at most until each
// one's attempt has timed out. It must be called once.
func (d *Dispatcher) Run(ctx context.Context) error {
	var wg sync.WaitGroup
	for _, l := range d.lines {
		wg.Go(func() { l.run(ctx) })
		if r, ok := l.route.Channel.(Runner); ok {
			wg.Go(func() {
				if err := guard(func() error { return r.Run(ctx) }); err != nil && ctx.Err() == nil {
					l.mark(err)
				}
			})
		}
	}
	d.serve(ctx)
	wg.Wait()
	return ctx.Err()
}

// serve does what waits, when it is due.
func (d *Dispatcher) serve(ctx context.Context) {
	for {
		pause := time.Hour
		d.mu.Lock()
		now := d.o.Now()
		d.waits = slices.DeleteFunc(d.waits, func(w wait) bool {
			if left := w.due.Sub(now); left > 0 {
				pause = min(pause, left)
				return false
			}
			m := w.msg
			if w.line != nil {
				m.Late = true
				w.line.put(m)
			}
			for _, l := range w.held {
				m.Made = now.UTC() // fresh from now on
				l.put(m)
			}
			return true
		})
		d.mu.Unlock()
		t := time.NewTimer(pause)
		select {
		case <-ctx.Done():
			t.Stop()
			return
		case <-d.wake:
		case <-t.C:
		}
		t.Stop()
	}
}

// Status says how every channel does, in the order of the routes.
func (d *Dispatcher) Status() []ChannelStatus {
	out := make([]ChannelStatus, len(d.lines))
	for i, l := range d.lines {
		out[i] = l.status()
	}
	return out
}

// Test sends a test message over every channel at the same time, past the
// queues, and says what came of each.
func (d *Dispatcher) Test(ctx context.Context) []Result {
	now := d.o.Now()
	m := Message{ID: rand.Text(), Station: d.o.Station, Made: now.UTC(), Test: true, Text: alerts.Text{
		Title: "Test of the station's calls",
		Body:  "If you can see or hear this, this channel works. Nothing is wrong.",
	}}
	out := make([]Result, len(d.lines))
	var wg sync.WaitGroup
	for i, l := range d.lines {
		wg.Go(func() {
			begun := time.Now()
			err := l.attempt(ctx, m, make(chan struct{}, 1))
			l.mark(err)
			out[i] = Result{Name: l.route.Channel.Name(), Kind: l.route.Channel.Kind(), Took: time.Since(begun), Err: err}
		})
	}
	wg.Wait()
	return out
}

// line is one channel with its queue.
type line struct {
	d     *Dispatcher
	route Route
	wake  chan struct{}

	mu      sync.Mutex
	queue   []Message
	sending bool          // the first of them is on its way
	called  map[name]bool // alarms and cues put to this channel and not over
	st      ChannelStatus
}

// wants says whether the channel is to hear of a message at all.
func (l *line) wants(m Message) bool {
	n := m.Notice
	if n.Class == alerts.Cue && l.route.NoCues {
		return false
	}
	if n.Class == alerts.Alarm && l.route.Least != "" && !n.Priority.AtLeast(l.route.Least) {
		return false
	}
	if s, ok := l.route.Channel.(Selective); ok && !s.Wants(m) {
		return false
	}
	return true
}

// put queues a message. A full queue loses its oldest cue; when it holds none,
// the oldest transition of an alarm that has a later one waiting; and when there
// is none of those either it grows, by at most one for each alarm of each pot.
func (l *line) put(m Message) {
	l.mu.Lock()
	defer l.mu.Unlock()
	if l.called == nil {
		l.called = map[name]bool{}
	}
	if m.Calls() {
		l.called[nameOf(m.Notice)] = true
	} else if !m.Notice.Standing() {
		delete(l.called, nameOf(m.Notice))
	}
	l.queue = append(l.queue, m)
	if len(l.queue) > l.route.Queue {
		l.shed()
	}
	l.poke()
}

func (l *line) shed() {
	// The first one may be on its way: leave it.
	for i := 1; i < len(l.queue); i++ {
		if l.queue[i].Notice.Class == alerts.Cue {
			l.queue = slices.Delete(l.queue, i, i+1)
			l.st.Dropped++
			return
		}
	}
	for i := 1; i < len(l.queue); i++ {
		k := nameOf(l.queue[i].Notice)
		if slices.ContainsFunc(l.queue[i+1:], func(m Message) bool { return nameOf(m.Notice) == k }) {
			l.queue = slices.Delete(l.queue, i, i+1)
			l.st.Merged++
			return
		}
	}
}

// unsay takes the calls of a cue back that have not gone out.
func (l *line) unsay(k name) {
	l.mu.Lock()
	defer l.mu.Unlock()
	delete(l.called, k)
	first := 0
	if l.sending {
		first = 1
	}
	if len(l.queue) <= first {
		return
	}
	rest := slices.DeleteFunc(l.queue[first:], func(m Message) bool { return nameOf(m.Notice) == k })
	l.queue = l.queue[:first+len(rest)]
}

// busy says that the head is on its way.
func (l *line) busy(on bool) {
	l.mu.Lock()
	defer l.mu.Unlock()
	l.sending = on
}

func (l *line) poke() {
	select {
	case l.wake <- struct{}{}:
	default:
	}
}

func (l *line) told(k name) bool {
	l.mu.Lock()
	defer l.mu.Unlock()
	return l.called[k]
}

func (l *line) ok() bool {
	l.mu.Lock()
	defer l.mu.Unlock()
	return l.st.Reason == ""
}

func (l *line) status() ChannelStatus {
	l.mu.Lock()
	defer l.mu.Unlock()
	s := l.st
	s.Name, s.Kind = l.route.Channel.Name(), l.route.Channel.Kind()
	s.OK = s.Reason == ""
	s.Waiting = len(l.queue)
	return s
}

// mark notes the outcome of an attempt.
func (l *line) mark(err error) {
	now := l.d.o.Now().UTC()
	l.mu.Lock()
	l.st.Tried = now
	if err == nil {
		l.st.Reached, l.st.Reason = now, ""
		l.st.Sent++
	} else {
		l.st.Reason = err.Error()
		l.st.Failed++
	}
	l.mu.Unlock()
	if l.d.o.Changed != nil {
		l.d.o.Changed()
	}
}

// errHangs is what a channel gets that does not come back when told to.
var errHangs = errors.New("the channel hangs: it did not give up when its time was over")

// grace is how long a channel may take to give up after its deadline.
const grace = time.Second

// attempt sends once, with a deadline, and turns a panic into an error. A
// channel that ignores the deadline is left behind, and not called again before
// it has come back.
func (l *line) attempt(ctx context.Context, m Message, flight chan struct{}) error {
	ctx, cancel := context.WithTimeout(ctx, l.route.Timeout)
	defer cancel()
	select {
	case flight <- struct{}{}:
	case <-ctx.Done():
		return errHangs
	}
	done := make(chan error, 1)
	go func() {
		done <- guard(func() error { return l.route.Channel.Send(ctx, m) })
		<-flight
	}()
	select {
	case err := <-done:
		return err
	case <-ctx.Done():
	}
	t := time.NewTimer(grace)
	defer t.Stop()
	select {
	case err := <-done:
		return err
	case <-t.C:
		return errHangs
	}
}

func guard(f func() error) (err error) {
	defer func() {
		if p := recover(); p != nil {
			err = fmt.Errorf("the channel broke down: %v", p)
		}
	}()
	return f()
}

// head is the message to send next.
func (l *line) head() (Message, bool) {
	l.mu.Lock()
	defer l.mu.Unlock()
	if len(l.queue) == 0 {
		return Message{}, false
	}
	return l.queue[0], true
}

// pop takes the head off if it is still this message: it may have been unsaid
// meanwhile.
func (l *line) pop(m Message, dropped bool) {
	l.mu.Lock()
	defer l.mu.Unlock()
	if len(l.queue) == 0 || l.queue[0].ID != m.ID {
		return
	}
	l.queue = slices.Delete(l.queue, 0, 1)
	if dropped {
		l.st.Dropped++
	}
}

// run sends what is in the queue, in order, each until it is delivered or
// refused. A cue is given up when it is old news. A message that arrives while
// the line is waiting to try again makes it try at once.
func (l *line) run(ctx context.Context) {
	flight := make(chan struct{}, 1)
	var pause, last time.Duration
	for ctx.Err() == nil {
		m, ok := l.head()
		switch {
		case ok && old(m, l.d.o):
			l.pop(m, true)
			continue
		case ok && pause == 0:
			pause = l.try(ctx, m, last, flight)
			last = pause
			continue
		}
		var again <-chan time.Time
		t := time.NewTimer(max(pause, time.Second))
		if ok {
			again = t.C
		}
		select {
		case <-ctx.Done():
		case <-l.wake:
		case <-again:
		}
		t.Stop()
		pause = 0
	}
}

func old(m Message, o Options) bool {
	return m.Notice.Class == alerts.Cue && o.Now().Sub(m.Made) > o.CueAge
}

// try makes one attempt; the result is the pause before the next, 0 when done.
func (l *line) try(ctx context.Context, m Message, last time.Duration, flight chan struct{}) time.Duration {
	l.busy(true)
	err := l.attempt(ctx, m, flight)
	l.busy(false)
	if ctx.Err() != nil && err != nil {
		return 0
	}
	l.mark(err)
	if err == nil {
		l.pop(m, false)
		return 0
	}
	l.d.o.Log.Warn("a call did not get through", "channel", l.route.Channel.Name(), "key", m.Notice.Key, "error", err)
	if m.Notice.Class == alerts.Alarm {
		l.d.failed(l, nameOf(m.Notice))
	}
	if errors.Is(err, ErrRefused) {
		l.pop(m, true)
		return 0
	}
	var later *retryAfter
	if errors.As(err, &later) {
		return min(max(later.wait, firstPause), lastPause)
	}
	return min(max(2*last, firstPause), lastPause)
}

// retryAfter is a failure whose other end said when to come back.
type retryAfter struct {
	wait time.Duration
	err  error
}

func (e *retryAfter) Error() string { return e.err.Error() }
func (e *retryAfter) Unwrap() error { return e.err }

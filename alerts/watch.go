package alerts

import (
	"cmp"
	"errors"
	"fmt"
	"slices"
	"strings"
	"time"
)

// Why a request about one alarm or cue is refused. Each is wrapped with its key.
var (
	ErrUnknownKey  = errors.New("there is no such alarm or cue")
	ErrNotStanding = errors.New("it is not waiting for that now")
	ErrNotShelved  = errors.New("it is not shelved")
	ErrNotRemoved  = errors.New("it is not out of service")
	ErrNoLatch     = errors.New("there is no latch to reset while it is true or has not been raised")
	ErrMayNotShelf = errors.New("it may not be shelved")
	ErrShelfLength = errors.New("it may not be shelved for that long")
	ErrNoReason    = errors.New("taking it out of service needs a reason")
)

// Watch holds the alarms and cues of one pot. It has no clock, no goroutine and
// does no I/O: the same facts in the same order give the same notices, so a
// recorded batch can be replayed through it. It must not be used by two
// goroutines at once.
type Watch struct {
	pot   string
	set   Settings
	items []*item
	byKey map[string]*item

	at     time.Duration // of the last facts or request; never goes back
	wall   time.Time
	batch  string
	raises uint64 // counts, for the order of what was raised at the same moment

	group   time.Duration // when the first alarm of the latest group was raised
	members int           // alarms raised in that group
	leader  *item

	senses
}

// item is one rule at work.
type item struct {
	rule
	state  State
	active bool // the condition holds, delays and deadband taken into account

	pendYes, pendNo bool // the condition was true, or over, without a break since
	yesAt, noAt     time.Duration

	overAt    time.Duration // when it was last over
	wasOver   bool
	offDelay  time.Duration // grows while it comes and goes
	raise     uint64        // order of the last raise
	since     time.Duration
	sinceWall time.Time
	ackedAt   time.Duration
	until     time.Duration // end of the shelf
	untilWall time.Time
	who       string // of the last move a person made
	reason    string // of a removal
	firstOut  bool
	batch     string // it was raised in
	last      finding
}

// verdict is what a rule's condition says on one evaluation.
type verdict uint8

const (
	same verdict = iota // nothing new: no timer moves (a suspect reading, a tick)
	yes                 // the condition holds
	no                  // it is over, beyond the deadband
	off                 // the rule does not apply now: over at once, whatever the off-delay
)

// finding is a verdict with the numbers behind it.
type finding struct {
	verdict            verdict
	probe              string
	celsius, limit     float64
	seconds, low, high float64
	grams              float64
	stir               time.Duration
	flash              float64
	method, oil        string
	detail             string
}

// NewWatch makes the watch of one pot, with every alarm and cue normal.
func NewWatch(pot string, s Settings) *Watch {
	w := &Watch{pot: pot, set: s, byKey: map[string]*item{}}
	w.senses.init()
	for _, r := range catalogue() {
		t := s.Rules[r.Key]
		if t.OnDelay != nil && !r.Latching {
			r.OnDelay = *t.OnDelay
		}
		if t.OffDelay != nil {
			r.OffDelay = *t.OffDelay
		}
		if t.Deadband != nil {
			r.Deadband = *t.Deadband
		}
		if t.Remind != nil {
			r.Remind = *t.Remind
		}
		it := &item{rule: r, state: Normal, offDelay: r.OffDelay}
		w.items = append(w.items, it)
		w.byKey[r.Key] = it
	}
	return w
}

// Eval holds every rule against the facts and returns the transitions that
// follow, in the order of the catalogue. Call it for every reading of whatever
// quality, with Facts.Reading set, and at least once a second besides.
func (w *Watch) Eval(f Facts) []Notice {
	f.At = w.turn(f.At, f.Wall)
	w.batch = f.Batch
	w.senses.take(&f, &w.set)

	var out []Notice
	var raised []int // indexes in out, for the first-out mark
	move := func(it *item, in input) {
		n, ok := w.apply(it, in, "")
		if !ok {
			return
		}
		if in == inRaise && it.Class == Alarm {
			raised = append(raised, len(out))
		}
		out = append(out, n)
	}
	for _, it := range w.items {
		fd := it.judge(w, &f, it)
		if fd.verdict == yes || (fd.verdict != off && fd.probe != "" && it.active) {
			it.last = fd
		}
		changed := it.settle(fd.verdict, f.At)

		if it.state == Shelved && f.At >= it.until {
			move(it, inUnshelve)
		}
		if it.UnderKey != "" {
			over := w.byKey[it.UnderKey]
			covered := over.active && !aside(over.state)
			switch {
			case covered && !aside(it.state) && (it.active || it.state != Normal):
				move(it, inSuppress)
			case !covered && it.state == Suppressed:
				move(it, inUnsuppress)
			}
		}
		switch {
		case changed && it.active:
			move(it, inRaise)
		case changed:
			move(it, inReturn)
		case it.state == Acked && it.Remind > 0 && f.At-it.ackedAt >= it.Remind:
			move(it, inRemind)
		}
	}
	w.senses.keep(&f)
	if w.members > 1 {
		for _, i := range raised {
			out[i].FirstOut = w.byKey[out[i].Key].firstOut
		}
	}
	return out
}

// comesAndGoes is how soon a fault must be back to be taken for the same one.
const comesAndGoes = 20 * time.Minute

// settle runs the delays; it reports whether active changed.
func (it *item) settle(v verdict, at time.Duration) bool {
	switch v {
	case yes:
		it.pendNo = false
		if !it.pendYes {
			it.pendYes, it.yesAt = true, at
		}
	case no:
		it.pendYes = false
		if !it.pendNo {
			it.pendNo, it.noAt = true, at
		}
	case off:
		it.pendYes, it.pendNo = false, false
		was := it.active
		it.active = false
		return was
	}
	switch {
	case !it.active && it.pendYes && at-it.yesAt >= it.OnDelay:
		it.active = true
		switch {
		case it.OffMost == 0:
		case it.wasOver && at-it.overAt < comesAndGoes:
			it.offDelay = min(2*it.offDelay, it.OffMost)
		default:
			it.offDelay = it.OffDelay
		}
		return true
	// Only a fresh "no" may end it: a suspect reading or a tick can't.
	case it.active && v == no && at-it.noAt >= it.offDelay:
		it.active = false
		it.overAt, it.wasOver = at, true
		return true
	}
	return false
}

// apply moves one item by the table and writes the notice.
func (w *Watch) apply(it *item, in input, who string) (Notice, bool) {
	from := it.state
	to, ok := next(it.cycle(), from, in, it.active)
	if !ok {
		return Notice{}, false
	}
	it.state = to
	if in == inRaise || (to == Unacked && aside(from)) {
		w.raises++
		it.raise, it.since, it.sinceWall, it.batch = w.raises, w.at, w.wall, w.batch
		it.firstOut = false
		if it.Class == Alarm {
			w.join(it)
		}
	}
	if to == Acked {
		it.ackedAt = w.at
	}
	if to == Normal {
		it.firstOut = false
	}
	if who != "" || in == inRaise {
		it.who = who
	}
	n := w.notice(it)
	n.From, n.Why, n.Who = from, why[in], who
	if in == inReturn && it.Class == Cue {
		n.Why = "withdrawn"
	}
	return n, true
}

// join puts a freshly raised alarm into the group of those that came together,
// or starts a new group with it as the first-out.
func (w *Watch) join(it *item) {
	if w.leader != nil && w.leader != it && w.leader.standing() && w.at-w.group <= w.set.Together {
		w.members++
		w.leader.firstOut = true
		return
	}
	w.leader, w.group, w.members = it, w.at, 1
}

// standing reports whether the item asks for attention now.
func (it *item) standing() bool { return Notice{State: it.state}.Standing() }

func (w *Watch) notice(it *item) Notice {
	l := it.last
	batch := w.batch
	if it.raise > 0 && it.state != OutOfService && it.state != Shelved {
		batch = it.batch // what a batch raised stays its own, though the next has begun
	}
	n := Notice{
		Key: it.Key, Pot: w.pot, Batch: batch, Class: it.Class, Priority: it.Priority,
		State: it.state, At: w.at, Wall: w.wall, FirstOut: it.firstOut,
		Probe: l.probe, Celsius: l.celsius, Limit: l.limit, Seconds: l.seconds, Low: l.low, HighEnd: l.high,
		Grams: l.grams, Stir: l.stir, Flash: l.flash, Method: l.method, Oil: l.oil, Detail: l.detail,
		Since: it.since, SinceWall: it.sinceWall,
	}
	switch it.state {
	case Shelved:
		n.Until, n.UntilWall = it.until, it.untilWall
	case OutOfService:
		n.Reason = it.reason
	}
	return n
}

// turn moves the watch's time on; it never goes back.
func (w *Watch) turn(at time.Duration, wall time.Time) time.Duration {
	w.at = max(w.at, at)
	w.wall = wall
	return w.at
}

func (w *Watch) item(key string) (*item, error) {
	it, ok := w.byKey[key]
	if !ok {
		return nil, fmt.Errorf("%q: %w", key, ErrUnknownKey)
	}
	return it, nil
}

func (w *Watch) ask(at time.Duration, wall time.Time, key, who string, in input, refusal error) ([]Notice, error) {
	it, err := w.item(key)
	if err != nil {
		return nil, err
	}
	if _, ok := next(it.cycle(), it.state, in, it.active); !ok {
		return nil, fmt.Errorf("%q: %w", key, refusal)
	}
	w.turn(at, wall)
	n, _ := w.apply(it, in, who)
	return []Notice{n}, nil
}

// Acknowledge says that somebody has seen it. It does not end an alarm, and one
// that is still true asks again after its reminder time.
func (w *Watch) Acknowledge(at time.Duration, wall time.Time, key, who string) ([]Notice, error) {
	return w.ask(at, wall, key, who, inAck, ErrNotStanding)
}

// AcknowledgeAll acknowledges everything that waits for it; none is no error.
func (w *Watch) AcknowledgeAll(at time.Duration, wall time.Time, who string) []Notice {
	var out []Notice
	for _, it := range w.items {
		if ns, err := w.Acknowledge(at, wall, it.Key, who); err == nil {
			out = append(out, ns...)
		}
	}
	return out
}

// Reset releases the latch of a dangerous alarm whose cause is gone.
func (w *Watch) Reset(at time.Duration, wall time.Time, key, who string) ([]Notice, error) {
	return w.ask(at, wall, key, who, inReset, ErrNoLatch)
}

// Shelve puts an alarm or cue aside for d, at most its [Rule.ShelveMax]. When
// the time is over it asks again if it is still true.
func (w *Watch) Shelve(at time.Duration, wall time.Time, key, who string, d time.Duration) ([]Notice, error) {
	it, err := w.item(key)
	if err != nil {
		return nil, err
	}
	switch {
	case it.ShelveMax == 0:
		return nil, fmt.Errorf("%q: %w", key, ErrMayNotShelf)
	case d <= 0 || d > it.ShelveMax:
		return nil, fmt.Errorf("%q: %v: %w: at most %v", key, d, ErrShelfLength, it.ShelveMax)
	case it.state == OutOfService:
		return nil, fmt.Errorf("%q is out of service: %w", key, ErrMayNotShelf)
	}
	it.until, it.untilWall = max(w.at, at)+d, wall.Add(d)
	return w.ask(at, wall, key, who, inShelve, ErrMayNotShelf)
}

// Unshelve takes it back before its time is over.
func (w *Watch) Unshelve(at time.Duration, wall time.Time, key, who string) ([]Notice, error) {
	return w.ask(at, wall, key, who, inUnshelve, ErrNotShelved)
}

// Remove takes it out of service, with a reason, until [Watch.Restore].
func (w *Watch) Remove(at time.Duration, wall time.Time, key, who, reason string) ([]Notice, error) {
	it, err := w.item(key)
	if err != nil {
		return nil, err
	}
	if strings.TrimSpace(reason) == "" {
		return nil, fmt.Errorf("%q: %w", key, ErrNoReason)
	}
	it.reason = reason
	return w.ask(at, wall, key, who, inRemove, ErrNotStanding)
}

// Restore puts it back in service; if it is true it asks at once.
func (w *Watch) Restore(at time.Duration, wall time.Time, key, who string) ([]Notice, error) {
	return w.ask(at, wall, key, who, inRestore, ErrNotRemoved)
}

// Standing lists what asks for attention, the most urgent first: alarms before
// cues, by priority, the unacknowledged before the rest, the first-out of a
// group before those that came with it, and then the older first. The numbers
// are those of the last evaluation, At and Wall its moment.
func (w *Watch) Standing() []Notice {
	return w.list(func(it *item) bool { return it.standing() })
}

// Aside lists what has been kept from asking: shelved, suppressed, out of service.
func (w *Watch) Aside() []Notice {
	return w.list(func(it *item) bool { return aside(it.state) })
}

// Active reports whether the condition behind a key holds now, whatever its
// state; for metrics.
func (w *Watch) Active(key string) bool {
	it, ok := w.byKey[key]
	return ok && it.active
}

func (w *Watch) list(keep func(*item) bool) []Notice {
	var its []*item
	for _, it := range w.items {
		if keep(it) {
			its = append(its, it)
		}
	}
	slices.SortStableFunc(its, func(a, b *item) int {
		return cmp.Or(
			cmp.Compare(classRank(a.Class), classRank(b.Class)),
			cmp.Compare(a.Priority.rank(), b.Priority.rank()),
			cmp.Compare(stateRank(a.state), stateRank(b.state)),
			cmp.Compare(burnRank(a.Key), burnRank(b.Key)),
			boolCompare(b.firstOut, a.firstOut),
			cmp.Compare(a.raise, b.raise),
		)
	})
	out := make([]Notice, len(its))
	for i, it := range its {
		out[i] = w.notice(it)
		out[i].From, out[i].Who = it.state, it.who
	}
	return out
}

// burnRank puts what can burn before whatever was raised first.
func burnRank(key string) int {
	switch key {
	case KeyFlashMargin:
		return 0
	case KeyBoiledDry:
		return 1
	}
	return 2
}

// HandOver gives up the cues that a batch has raised and returns them as they
// stand: its candles go on elsewhere, under another watch, which takes them with
// Rebuild. Nothing is said of it, for nothing has changed.
func (w *Watch) HandOver(batch string) []Notice {
	var out []Notice
	for _, it := range w.items {
		if it.Class != Cue || it.state == Normal || it.state == OutOfService || it.raise == 0 || it.batch != batch {
			continue
		}
		out = append(out, w.notice(it))
		it.state, it.active = Normal, false
		it.pendYes, it.pendNo = false, false
	}
	return out
}

// Rebuild takes the stored transitions of this pot, oldest first, and puts every
// alarm and cue back where it stood. Alarms that stood still stand; whether they
// are still true is decided by the readings to come. Call it once, before the
// first Eval. Notices of other pots and of rules that no longer exist are passed
// over.
func (w *Watch) Rebuild(notices []Notice) {
	for _, n := range notices {
		it, ok := w.byKey[n.Key]
		if !ok || n.Pot != w.pot || !known(n.State) {
			continue
		}
		w.at = max(w.at, n.At)
		w.raises++
		it.raise = w.raises
		it.state, it.batch = n.State, n.Batch
		it.active = n.State == Unacked || n.State == Acked
		it.pendYes, it.pendNo = false, false
		it.since, it.sinceWall = n.Since, n.SinceWall
		it.firstOut = n.FirstOut
		it.until, it.untilWall = n.Until, n.UntilWall
		it.reason = n.Reason
		it.who = n.Who
		it.ackedAt = n.At
		it.last = finding{
			probe: n.Probe, celsius: n.Celsius, limit: n.Limit, seconds: n.Seconds, low: n.Low, high: n.HighEnd,
			grams: n.Grams, stir: n.Stir, flash: n.Flash, method: n.Method, oil: n.Oil, detail: n.Detail,
		}
	}
}

func known(s State) bool {
	switch s {
	case Normal, Unacked, Acked, ReturnedUnack, LatchedUnack, LatchedAck, Shelved, Suppressed, OutOfService:
		return true
	}
	return false
}

func classRank(c Class) int {
	if c == Alarm {
		return 0
	}
	return 1
}

func (p Priority) rank() int {
	switch p {
	case Urgent:
		return 0
	case High:
		return 1
	}
	return 2
}

// AtLeast reports whether p is as pressing as q, or more.
func (p Priority) AtLeast(q Priority) bool { return p.rank() <= q.rank() }

func stateRank(s State) int {
	switch s {
	case Unacked:
		return 0
	case LatchedUnack, ReturnedUnack:
		return 1
	}
	return 2
}

func boolCompare(a, b bool) int {
	switch {
	case a == b:
		return 0
	case b:
		return -1
	}
	return 1
}

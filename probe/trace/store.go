package trace

import (
	"context"
	"database/sql"
	"errors"
	"fmt"
	"log/slog"
	"math"
	"os"
	"slices"
	"strings"
	"sync"
	"sync/atomic"
	"time"

	"github.com/gofrs/flock"

	"example.org/meltstation/probe"
)

// Options tell how to open a [Store]. The zero value is usable.
type Options struct {
	Now        func() time.Time // wall clock; nil = time.Now
	Log        *slog.Logger     // nil = none
	FlushEvery time.Duration    // how long a batch's readings may wait in memory; 0 = 15 s
	IdleFlush  time.Duration    // the same while no reading belongs to a batch; 0 = four times FlushEvery
	SpoolMax   int              // entries kept in memory while the disk refuses; 0 = 200 000, about 17 MB
	ReadOnly   bool             // for a look at a file that another process may be writing
	// CheckBudget is how long the check of the whole file at the start may take
	// before it is given up as not having found anything; 0 = 5 s.
	CheckBudget time.Duration
}

// Store is one open trace. Its methods may be called from any goroutine.
type Store struct {
	path    string
	o       Options
	runID   int64 // tells this run of the program from others
	lock    *flock.Flock
	readers atomic.Pointer[pool]

	committing sync.Mutex // held while a Commit looks for duplicates and takes its numbers

	mu      sync.Mutex
	seq     int64 // last number given out
	last    mark  // the newest entry
	spool   []item
	once    map[onceKey]int64 // events in the spool, to keep a repeated one once
	active  bool              // a batch's reading is in the spool
	changes []change
	heavy   int   // bytes in changes
	serial  int64 // of the newest change
	written int64 // when the newest document was written, ns; never the same twice
	waiting []chan<- error
	health  Health
	closed  bool

	suspect bool               // reading has met damage
	damaged map[int64]struct{} // packets of readings that can't be read back, by their first number

	kick chan struct{}
	quit chan struct{}
	done chan struct{}

	// Used by the writing goroutine alone.
	w       writer
	retired []*pool // readers of a file that is no longer there

	fault atomic.Pointer[func(stage string, tx *sql.Tx) error] // set by tests: makes a write fail at its begin, before or after its commit
}

// Health is how the store is doing.
type Health struct {
	Err       error     // why the last write failed; nil when it went well
	Since     time.Time // since when Err stands
	LastWrite time.Time // when something was last written; zero = not yet
	Spooled   int       // entries in memory that are not on disk yet
	Dropped   int64     // entries given up since the start, because the disk refused for too long
	Written   int64     // bytes written to the write-ahead log since the start, page by page
	Size      int64     // bytes of the database file; negative = not known
	DiskFree  int64     // bytes free on its disk; negative = not known
	Damaged   int       // packets of readings met since the start that can't be read back
	SetAside  string    // where a damaged file was moved; "" = there was none
}

// mark is where the time line stood.
type mark struct {
	seq  int64
	at   time.Duration
	wall int64
}

// item is one entry in the spool.
type item struct {
	reading
	channel *channelKey // of a reading
	event   *Entry      // of the others
}

// channelKey is a probe in a role in a pot during a batch.
type channelKey struct {
	batch, pot, probe string
	role              probe.Role
}

type onceKey struct{ batch, id string }

// Bounds of the spool.
const (
	defaultFlush    = 15 * time.Second // see BenchmarkDay: half of what 5 s would write
	defaultSpool    = 200_000
	changesMax      = 32 << 20 // bytes of batches and documents kept while the disk refuses
	longestBackoff  = time.Minute
	flushAtLeast    = 2000 // entries that are written without waiting
	busyTimeout     = 2 * time.Second
	defaultCheckFor = 5 * time.Second
)

func (o *Options) fill() {
	if o.Now == nil {
		o.Now = time.Now
	}
	if o.Log == nil {
		o.Log = slog.New(slog.DiscardHandler)
	}
	if o.FlushEvery <= 0 {
		o.FlushEvery = defaultFlush
	}
	if o.IdleFlush <= 0 {
		o.IdleFlush = 4 * o.FlushEvery
	}
	if o.SpoolMax <= 0 {
		o.SpoolMax = defaultSpool
	}
	if o.CheckBudget <= 0 {
		o.CheckBudget = defaultCheckFor
	}
}

// Append takes one entry and returns its number. It never waits for the disk and
// never fails: the entry is written within [Options.FlushEvery], or kept in
// memory until the disk takes it. When more than [Options.SpoolMax] wait, the
// oldest are given up and counted in [Health.Dropped]: readings first, then
// notices, events last.
//
// Number, and with it the order, is the order of the calls. A store that is
// closed or read-only returns 0 and keeps nothing.
func (s *Store) Append(e Entry) int64 {
	s.mu.Lock()
	defer s.mu.Unlock()
	if s.closed || s.o.ReadOnly {
		return 0
	}
	if e.Kind == KindEvent && e.ID != "" {
		if seq, ok := s.once[onceKey{e.Batch, e.ID}]; ok {
			return seq
		}
	}
	return s.add(e)
}

// add gives e its number and spools it. The caller holds s.mu.
func (s *Store) add(e Entry) int64 {
	if e.Wall.IsZero() {
		e.Wall = s.o.Now()
	}
	s.seq++
	it := item{reading: reading{seq: s.seq, at: e.At, wall: wallNano(e.Wall)}}
	if e.Kind == KindReading {
		it.celsius, it.raw, it.quality = e.Celsius, e.Raw, e.Quality
		it.channel = s.channel(channelKey{strings.Clone(e.Batch), e.Pot, e.Probe, e.Role})
		s.active = s.active || e.Batch != ""
	} else {
		ev := e
		ev.Seq, ev.Data = s.seq, slices.Clone(e.Data)
		ev.Probe, ev.Role, ev.Quality, ev.Celsius, ev.Raw = "", "", "", math.NaN(), math.NaN()
		it.event = &ev
		if e.Kind == KindEvent && e.ID != "" {
			s.once[onceKey{e.Batch, e.ID}] = s.seq
		}
		s.active = true
	}
	s.last = mark{s.seq, it.at, it.wall}
	s.spool = append(s.spool, it)
	if len(s.spool) > s.o.SpoolMax {
		s.thin()
	}
	if len(s.spool) == flushAtLeast {
		s.wake()
	}
	return s.seq
}

// channel returns the one copy of k among the spooled readings.
func (s *Store) channel(k channelKey) *channelKey {
	for i := len(s.spool) - 1; i >= 0 && i >= len(s.spool)-32; i-- {
		if c := s.spool[i].channel; c != nil && *c == k {
			return c
		}
	}
	return &k
}

// thin gives up the oldest readings, a sixteenth of the spool at a time, and when
// there are none, notices; events only when they alone are twice the bound. The
// caller holds s.mu. It makes a new slice: the writer may be reading the old one.
func (s *Store) thin() {
	drop := max(s.o.SpoolMax/16, 1)
	give := func(may func(item) bool) {
		kept := make([]item, 0, len(s.spool))
		for _, it := range s.spool {
			if drop > 0 && may(it) {
				drop--
				s.health.Dropped++
				if e := it.event; e != nil {
					delete(s.once, onceKey{e.Batch, e.ID})
				}
				continue
			}
			kept = append(kept, it)
		}
		s.spool = kept
	}
	give(func(it item) bool { return it.event == nil })
	if drop > 0 {
		give(func(it item) bool { return it.event != nil && it.event.Kind != KindEvent })
	}
	if len(s.spool) > 2*s.o.SpoolMax {
		give(func(item) bool { return true })
	}
}

func (s *Store) wake() {
	select {
	case s.kick <- struct{}{}:
	default:
	}
}

// Placed says where a committed entry went.
type Placed struct {
	Seq       int64
	Duplicate bool // an event with this id was there before; Seq is its number
}

// Commit writes entries and everything spooled before them, and returns when
// they are on disk for good, with the number of the last one. An event whose
// batch and ID the trace already has is not written again: its first number is
// returned, without an error; [Store.CommitEach] tells which.
//
// With an error (the disk refuses, or ctx ended) the entries are not
// acknowledged but kept: they are written with everything else when the disk
// takes it again, unless the process ends before. The caller may go on, and may
// send the same event again without making it two. Only after [ErrSpoolFull],
// [ErrClosed] and [ErrReadOnly] nothing was kept.
func (s *Store) Commit(ctx context.Context, entries ...Entry) (int64, error) {
	placed, err := s.CommitEach(ctx, entries...)
	if len(placed) == 0 {
		return 0, err
	}
	return placed[len(placed)-1].Seq, err
}

// CommitEach is [Store.Commit], and says for each entry where it went.
func (s *Store) CommitEach(ctx context.Context, entries ...Entry) ([]Placed, error) {
	if s.o.ReadOnly {
		return nil, ErrReadOnly
	}
	placed, done, err := s.place(ctx, entries)
	if err != nil {
		return nil, err
	}
	return placed, wait(ctx, done, "writing to the trace")
}

func (s *Store) place(ctx context.Context, entries []Entry) ([]Placed, <-chan error, error) {
	s.committing.Lock()
	defer s.committing.Unlock()
	placed := make([]Placed, len(entries))
	for i, e := range entries {
		if e.Kind != KindEvent || e.ID == "" {
			continue
		}
		// First memory, then disk: what leaves memory is on disk.
		s.mu.Lock()
		seq, ok := s.once[onceKey{e.Batch, e.ID}]
		s.mu.Unlock()
		if !ok {
			var err error
			if seq, ok, err = s.find(ctx, e.Batch, e.ID); err != nil {
				// The disk can't be read just now. A repeated event is left out
				// when it is written.
				s.o.Log.Warn("can't look for an earlier event of the same id", "batch", e.Batch, "id", e.ID, "err", s.unread(err, "reading an event"))
			}
		}
		if ok {
			placed[i] = Placed{seq, true}
		}
	}
	s.mu.Lock()
	defer s.mu.Unlock()
	if s.closed {
		return nil, nil, ErrClosed
	}
	if len(s.spool)+len(entries) > s.o.SpoolMax {
		s.thin()
		if len(s.spool)+len(entries) > s.o.SpoolMax {
			return nil, nil, ErrSpoolFull
		}
	}
	for i, e := range entries {
		if placed[i].Duplicate {
			continue
		}
		if e.Kind == KindEvent && e.ID != "" {
			if seq, ok := s.once[onceKey{e.Batch, e.ID}]; ok { // twice in this very call
				placed[i] = Placed{seq, true}
				continue
			}
		}
		placed[i] = Placed{Seq: s.add(e)}
	}
	done := make(chan error, 1)
	s.waiting = append(s.waiting, done)
	s.wake()
	return placed, done, nil
}

// find looks for an event on disk.
func (s *Store) find(ctx context.Context, batch, id string) (int64, bool, error) {
	var seq int64
	err := s.readers.Load().QueryRowContext(ctx, `SELECT seq FROM event
		WHERE batch = (SELECT no FROM batch_key WHERE id = ?) AND id = ? AND kind = 'event' AND id <> ''`, batch, id).Scan(&seq)
	if errors.Is(err, sql.ErrNoRows) {
		return 0, false, nil
	}
	return seq, err == nil, err
}

// Flush returns when everything taken so far is on disk, or with the reason why
// it isn't; it is kept then.
func (s *Store) Flush(ctx context.Context) error {
	s.mu.Lock()
	if s.closed {
		s.mu.Unlock()
		return ErrClosed
	}
	if s.o.ReadOnly || len(s.spool)+len(s.changes) == 0 {
		s.mu.Unlock()
		return nil
	}
	done := make(chan error, 1)
	s.waiting = append(s.waiting, done)
	s.wake()
	s.mu.Unlock()
	return wait(ctx, done, "writing the trace to disk")
}

func wait(ctx context.Context, done <-chan error, what string) error {
	select {
	case err := <-done:
		if err != nil {
			return fmt.Errorf("%s: %w", what, err)
		}
		return nil
	case <-ctx.Done():
		return fmt.Errorf("%s: %w", what, ctx.Err())
	}
}

// Close writes what is spooled and closes the file. Its error says that
// something could not be written and is lost.
func (s *Store) Close() error {
	s.mu.Lock()
	if s.closed {
		s.mu.Unlock()
		return nil
	}
	s.closed = true
	s.mu.Unlock()
	var errs []error
	if !s.o.ReadOnly {
		close(s.quit)
		<-s.done
		s.mu.Lock()
		if n := len(s.spool); n > 0 || len(s.changes) > 0 {
			errs = append(errs, fmt.Errorf("%d entries could not be written: %w", n, s.health.Err))
		}
		s.mu.Unlock()
	}
	// The readers first: the last connection to close folds the log into the file.
	if err := s.readers.Load().Close(); err != nil {
		errs = append(errs, err)
	}
	for _, r := range s.retired {
		if err := r.Close(); err != nil {
			errs = append(errs, err)
		}
	}
	if err := s.w.close(); err != nil {
		errs = append(errs, err)
	}
	if s.lock != nil {
		if err := s.lock.Unlock(); err != nil {
			errs = append(errs, err)
		}
	}
	if err := errors.Join(errs...); err != nil {
		return fmt.Errorf("closing %s: %w", s.path, err)
	}
	return nil
}

// Health says how the store is doing. It asks the file system, not the database.
func (s *Store) Health() Health {
	s.mu.Lock()
	h := s.health
	h.Spooled, h.Damaged = len(s.spool), len(s.damaged)
	s.mu.Unlock()
	h.Size, h.DiskFree = -1, diskFree(s.path)
	if info, err := os.Stat(s.path); err == nil {
		h.Size = info.Size()
	}
	return h
}

// SetAside returns where a damaged file was moved when this one was begun in its
// place; "" if there was none.
func (s *Store) SetAside() string {
	s.mu.Lock()
	defer s.mu.Unlock()
	return s.health.SetAside
}

// Path returns the file's name.
func (s *Store) Path() string { return s.path }

// Last returns the number, station time and UTC of the newest entry; zeros when
// there is none.
func (s *Store) Last(ctx context.Context) (seq int64, at time.Duration, wall time.Time, err error) {
	if s.o.ReadOnly { // another process may have gone on
		m, err := lastOnDisk(ctx, s.readers.Load())
		if err != nil {
			return 0, 0, time.Time{}, fmt.Errorf("reading the end of the trace: %w", err)
		}
		return m.seq, m.at, wallTime(m), nil
	}
	s.mu.Lock()
	defer s.mu.Unlock()
	return s.last.seq, s.last.at, wallTime(s.last), nil
}

func wallTime(m mark) time.Time {
	if m.seq == 0 {
		return time.Time{}
	}
	return time.Unix(0, m.wall).UTC()
}

// unread says what could not be read and why. When the file is to blame, the
// writer looks at it.
func (s *Store) unread(err error, format string, args ...any) error {
	if isDamage(err) && !s.o.ReadOnly {
		s.mu.Lock()
		s.suspect = true
		s.mu.Unlock()
		s.wake()
	}
	return fmt.Errorf(format+": %w", append(args, err)...)
}

// queryer is what reads: a pool, a connection or a transaction.
type queryer interface {
	QueryContext(ctx context.Context, query string, args ...any) (*sql.Rows, error)
	QueryRowContext(ctx context.Context, query string, args ...any) *sql.Row
}

// lastOnDisk finds the newest entry on disk.
func lastOnDisk(ctx context.Context, q queryer) (mark, error) {
	var m mark
	err := q.QueryRowContext(ctx, "SELECT seq, at, wall FROM event ORDER BY seq DESC LIMIT 1").Scan(&m.seq, &m.at, &m.wall)
	if err != nil && !errors.Is(err, sql.ErrNoRows) {
		return mark{}, err
	}
	rows, err := q.QueryContext(ctx, "SELECT seq, last, data FROM chunk ORDER BY seq DESC LIMIT 8")
	if err != nil {
		return mark{}, err
	}
	defer rows.Close()
	seq := m.seq
	for rows.Next() {
		var first, last int64
		var data sql.RawBytes
		if err := rows.Scan(&first, &last, &data); err != nil {
			return mark{}, err
		}
		seq = max(seq, last)
		if last < m.seq {
			break
		}
		err := decodeChunk(first, data, func(int64) bool { return true }, func(_ int64, r reading) {
			if r.seq > m.seq {
				m = mark{r.seq, r.at, r.wall}
			}
		})
		if err == nil {
			break
		} // else the times of the one before are the best there are
	}
	m.seq = seq
	return m, rows.Err()
}

// wallNano is t as nanoseconds since 1970; a time that they can't hold (before
// 1678 or after 2262) becomes the nearest that they can.
func wallNano(t time.Time) int64 {
	if t.Before(time.Unix(0, math.MinInt64)) {
		return math.MinInt64
	}
	if t.After(time.Unix(0, math.MaxInt64)) {
		return math.MaxInt64
	}
	return t.UnixNano()
}

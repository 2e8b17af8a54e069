package trace

import (
	"cmp"
	"context"
	"database/sql"
	"errors"
	"fmt"
	"maps"
	"os"
	"slices"
	"time"

	"modernc.org/sqlite"
)

// blockSize is how many numbers one row of the presence table stands for. No
// chunk crosses from one block into the next.
const blockSize = 4096

func blockOf(seq int64) int64 { return seq / blockSize }

// writer is the one connection that writes.
type writer struct {
	db       *sql.DB     // nil: not open just now
	file     os.FileInfo // the file it has open
	channels map[channelKey]int64
	batches  map[string]int64
	present  map[[2]int64]bool // batch and block that the presence table has
	doubt    bool              // the last write failed: look what is on disk before the next
}

func (w *writer) close() error {
	if w.db == nil {
		return nil
	}
	err := w.db.Close()
	*w = writer{doubt: true}
	return err
}

// run is the goroutine that writes.
func (s *Store) run() {
	defer close(s.done)
	timer := time.NewTimer(s.o.FlushEvery)
	defer timer.Stop()
	backoff := time.Duration(0)
	idle := time.Duration(0) // for how long readings outside batches have waited
	for {
		quit, due := false, true
		select {
		case <-s.kick:
		case <-timer.C:
			s.mu.Lock()
			if !s.active && len(s.changes) == 0 && s.health.Err == nil {
				idle += s.o.FlushEvery
				due = idle >= s.o.IdleFlush
			}
			s.mu.Unlock()
		case <-s.quit:
			quit = true
		}
		next := s.o.FlushEvery
		if due {
			idle = 0
			if err := s.write(); err != nil {
				backoff = min(max(2*backoff, s.o.FlushEvery), longestBackoff)
				next = backoff
			} else {
				backoff = 0
			}
		}
		if quit {
			return
		}
		timer.Reset(next)
	}
}

// write brings everything that waits to disk, in one transaction, and tells
// those who wait for it.
func (s *Store) write() error {
	s.mu.Lock()
	// Only appended to and replaced, never changed in place: safe to read below.
	spool, changes := s.spool, s.changes
	waiting, suspect := s.waiting, s.suspect
	s.waiting, s.suspect = nil, false
	s.mu.Unlock()

	var err error
	if suspect {
		err = s.inspect()
	}
	var written int64
	if err == nil && len(spool)+len(changes) > 0 {
		written, err = s.writeAll(spool, changes)
		if err != nil && isDamage(err) {
			if err = s.renew(context.Background(), err); err == nil {
				written, err = s.writeAll(spool, changes)
			}
		}
	}

	s.mu.Lock()
	if err != nil {
		if s.health.Err == nil {
			s.health.Since = s.o.Now()
			s.o.Log.Error("the trace can't be written; it is kept in memory", "path", s.path, "err", err)
		}
		s.health.Err = err
	} else {
		if s.health.Err != nil {
			s.o.Log.Info("the trace can be written again", "path", s.path, "entries", len(spool))
		}
		s.health.Err, s.health.Since = nil, time.Time{}
		if len(spool)+len(changes) > 0 {
			s.health.LastWrite = s.o.Now()
			s.health.Written += written
		}
		s.forget(spool, changes)
	}
	s.mu.Unlock()
	for _, c := range waiting {
		c <- err
	}
	return err
}

// inspect looks at the file itself, not at what memory has of it, and sets it
// aside if it is damaged.
func (s *Store) inspect() error {
	ctx := context.Background()
	s.w.close()
	err := s.reopen(ctx)
	if err == nil {
		err = s.quickCheck(ctx, s.w.db)
	}
	if err != nil && isDamage(err) {
		return s.renew(ctx, err)
	}
	return err
}

// forget takes out of memory what is on disk. The caller holds s.mu.
func (s *Store) forget(spool []item, changes []change) {
	if len(spool) > 0 {
		upTo := spool[len(spool)-1].seq
		n := 0
		for n < len(s.spool) && s.spool[n].seq <= upTo {
			n++
		}
		s.spool = s.spool[n:]
		if len(s.spool) == 0 {
			s.spool = nil
			s.active = false
		}
		for _, it := range spool {
			if e := it.event; e != nil && e.Kind == KindEvent && e.ID != "" {
				if k := (onceKey{e.Batch, e.ID}); s.once[k] == e.Seq {
					delete(s.once, k)
				}
			}
		}
	}
	if len(changes) > 0 {
		upTo := int64(0)
		for _, c := range changes {
			upTo = max(upTo, c.serial)
		}
		var rest []change // a new one: see write
		s.heavy = 0
		for _, c := range s.changes {
			if c.serial > upTo {
				rest = append(rest, c)
				s.heavy += c.weight()
			}
		}
		s.changes = rest
	}
}

// writeAll is one transaction. It returns how many bytes it cost.
func (s *Store) writeAll(spool []item, changes []change) (int64, error) {
	// Not the caller's context: a write that was begun is finished, so that
	// what memory believes and what the disk has never part.
	ctx := context.Background()
	if err := s.reopen(ctx); err != nil {
		return 0, err
	}
	conn, err := s.w.db.Conn(ctx)
	if err != nil {
		s.broken(err)
		return 0, err
	}
	defer conn.Close()
	t := transaction{w: &s.w, ctx: ctx, run: s.runID}
	if t.tx, err = conn.BeginTx(ctx, nil); err == nil {
		if err = s.failing("begin", t.tx); err == nil {
			err = t.all(spool, changes)
		}
		if err == nil {
			err = s.failing("commit", t.tx)
		}
		if err == nil {
			if err = t.tx.Commit(); err == nil {
				err = s.failing("committed", t.tx)
			}
		}
		if err != nil {
			t.tx.Rollback() // an error here adds nothing to err
		}
	}
	if err != nil {
		s.broken(err)
		return 0, err
	}
	s.w.doubt = false
	maps.Copy(s.w.channels, t.channels)
	maps.Copy(s.w.batches, t.batches)
	maps.Copy(s.w.present, t.present)
	if len(s.w.channels) > 10_000 { // a cache, not a list
		clear(s.w.channels)
		clear(s.w.batches)
		clear(s.w.present)
	}
	var pages int
	conn.Raw(func(c any) error {
		if st, ok := c.(sqlite.DBStatus); ok {
			pages, _, _ = st.Status(sqlite.DBStatusCacheWrite, true)
		}
		return nil
	})
	return int64(pages) * (pageSize + walFrameHeader), nil
}

// Of the write-ahead log: https://www.sqlite.org/fileformat2.html#the_write_ahead_log
const (
	pageSize       = 4096
	walFrameHeader = 24
)

func (s *Store) failing(stage string, tx *sql.Tx) error {
	if f := s.fault.Load(); f != nil {
		return (*f)(stage, tx)
	}
	return nil
}

// broken notes a failed write, and gives up the connection when waiting alone
// will not mend it.
func (s *Store) broken(err error) {
	s.w.doubt = true
	if !errorIs(err, codeBusy, codeLocked, codeFull) {
		s.w.close()
	}
	if r := s.readers.Load(); r != nil && errorIs(err, codeReadOnly) {
		// SQLite shares the log's index among a process's connections. Readers that
		// opened it on a disk that could only be read keep the writer out after the
		// disk can be written again, so those that idle are let go.
		r.SetMaxIdleConns(-1)
		r.SetMaxIdleConns(idleReaders)
	}
}

// transaction is one write under way. What it has learnt counts only when it is
// committed.
type transaction struct {
	w        *writer
	ctx      context.Context
	run      int64
	tx       *sql.Tx
	channels map[channelKey]int64
	batches  map[string]int64
	present  map[[2]int64]bool
}

func (t *transaction) exec(query string, args ...any) error {
	_, err := t.tx.ExecContext(t.ctx, query, args...)
	return err
}

func (t *transaction) all(spool []item, changes []change) error {
	t.channels, t.batches, t.present = map[channelKey]int64{}, map[string]int64{}, map[[2]int64]bool{}
	if t.w.doubt {
		// A transaction that was reported as failed may yet have reached the disk.
		m, err := lastOnDisk(t.ctx, t.tx)
		if err != nil {
			return err
		}
		n, _ := slices.BinarySearchFunc(spool, m.seq+1, func(it item, seq int64) int { return cmp.Compare(it.seq, seq) })
		spool = spool[n:]
		var run, serial int64
		err = t.tx.QueryRowContext(t.ctx, "SELECT run, serial FROM written").Scan(&run, &serial)
		if err != nil && !errors.Is(err, sql.ErrNoRows) {
			return err
		}
		if run == t.run {
			changes = slices.DeleteFunc(slices.Clone(changes), func(c change) bool { return c.serial <= serial })
		}
	}
	upTo := int64(0)
	for _, c := range changes {
		if err := c.apply(t); err != nil {
			return err
		}
		upTo = max(upTo, c.serial)
	}
	if upTo > 0 {
		if err := t.exec("INSERT OR REPLACE INTO written (one, run, serial) VALUES (1, ?, ?)", t.run, upTo); err != nil {
			return err
		}
	}
	for len(spool) > 0 {
		block, n := blockOf(spool[0].seq), 1
		for n < len(spool) && blockOf(spool[n].seq) == block {
			n++
		}
		if err := t.block(block, spool[:n]); err != nil {
			return err
		}
		spool = spool[n:]
	}
	return nil
}

// block writes entries that belong into one block.
func (t *transaction) block(block int64, items []item) error {
	var first, last int64
	var columns []column
	where := map[*channelKey]int{}
	for _, it := range items {
		if it.event != nil {
			if err := t.event(*it.event); err != nil {
				return err
			}
			continue
		}
		if first == 0 {
			first = it.seq
		}
		last = it.seq
		i, ok := where[it.channel]
		if !ok {
			no, err := t.channel(*it.channel, block)
			if err != nil {
				return err
			}
			i = slices.IndexFunc(columns, func(c column) bool { return c.channel == no })
			if i < 0 {
				i = len(columns)
				columns = append(columns, column{channel: no})
			}
			where[it.channel] = i
		}
		columns[i].rows = append(columns[i].rows, it.reading)
	}
	if first == 0 {
		return nil
	}
	return t.exec("INSERT INTO chunk (seq, last, data) VALUES (?, ?, ?)", first, last, encodeChunk(first, columns))
}

func (t *transaction) event(e Entry) error {
	batch, err := t.batch(e.Batch)
	if err != nil {
		return err
	}
	var data any
	if e.Data != nil {
		data = []byte(e.Data)
	}
	return t.exec(`INSERT INTO event (seq, batch, kind, pot, at, wall, id, name, data) VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?)
		ON CONFLICT (batch, id) WHERE kind = 'event' AND id <> '' DO NOTHING`,
		e.Seq, batch, string(e.Kind), e.Pot, int64(e.At), wallNano(e.Wall), e.ID, e.Name, data)
}

// batch returns the number of a batch code, a new one if need be.
func (t *transaction) batch(id string) (int64, error) {
	if id == "" {
		return 0, nil
	}
	if no, ok := t.w.batches[id]; ok {
		return no, nil
	}
	if no, ok := t.batches[id]; ok {
		return no, nil
	}
	no, err := t.number("SELECT no FROM batch_key WHERE id = ?", "INSERT INTO batch_key (id) VALUES (?)", id)
	if err == nil {
		t.batches[id] = no
	}
	return no, err
}

// channel returns the number of a channel, a new one if need be, and sees to it
// that its batch is known to have readings in the block.
func (t *transaction) channel(k channelKey, block int64) (int64, error) {
	batch, err := t.batch(k.batch)
	if err != nil {
		return 0, err
	}
	if p := [2]int64{batch, block}; !t.w.present[p] && !t.present[p] {
		if err := t.exec("INSERT OR IGNORE INTO presence (batch, block) VALUES (?, ?)", batch, block); err != nil {
			return 0, err
		}
		t.present[p] = true
	}
	if no, ok := t.w.channels[k]; ok {
		return no, nil
	}
	if no, ok := t.channels[k]; ok {
		return no, nil
	}
	no, err := t.number("SELECT no FROM channel WHERE batch = ? AND pot = ? AND probe = ? AND role = ?",
		"INSERT INTO channel (batch, pot, probe, role) VALUES (?, ?, ?, ?)", batch, k.pot, k.probe, string(k.role))
	if err == nil {
		t.channels[k] = no
	}
	return no, err
}

func (t *transaction) number(find, insert string, args ...any) (int64, error) {
	var no int64
	err := t.tx.QueryRowContext(t.ctx, find, args...).Scan(&no)
	if !errors.Is(err, sql.ErrNoRows) {
		return no, err
	}
	res, err := t.tx.ExecContext(t.ctx, insert, args...)
	if err != nil {
		return 0, err
	}
	return res.LastInsertId()
}

// SQLite's primary result codes, https://www.sqlite.org/rescode.html
const (
	codeBusy     = 5
	codeLocked   = 6
	codeReadOnly = 8
	codeIO       = 10
	codeCorrupt  = 11
	codeFull     = 13
	codeCantOpen = 14
	codeNotADB   = 26
)

// errorIs reports whether err is one of SQLite's errors of the given primary codes.
func errorIs(err error, codes ...int) bool {
	var e *sqlite.Error
	return errors.As(err, &e) && slices.Contains(codes, e.Code()&0xff)
}

// reopen opens the writing connection if there is none, or if the file it has
// open is no longer the one at the path.
func (s *Store) reopen(ctx context.Context) error {
	if s.w.db != nil {
		if info, err := os.Stat(s.path); err == nil && os.SameFile(info, s.w.file) {
			return nil
		}
		// Taken away or exchanged under our feet.
		s.o.Log.Warn("the database is no longer where it was; it is opened anew", "path", s.path)
		s.w.close()
	}
	if s.lock == nil { // the disk could not be written when the store was opened
		var err error
		if s.lock, err = lockFile(s.path); err != nil {
			return err
		}
	}
	w, err := openWriter(ctx, s.path, s.o)
	if err != nil {
		return fmt.Errorf("opening %s: %w", s.path, err)
	}
	s.w = w
	s.reread(ctx)
	return nil
}

// reread opens the readers anew if they have another file open than the writer,
// or one that they believe nobody writes. Readings under way end undisturbed on
// the old ones.
func (s *Store) reread(ctx context.Context) {
	old := s.readers.Load()
	if old != nil && !old.immutable && s.w.file != nil && os.SameFile(old.file, s.w.file) {
		return
	}
	r, err := openReaders(ctx, s.path)
	if err != nil {
		s.o.Log.Error("the trace can't be read", "path", s.path, "err", err)
		return
	}
	s.readers.Store(r)
	if old != nil {
		old.SetMaxIdleConns(-1)
		s.retired = append(s.retired, old)
	}
}

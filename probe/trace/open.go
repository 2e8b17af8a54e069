package trace

import (
	"bytes"
	"context"
	"database/sql"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"math/rand/v2"
	"net/url"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"syscall"
	"time"
	"unicode"
	"unicode/utf8"

	"github.com/gofrs/flock"
	"modernc.org/sqlite"
)

// Open opens the trace at path, and begins a new one if there is none (mode
// 0600, its folder 0700).
//
// A file of an older program is brought up to date, and a copy of it kept beside
// it first. One of a newer program is refused ([ErrNewer]), so is another
// program's ([ErrForeign]) and one that another process writes ([ErrLocked]). A
// damaged one is moved aside under a dated name, what can still be read is
// carried over, and [Store.SetAside] tells the name.
//
// When the file is there but can't be written just now (a full or read-only
// disk), the store opens all the same: [Health.Err] says why, and it goes on
// trying.
func Open(path string, o Options) (*Store, error) {
	o.fill()
	ctx := context.Background()
	path, err := filepath.Abs(path)
	if err != nil {
		return nil, fmt.Errorf("opening the trace: %w", err)
	}
	s := &Store{
		path: path, o: o, runID: rand.Int64(),
		once: map[onceKey]int64{}, damaged: map[int64]struct{}{},
		kick: make(chan struct{}, 1), quit: make(chan struct{}), done: make(chan struct{}),
		w: writer{doubt: true},
	}
	if o.ReadOnly {
		err = s.openForReading(ctx)
	} else {
		err = s.openForWriting(ctx)
	}
	if err != nil {
		if r := s.readers.Load(); r != nil {
			r.Close()
		}
		s.w.close()
		if s.lock != nil {
			s.lock.Unlock()
		}
		return nil, fmt.Errorf("opening the trace: %w", err)
	}
	if o.ReadOnly {
		close(s.done)
		return s, nil
	}
	go s.run()
	return s, nil
}

func (s *Store) openForReading(ctx context.Context) error {
	if info, err := os.Stat(s.path); err != nil {
		return err
	} else if info.Size() == 0 {
		return fmt.Errorf("%s: %w: it is empty", s.path, ErrForeign)
	}
	r, err := openReaders(ctx, s.path)
	if err != nil {
		return damaged(s.path, err)
	}
	s.readers.Store(r)
	id, err := identify(ctx, r)
	if err != nil {
		return damaged(s.path, err)
	}
	if err := id.refuse(s.path); err != nil {
		return err
	}
	if id.version < SchemaVersion() {
		return fmt.Errorf("%s is of an older meltstation (its layout is version %d, this program's is %d): start \"meltstation run\" once, which brings it up to date and keeps a copy", s.path, id.version, SchemaVersion())
	}
	return nil
}

// damaged makes an [ErrDamaged] of the errors that mean it, or an [ErrForeign]
// when the file is somebody's text.
func damaged(path string, err error) error {
	if !isDamage(err) {
		return fmt.Errorf("%s: %w", path, err)
	}
	if errorIs(err, codeNotADB) && isText(path) {
		return fmt.Errorf("%s: %w, it looks like a text", path, ErrForeign)
	}
	return fmt.Errorf("%s: %w (%w)", path, ErrDamaged, err)
}

// isDamage reports whether err says that the file itself is broken.
func isDamage(err error) bool {
	return errorIs(err, codeCorrupt, codeNotADB) || errors.Is(err, errChunk) || errors.Is(err, errCheck)
}

// refused reports whether err says that the disk refuses, for now or for good,
// while the file may be whole.
func refused(err error) bool {
	return errorIs(err, codeReadOnly, codeFull, codeIO, codeCantOpen, codeBusy, codeLocked)
}

func (s *Store) openForWriting(ctx context.Context) error {
	if err := os.MkdirAll(filepath.Dir(s.path), 0o700); err != nil {
		return err
	}
	var err error
	if s.lock, err = lockFile(s.path); err != nil {
		return err
	}
	info, err := os.Stat(s.path)
	old := err == nil && info.Size() > 0
	switch {
	case err != nil && !errors.Is(err, fs.ErrNotExist):
		return err
	case err == nil && info.IsDir():
		return fmt.Errorf("%s is a folder, not a file", s.path)
	case !old:
		// A log without its database would be played into the new one.
		if err := s.orphan(); err != nil {
			return err
		}
	}
	wal, err := os.Stat(s.path + "-wal")
	unclean := err == nil && wal.Size() > 0 || exists(s.path+"-journal")
	s.w, err = openWriter(ctx, s.path, s.o)
	if err == nil && old {
		err = s.glance(ctx, unclean)
	}
	switch {
	case err == nil:
	case isDamage(err):
		if errors.Is(damaged(s.path, err), ErrForeign) {
			return fmt.Errorf("%w; name another file", damaged(s.path, err))
		}
		if err := s.renew(ctx, err); err != nil {
			return err
		}
	case old && refused(err):
		// The station must watch, even if nothing can be written.
		s.w.close()
		s.o.Log.Error("the trace can be read but not written; new entries are kept in memory", "path", s.path, "err", err)
		s.health.Err, s.health.Since = err, s.o.Now()
	default:
		return err
	}
	if s.readers.Load() == nil {
		r, err := openReaders(ctx, s.path)
		if err != nil {
			return err
		}
		s.readers.Store(r)
	}
	s.last, err = lastOnDisk(ctx, s.readers.Load())
	s.seq = s.last.seq
	return err
}

// lockFile takes the lock that keeps a second daemon off. The lock is on a file
// of its own: closing any handle of the database would let go of SQLite's locks.
func lockFile(path string) (*flock.Flock, error) {
	l := flock.New(path+".lock", flock.SetPermissions(0o600))
	ok, err := l.TryLock()
	if err != nil {
		if errors.Is(err, syscall.EROFS) || errors.Is(err, syscall.ENOSPC) || errors.Is(err, fs.ErrPermission) && !exists(path+".lock") {
			return nil, nil // nobody can write here, so nobody else does
		}
		return nil, fmt.Errorf("locking %s: %w", path, err)
	}
	if !ok {
		who := ""
		if b, err := os.ReadFile(path + ".lock"); err == nil {
			if pid, err := strconv.Atoi(strings.TrimSpace(string(b))); err == nil {
				who = fmt.Sprintf(" (process %d)", pid)
			}
		}
		return nil, fmt.Errorf("%s: %w%s: stop it first, or give this one a file of its own", path, ErrLocked, who)
	}
	toOwner(path + ".lock")
	// For that message only; the lock is what counts.
	_ = os.WriteFile(path+".lock", fmt.Appendln(nil, os.Getpid()), 0o600)
	return l, nil
}

// isText reports whether a file that is no database reads like a text, and so is
// surely somebody's.
func isText(path string) bool {
	f, err := os.Open(path)
	if err != nil {
		return false
	}
	defer f.Close()
	b := make([]byte, 512)
	n, err := io.ReadFull(f, b)
	if err != nil && err != io.EOF && err != io.ErrUnexpectedEOF {
		return false
	}
	if n == len(b) { // a character may be cut in two
		for n > 0 && !utf8.RuneStart(b[n-1]) {
			n--
		}
		n--
	}
	return n > 0 && utf8.Valid(b[:n]) && !bytes.ContainsFunc(b[:n], func(r rune) bool { return unicode.IsControl(r) && !unicode.IsSpace(r) })
}

func exists(path string) bool {
	_, err := os.Lstat(path)
	return err == nil
}

// glance looks a file over before it is written to: quickly, and whole if it is
// small or was not closed in order.
func (s *Store) glance(ctx context.Context, unclean bool) error {
	info, err := os.Stat(s.path)
	if err != nil {
		return err
	}
	if !unclean && info.Size() > 64<<20 {
		return nil
	}
	return s.quickCheck(ctx, s.w.db)
}

// quickCheck looks whether the database's own structure is whole, within a
// limited time.
func (s *Store) quickCheck(ctx context.Context, db *sql.DB) error {
	limited, cancel := context.WithTimeout(ctx, s.o.CheckBudget)
	defer cancel()
	var found string
	err := db.QueryRowContext(limited, "PRAGMA quick_check(1)").Scan(&found)
	if limited.Err() != nil {
		s.o.Log.Warn("the check of the database was given up as it took too long; \"meltstation backup\" checks all of it", "path", s.path)
		return nil
	}
	if err != nil {
		return err
	}
	if found != "ok" {
		return fmt.Errorf("%w: %s", errCheck, found)
	}
	return nil
}

// renew moves the damaged file aside and begins a new one with what can still be
// read from it.
func (s *Store) renew(ctx context.Context, why error) error {
	s.w.close()
	aside := unused(s.path+".damaged-"+stamp(s.o.Now()), "")
	// The log first: a log without its database would be played into the new one.
	for _, suffix := range []string{"-wal", "-journal", "-shm", ""} {
		if err := os.Rename(s.path+suffix, aside+suffix); err != nil && !errors.Is(err, fs.ErrNotExist) {
			return fmt.Errorf("setting the damaged database aside: %w", err)
		}
	}
	s.mu.Lock()
	s.health.SetAside = aside
	s.mu.Unlock()
	s.o.Log.Error("the database is damaged; it is kept under another name and a new one is begun", "path", s.path, "kept", aside, "err", why)
	var err error
	if s.w, err = openWriter(ctx, s.path, s.o); err != nil {
		return err
	}
	s.reread(ctx)
	rows, err := salvage(ctx, s.w.db, aside)
	s.o.Log.Warn("carried over what could be read of the damaged database", "rows", rows, "err", err)
	return nil
}

// orphan moves aside a log that has lost its database.
func (s *Store) orphan() error {
	for _, suffix := range []string{"-wal", "-journal"} {
		info, err := os.Stat(s.path + suffix)
		if err != nil || info.Size() == 0 {
			continue
		}
		aside := unused(s.path+".damaged-"+stamp(s.o.Now()), suffix)
		if err := os.Rename(s.path+suffix, aside+suffix); err != nil {
			return fmt.Errorf("setting a log without its database aside: %w", err)
		}
		s.health.SetAside = aside + suffix
		s.o.Log.Error("a write-ahead log has lost its database; it is kept under another name", "kept", aside+suffix)
	}
	return nil
}

// unused returns name, or name-2, name-3 …, whichever with suffix is free.
func unused(name, suffix string) string {
	free := name
	for i := 2; exists(free + suffix); i++ {
		free = fmt.Sprintf("%s-%d", name, i)
	}
	return free
}

// errCheck is damage that a check found, as against one that SQLite ran into.
var errCheck = errors.New("the check of the database found damage")

// dsn is the name the driver opens path by.
func dsn(path, mode string, pragmas ...string) string {
	if abs, err := filepath.Abs(path); err == nil { // without a working folder the system's own error follows
		path = abs
	}
	p := filepath.ToSlash(path)
	if !strings.HasPrefix(p, "/") {
		p = "/" + p // C:/…
	}
	q := url.Values{"_pragma": pragmas, "_txlock": {"immediate"}}
	switch mode {
	case "immutable":
		q.Set("mode", "ro")
		q.Set("immutable", "1")
	default:
		q.Set("mode", mode)
	}
	return (&url.URL{Scheme: "file", Path: p, RawQuery: q.Encode()}).String()
}

// openWriter opens the writing connection and brings the layout up to date.
func openWriter(ctx context.Context, path string, o Options) (writer, error) {
	w := writer{doubt: true, channels: map[channelKey]int64{}, batches: map[string]int64{}, present: map[[2]int64]bool{}}
	// SQLite gives its log the mode of the database. Nobody opens the file but
	// SQLite: closing any other handle of it would let go of SQLite's locks.
	if !exists(path) {
		f, err := os.OpenFile(path, os.O_CREATE|os.O_EXCL|os.O_WRONLY, 0o600)
		if err != nil {
			return w, err
		}
		if err := f.Close(); err != nil {
			return w, err
		}
	}
	var err error
	if w.file, err = os.Stat(path); err != nil {
		return w, err
	}
	// fdatasync leaves out the time stamps, which on an SD card saves the
	// journal a write or two for each commit. It is per process; where there is
	// no such call fsync goes on being used.
	sqlite.Fdatasync(true)
	w.db, err = sql.Open("sqlite", dsn(path, "rw",
		fmt.Sprintf("busy_timeout(%d)", busyTimeout.Milliseconds()),
		"synchronous(FULL)",           // synced at every commit: what is acknowledged outlives a power cut
		"fullfsync(1)",                // the same on macOS
		"wal_autocheckpoint(1000)",    // 4 MB of log, then folded into the file
		"journal_size_limit(8388608)", // after a long catching up the log shrinks again
		"temp_store(MEMORY)",
		"cell_size_check(1)",
		"trusted_schema(0)",
	))
	if err != nil {
		return w, err
	}
	w.db.SetMaxOpenConns(1)
	if err := prepare(ctx, w.db, path, o); err != nil {
		w.db.Close()
		w.db = nil
		return w, err
	}
	return w, nil
}

// prepare refuses what is not ours and brings the layout up to date.
func prepare(ctx context.Context, db *sql.DB, path string, o Options) error {
	id, err := identify(ctx, db)
	if err != nil {
		return err
	}
	if err := id.refuse(path); err != nil {
		return err
	}
	var mode string
	if err := db.QueryRowContext(ctx, "PRAGMA journal_mode = WAL").Scan(&mode); err != nil {
		return err
	}
	if mode != "wal" {
		return fmt.Errorf("%s: this disk can't carry a write-ahead log (SQLite answers %q); use a local disk", path, mode)
	}
	if id.version == SchemaVersion() {
		return nil
	}
	if id.version > 0 {
		kept := unused(fmt.Sprintf("%s.v%d-%s", path, id.version, stamp(o.Now())), "")
		if err := copyInto(ctx, db, kept); err != nil {
			return fmt.Errorf("keeping a copy before the database is brought up to date: %w", err)
		}
		o.Log.Info("the database is brought up to date", "path", path, "from", id.version, "to", SchemaVersion(), "copy", kept)
	}
	return migrate(ctx, db, id.version)
}

// pool is the connections that read.
type pool struct {
	*sql.DB
	file      os.FileInfo
	immutable bool // opened as a file that nobody writes
}

const idleReaders = 2 // connections kept open for the next to read

// openReaders opens the pool that reads. On a disk that can't be written a
// database that was closed in order has no log and is opened as it is.
func openReaders(ctx context.Context, path string) (*pool, error) {
	return openPool(ctx, path, "query_only(1)")
}

// openSource opens a database to be copied: SQLite takes copying for writing.
func openSource(ctx context.Context, path string) (*pool, error) { return openPool(ctx, path) }

func openPool(ctx context.Context, path string, pragmas ...string) (*pool, error) {
	pragmas = append(pragmas, fmt.Sprintf("busy_timeout(%d)", busyTimeout.Milliseconds()), "cell_size_check(1)", "trusted_schema(0)")
	info, err := os.Stat(path)
	if err != nil {
		return nil, err
	}
	open := func(mode string) (*pool, error) {
		db, err := sql.Open("sqlite", dsn(path, mode, pragmas...))
		if err != nil {
			return nil, err
		}
		db.SetMaxOpenConns(4)
		db.SetMaxIdleConns(idleReaders)
		db.SetConnMaxIdleTime(time.Minute)
		var n int
		if err := db.QueryRowContext(ctx, "SELECT count(*) FROM sqlite_schema").Scan(&n); err != nil {
			db.Close()
			return nil, err
		}
		return &pool{db, info, mode == "immutable"}, nil
	}
	p, err := open("ro")
	if errorIs(err, codeCantOpen, codeReadOnly, codeIO) {
		if wal, statErr := os.Stat(path + "-wal"); errors.Is(statErr, fs.ErrNotExist) || statErr == nil && wal.Size() == 0 {
			return open("immutable")
		}
	}
	return p, err
}

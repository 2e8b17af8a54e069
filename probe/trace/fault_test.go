package trace_test

import (
	"bytes"
	"context"
	"database/sql"
	"errors"
	"fmt"
	"log/slog"
	"math/rand/v2"
	"os"
	"path/filepath"
	"strings"
	"sync"
	"testing"
	"testing/synctest"
	"time"

	"example.org/meltstation/probe/trace"
)

// fill writes a small trace and closes it.
func fill(t *testing.T, path string) []trace.Entry {
	t.Helper()
	s := open(t, path, trace.Options{})
	var want []trace.Entry
	for n := 1; n <= 2000; n++ {
		e := potReading("BH-007", n, 85-float64(n)/100)
		e.Seq = s.Append(e)
		want = append(want, e)
		if n%100 == 0 {
			ev := event("BH-007", fmt.Sprint("e", n), "note", n)
			seq, err := s.Commit(t.Context(), ev)
			if err != nil {
				t.Fatal(err)
			}
			ev.Seq = seq
			want = append(want, ev)
		}
	}
	if err := s.PutBatch(t.Context(), trace.Batch{ID: "BH-007", Pot: "1", Name: "Tarred Rope", Stage: "cooling", Started: began}); err != nil {
		t.Fatal(err)
	}
	for n := range 50 {
		if err := s.PutDoc(t.Context(), "lesson", fmt.Sprint(n), bytes.Repeat([]byte("pour cooler "), 40), "test"); err != nil {
			t.Fatal(err)
		}
	}
	closeStore(t, s)
	return want
}

func TestDiskRefuses(t *testing.T) {
	path := newPath(t)
	synctest.Test(t, func(t *testing.T) {
		s := open(t, path, trace.Options{SpoolMax: 160})
		defer s.Close()
		if _, err := s.Commit(t.Context(), event("BH-007", "start", "start", 0)); err != nil {
			t.Fatal(err)
		}
		trace.RefuseWrites(s, "commit")
		// Commit says so at once, and keeps the event.
		began := time.Now()
		seq, err := s.Commit(t.Context(), event("BH-007", "scent", "scent-added", 1))
		if !errors.Is(err, trace.ErrTestDisk) || seq != 2 {
			t.Fatalf("Commit: %d, %v; want 2 and the disk's error", seq, err)
		}
		if took := time.Since(began); took > time.Second {
			t.Errorf("Commit took %v to say that the disk refuses", took)
		}
		// Sent again, by hand or by a page that heard nothing: still one event.
		if again, err := s.Commit(t.Context(), event("BH-007", "scent", "scent-added", 1)); !errors.Is(err, trace.ErrTestDisk) || again != 2 {
			t.Fatalf("Commit again: %d, %v; want 2 and the disk's error", again, err)
		}
		for n := 1; n <= 300; n++ {
			s.Append(potReading("BH-007", n, 85))
			time.Sleep(time.Second)
		}
		h := s.Health()
		if h.Err == nil || h.Since.IsZero() || h.Spooled > 160 || h.Dropped == 0 || h.Dropped+int64(h.Spooled) != 301 {
			t.Errorf("while the disk refuses: %+v; want an error, at most 160 spooled, 301 with the dropped", h)
		}
		if got := collect(t, s, "BH-007", 0); len(got) != h.Spooled+1 {
			t.Errorf("%d entries can be read, want the one on disk and %d in memory", len(got), h.Spooled)
		}
		trace.RefuseWrites(s, "")
		time.Sleep(2 * time.Minute) // the longest wait between two tries is a minute
		if h = s.Health(); h.Err != nil || h.Spooled != 0 || h.LastWrite.IsZero() {
			t.Errorf("after the disk has come back: %+v", h)
		}
		got := collect(t, s, "BH-007", 0)
		if got[0].ID != "start" || got[1].ID != "scent" {
			t.Errorf("the events were not kept: %+v", got[:2])
		}
		for i := range got[1:] {
			if got[i].Seq >= got[i+1].Seq || got[i].At > got[i+1].At {
				t.Fatalf("out of order: %+v, %+v", got[i], got[i+1])
			}
		}
		if last := got[len(got)-1]; last.At != 300*time.Second {
			t.Errorf("the newest reading is of %v", last.At)
		}
	})
}

func TestSpoolOfEventsIsBounded(t *testing.T) {
	s := open(t, newPath(t), trace.Options{SpoolMax: 50})
	trace.RefuseWrites(s, "commit")
	var err error
	kept := 0
	for n := range 100 {
		if _, err = s.Commit(t.Context(), event("BH-007", fmt.Sprint(n), "note", n)); errors.Is(err, trace.ErrSpoolFull) {
			break
		}
		kept++
	}
	if !errors.Is(err, trace.ErrSpoolFull) || kept != 50 {
		t.Errorf("%d events kept, then %v; want 50, then ErrSpoolFull", kept, err)
	}
	trace.RefuseWrites(s, "")
	if err := s.Flush(t.Context()); err != nil {
		t.Fatal(err)
	}
	if got := collect(t, s, "BH-007", 0); len(got) != kept {
		t.Errorf("%d events on disk, want %d", len(got), kept)
	}
}

// The database may grow by no page: SQLite answers as it does on a full disk.
func TestFullDatabase(t *testing.T) {
	path := newPath(t)
	s := open(t, path, trace.Options{})
	if _, err := s.Commit(t.Context(), event("BH-007", "start", "start", 0)); err != nil {
		t.Fatal(err)
	}
	trace.LimitPages(s, 1)
	var err error
	n := 0
	for ; n < 5000 && err == nil; n++ {
		s.Append(potReading("BH-007", n, float64(n)/3))
		if n%100 == 0 {
			err = s.Flush(t.Context())
		}
	}
	if err == nil || !strings.Contains(err.Error(), "full") {
		t.Fatalf("after %d readings: %v; want that the disk is full", n, err)
	}
	if _, err := s.Commit(t.Context(), event("BH-007", "scent", "scent-added", n)); err == nil {
		t.Fatal("Commit on a full disk gave no error")
	}
	trace.LimitPages(s, 1<<30)
	if err := s.Flush(t.Context()); err != nil {
		t.Fatal(err)
	}
	if got := collect(t, s, "BH-007", 0); len(got) != n+2 {
		t.Errorf("%d entries, want %d", len(got), n+2)
	}
}

func TestLockedByAnotherProgram(t *testing.T) {
	path := newPath(t)
	s := open(t, path, trace.Options{})
	// Somebody looks into the file with another tool, and holds the write lock.
	other, err := sql.Open("sqlite", path)
	if err != nil {
		t.Fatal(err)
	}
	defer other.Close()
	other.SetMaxOpenConns(1)
	if _, err := other.Exec("BEGIN IMMEDIATE"); err != nil {
		t.Fatal(err)
	}
	ctx, cancel := context.WithTimeout(t.Context(), 100*time.Millisecond)
	defer cancel()
	if _, err := s.Commit(ctx, event("BH-007", "start", "start", 0)); !errors.Is(err, context.DeadlineExceeded) {
		t.Fatalf("Commit: %v, want that the time is over", err)
	}
	s.Append(potReading("BH-007", 1, 85)) // waits for nothing
	if _, err := other.Exec("ROLLBACK"); err != nil {
		t.Fatal(err)
	}
	if err := s.Flush(t.Context()); err != nil {
		t.Fatal(err)
	}
	if got := collect(t, s, "BH-007", 0); len(got) != 2 {
		t.Errorf("%d entries, want 2", len(got))
	}
}

func TestSecondDaemonIsRefused(t *testing.T) {
	path := newPath(t)
	s := open(t, path, trace.Options{})
	_, err := trace.Open(path, trace.Options{})
	if !errors.Is(err, trace.ErrLocked) || !strings.Contains(err.Error(), fmt.Sprint(os.Getpid())) {
		t.Fatalf("Open twice: %v; want ErrLocked with the other's process id", err)
	}
	if _, err := trace.Restore(t.Context(), filepath.Join(t.TempDir(), "none.db"), path, began); err == nil {
		t.Error("restoring from no file gave no error")
	}
	// Reading is no trouble.
	if _, err := s.Commit(t.Context(), event("BH-007", "start", "start", 0)); err != nil {
		t.Fatal(err)
	}
	r := open(t, path, trace.Options{ReadOnly: true})
	if got := collect(t, r, "BH-007", 0); len(got) != 1 {
		t.Errorf("%d entries, want 1", len(got))
	}
	if _, err := r.Commit(t.Context(), event("BH-007", "x", "note", 0)); !errors.Is(err, trace.ErrReadOnly) {
		t.Errorf("Commit to one open for reading: %v", err)
	}
	if _, err := s.Commit(t.Context(), event("BH-007", "later", "note", 1)); err != nil {
		t.Fatal(err)
	}
	if got := collect(t, r, "BH-007", 0); len(got) != 2 {
		t.Errorf("%d entries, want 2: a reader sees what was written since", len(got))
	}
	closeStore(t, s)
	closeStore(t, open(t, path, trace.Options{}))
}

// A file torn up in one of many ways is set aside whole, and a new one begun
// that holds what could still be read.
func TestDamagedFile(t *testing.T) {
	garbage := make([]byte, 3*4096)
	rng := rand.New(rand.NewPCG(1, 2))
	for i := range garbage {
		garbage[i] = byte(rng.Uint32())
	}
	for _, tt := range []struct {
		name   string
		damage func([]byte) []byte
		atMost int // how many of the 2020 entries may be lost
	}{
		{"header zeroed", func(b []byte) []byte { copy(b, make([]byte, 100)); return b }, 2020},
		{"first page zeroed", func(b []byte) []byte { copy(b, make([]byte, 4096)); return b }, 2020},
		{"garbage", func([]byte) []byte { return garbage }, 2020},
		{"three bytes", func([]byte) []byte { return []byte{0xff, 0, 0xfe} }, 2020},
		{"cut in half", func(b []byte) []byte { return b[:len(b)/2/4096*4096] }, 2020},
		{"cut in a page", func(b []byte) []byte { return b[:len(b)-1000] }, 2020},
		{"a page overwritten", func(b []byte) []byte { copy(b[len(b)/2/4096*4096:], garbage[:4096]); return b }, 1500},
	} {
		t.Run(tt.name, func(t *testing.T) {
			path := newPath(t)
			want := fill(t, path)
			whole, err := os.ReadFile(path)
			if err != nil {
				t.Fatal(err)
			}
			broken := tt.damage(whole)
			if err := os.WriteFile(path, broken, 0o600); err != nil {
				t.Fatal(err)
			}
			if err := trace.Check(t.Context(), path); !errors.Is(err, trace.ErrDamaged) {
				t.Errorf("Check: %v, want ErrDamaged", err)
			}
			// A quick look need not notice; it must not change anything.
			if r, err := trace.Open(path, trace.Options{ReadOnly: true}); err == nil {
				closeStore(t, r)
			}
			if err := trace.Backup(t.Context(), path, path+".copy"); !errors.Is(err, trace.ErrDamaged) {
				t.Errorf("Backup: %v, want ErrDamaged", err)
			}
			var log bytes.Buffer
			s := open(t, path, trace.Options{Log: slog.New(slog.NewTextHandler(&log, nil)), Now: func() time.Time { return began }})
			aside := s.SetAside()
			if aside != path+".damaged-20251004T073000Z" {
				t.Fatalf("set aside as %q; log: %s", aside, &log)
			}
			kept, err := os.ReadFile(aside)
			if err != nil || !bytes.Equal(kept, broken) {
				t.Errorf("what was set aside is not what was there (%v)", err)
			}
			got := collect(t, s, "BH-007", 0)
			t.Logf("%d of %d entries carried over", len(got), len(want))
			if lost := len(want) - len(got); lost > tt.atMost || lost < 0 {
				t.Errorf("%d of %d entries lost; log: %s", lost, len(want), &log)
			}
			if _, err := s.Commit(t.Context(), event("BH-007", "new", "note", 0)); err != nil {
				t.Error(err)
			}
			closeStore(t, s)
			mustBeWhole(t, path)
			s = open(t, path, trace.Options{})
			if s.SetAside() != "" {
				t.Error("set aside a second time")
			}
			closeStore(t, s)
		})
	}
}

// Every page in turn: whatever is destroyed, the station starts, nothing of the
// old file is lost, and what is read back is what was written.
func TestAnyPageDestroyed(t *testing.T) {
	path := newPath(t)
	want := fill(t, path)
	whole, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	byID := map[int64]trace.Entry{}
	for _, e := range want {
		byID[e.Seq] = e
	}
	carried, tried := 0, 0
	rng := rand.New(rand.NewPCG(3, 4))
	step := 4096 * max(len(whole)/4096/12, 1)
	for at := 0; at < len(whole); at += step {
		os.Remove(path + "-wal")
		os.Remove(path + "-shm")
		b := bytes.Clone(whole)
		for i := range b[at:min(at+4096, len(b))] {
			b[at+i] = byte(rng.Uint32())
		}
		if err := os.WriteFile(path, b, 0o600); err != nil {
			t.Fatal(err)
		}
		s, err := trace.Open(path, trace.Options{})
		if err != nil {
			t.Fatalf("page at %d: %v", at, err)
		}
		got := collect(t, s, "BH-007", 0)
		for _, e := range got {
			if !sameEntry(byID[e.Seq], e) {
				t.Fatalf("page at %d: entry %d reads %+v, written was %+v", at, e.Seq, e, byID[e.Seq])
			}
		}
		if s.SetAside() == "" {
			t.Errorf("page at %d destroyed, and nobody noticed", at)
		} else {
			os.Remove(s.SetAside())
		}
		carried, tried = carried+len(got), tried+1
		closeStore(t, s)
		mustBeWhole(t, path)
	}
	share := float64(carried) / float64(tried*len(want))
	t.Logf("%.1f %% of the entries carried over, on average of %d pages destroyed", 100*share, tried)
	if share < 0.5 {
		t.Errorf("only %.0f %% of the entries are carried over, on average", 100*share)
	}
}

// The file is destroyed while the station runs: it goes on, in a new file.
func TestDamagedWhileRunning(t *testing.T) {
	path := newPath(t)
	fill(t, path)
	s := open(t, path, trace.Options{})
	f, err := os.OpenFile(path, os.O_WRONLY, 0)
	if err != nil {
		t.Fatal(err)
	}
	info, err := f.Stat()
	if err != nil {
		t.Fatal(err)
	}
	for at := int64(4096); at < info.Size(); at += 4096 { // all but the first page
		if _, err := f.WriteAt(bytes.Repeat([]byte{0xa5}, 4096), at); err != nil {
			t.Fatal(err)
		}
	}
	if err := f.Close(); err != nil {
		t.Fatal(err)
	}
	last, _, _, err := s.Last(t.Context())
	if err != nil {
		t.Fatal(err)
	}
	seq, err := s.Commit(t.Context(), event("BH-007", "after", "note", 3000))
	if err != nil || seq != last+1 {
		t.Fatalf("Commit: %d, %v; want %d", seq, err, last+1)
	}
	// What is written first may go to pages that memory still has. Reading, and
	// soon writing, meets the damage.
	if _, err := s.Events(t.Context(), "BH-007"); err == nil {
		t.Log("the damage was not met by reading")
	}
	if _, err := s.Commit(t.Context(), event("BH-007", "then", "note", 3001)); err != nil {
		t.Fatal(err)
	}
	if s.SetAside() == "" {
		t.Error("the damaged file was not set aside")
	}
	got := collect(t, s, "BH-007", 0)
	if n := len(got); n == 0 || got[n-1].ID != "then" {
		t.Errorf("what was written afterwards can't be read: %d entries", n)
	}
}

// The file is taken away while the station runs, or another put in its place.
func TestFileTakenAway(t *testing.T) {
	path := newPath(t)
	s := open(t, path, trace.Options{})
	if _, err := s.Commit(t.Context(), event("BH-007", "start", "start", 0)); err != nil {
		t.Fatal(err)
	}
	for _, suffix := range []string{"", "-wal", "-shm"} {
		if err := os.Rename(path+suffix, path+".gone"+suffix); err != nil {
			t.Fatal(err)
		}
	}
	if seq, err := s.Commit(t.Context(), event("BH-007", "scent", "scent-added", 1)); err != nil || seq != 2 {
		t.Fatalf("Commit: %d, %v", seq, err)
	}
	closeStore(t, s)
	mustBeWhole(t, path)
	s = open(t, path, trace.Options{})
	if got := collect(t, s, "BH-007", 0); len(got) != 1 || got[0].ID != "scent" || got[0].Seq != 2 {
		t.Errorf("in the new file: %+v", got)
	}
}

func TestNotOurs(t *testing.T) {
	dir := t.TempDir()
	text := filepath.Join(dir, "station.toml")
	if err := os.WriteFile(text, []byte("name = \"The Boathouse\"\n# Öl und Wachs\n"), 0o600); err != nil {
		t.Fatal(err)
	}
	foreign := filepath.Join(dir, "other.db")
	db, err := sql.Open("sqlite", foreign)
	if err != nil {
		t.Fatal(err)
	}
	if _, err := db.Exec("CREATE TABLE jars (name TEXT); INSERT INTO jars VALUES ('large')"); err != nil {
		t.Fatal(err)
	}
	if err := db.Close(); err != nil {
		t.Fatal(err)
	}
	for _, path := range []string{text, foreign} {
		before, err := os.ReadFile(path)
		if err != nil {
			t.Fatal(err)
		}
		for _, o := range []trace.Options{{}, {ReadOnly: true}} {
			if s, err := trace.Open(path, o); !errors.Is(err, trace.ErrForeign) {
				t.Errorf("Open(%s, %+v): %v, %v; want ErrForeign", path, o, s, err)
			}
		}
		if err := trace.Check(t.Context(), path); !errors.Is(err, trace.ErrForeign) {
			t.Errorf("Check(%s): %v, want ErrForeign", path, err)
		}
		if err := trace.Backup(t.Context(), path, path+".copy"); !errors.Is(err, trace.ErrForeign) {
			t.Errorf("Backup(%s): %v, want ErrForeign", path, err)
		}
		if _, err := trace.Restore(t.Context(), path, filepath.Join(dir, "new.db"), began); !errors.Is(err, trace.ErrForeign) {
			t.Errorf("Restore(%s): %v, want ErrForeign", path, err)
		}
		if after, err := os.ReadFile(path); err != nil || !bytes.Equal(before, after) {
			t.Errorf("%s was changed (%v)", path, err)
		}
	}
	if _, err := trace.Open(dir, trace.Options{}); err == nil || !strings.Contains(err.Error(), "folder") {
		t.Errorf("Open of a folder: %v", err)
	}
}

func TestEmptyFile(t *testing.T) {
	path := newPath(t)
	if err := os.WriteFile(path, nil, 0o600); err != nil {
		t.Fatal(err)
	}
	s := open(t, path, trace.Options{})
	if s.SetAside() != "" {
		t.Errorf("an empty file was set aside as %s", s.SetAside())
	}
	closeStore(t, s)
}

// A log whose database is gone is not played into a new one.
func TestOrphanedLog(t *testing.T) {
	path := newPath(t)
	s := open(t, path, trace.Options{})
	if _, err := s.Commit(t.Context(), event("BH-007", "start", "start", 0)); err != nil {
		t.Fatal(err)
	}
	wal, err := os.ReadFile(path + "-wal")
	if err != nil {
		t.Fatal(err)
	}
	closeStore(t, s)
	if err := os.WriteFile(path+"-wal", wal, 0o600); err != nil {
		t.Fatal(err)
	}
	if err := os.Truncate(path, 0); err != nil {
		t.Fatal(err)
	}
	s = open(t, path, trace.Options{})
	if !strings.HasSuffix(s.SetAside(), "-wal") {
		t.Errorf("set aside: %q, want the log", s.SetAside())
	}
	if kept, err := os.ReadFile(s.SetAside()); err != nil || !bytes.Equal(kept, wal) {
		t.Errorf("the log was not kept: %v", err)
	}
	if got := collect(t, s, "BH-007", 0); len(got) != 0 {
		t.Errorf("the log was played into the new database: %+v", got)
	}
}

func TestNewerIsRefused(t *testing.T) {
	path := newPath(t)
	fill(t, path)
	setVersion := func(v int) {
		db, err := sql.Open("sqlite", path)
		if err != nil {
			t.Fatal(err)
		}
		if _, err := db.Exec(fmt.Sprintf("PRAGMA user_version = %d", v)); err != nil {
			t.Fatal(err)
		}
		if err := db.Close(); err != nil {
			t.Fatal(err)
		}
	}
	setVersion(trace.SchemaVersion() + 1)
	defer setVersion(trace.SchemaVersion())
	before, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	for _, o := range []trace.Options{{}, {ReadOnly: true}} {
		_, err := trace.Open(path, o)
		if !errors.Is(err, trace.ErrNewer) || !strings.Contains(err.Error(), fmt.Sprintf("version %d", trace.SchemaVersion()+1)) {
			t.Errorf("Open(%+v): %v; want ErrNewer with both versions", o, err)
		}
	}
	if after, err := os.ReadFile(path); err != nil || !bytes.Equal(before, after) {
		t.Errorf("a newer file was changed (%v)", err)
	}
}

func TestFileModes(t *testing.T) {
	path := filepath.Join(t.TempDir(), "data", "station.db")
	s := open(t, path, trace.Options{})
	if _, err := s.Commit(t.Context(), event("BH-007", "start", "start", 0)); err != nil {
		t.Fatal(err)
	}
	if err := trace.Backup(t.Context(), path, path+".copy"); err != nil {
		t.Fatal(err)
	}
	for _, name := range []string{path, path + "-wal", path + "-shm", path + ".lock", path + ".copy"} {
		info, err := os.Stat(name)
		if err != nil {
			t.Fatal(err)
		}
		if got := info.Mode().Perm(); got != 0o600 {
			t.Errorf("%s has mode %o, want 600", name, got)
		}
	}
	if info, err := os.Stat(filepath.Dir(path)); err != nil || info.Mode().Perm() != 0o700 {
		t.Errorf("the folder: %v, %v; want mode 700", info.Mode(), err)
	}
}

func TestClosed(t *testing.T) {
	s := openNew(t)
	s.Append(potReading("BH-007", 1, 85))
	closeStore(t, s)
	closeStore(t, s)
	if seq := s.Append(potReading("BH-007", 2, 85)); seq != 0 {
		t.Errorf("Append gave number %d", seq)
	}
	if _, err := s.Commit(t.Context(), event("BH-007", "x", "note", 2)); !errors.Is(err, trace.ErrClosed) {
		t.Errorf("Commit: %v", err)
	}
	if err := s.PutBatch(t.Context(), trace.Batch{ID: "BH-007"}); !errors.Is(err, trace.ErrClosed) {
		t.Errorf("PutBatch: %v", err)
	}
	if err := s.Flush(t.Context()); !errors.Is(err, trace.ErrClosed) {
		t.Errorf("Flush: %v", err)
	}
}

// Everything at once, with a disk that comes and goes: nothing that was
// acknowledged is missing afterwards, and nothing is there twice.
func TestConcurrent(t *testing.T) {
	path := newPath(t)
	s := open(t, path, trace.Options{FlushEvery: 2 * time.Millisecond})
	ctx := t.Context()
	var wg sync.WaitGroup
	var acked sync.Map
	const rounds = 60
	for i := range 3 {
		wg.Go(func() {
			for n := range rounds {
				s.Append(potReading("BH-001", n, 85))
				s.Append(roomReading(n, 21))
				id := fmt.Sprintf("%d-%d", i%2, n) // two of the three tap the same
				if _, err := s.Commit(ctx, event("BH-001", id, "note", n)); err == nil {
					acked.Store(id, true)
				} else if !errors.Is(err, trace.ErrTestDisk) {
					t.Error(err)
				}
			}
		})
	}
	wg.Go(func() {
		for n := range rounds {
			for _, err := range []error{
				s.PutBatch(ctx, trace.Batch{ID: "BH-001", Stage: fmt.Sprint(n)}),
				s.PutDoc(ctx, "lesson", "one", []byte(fmt.Sprint(n)), "test"),
			} {
				if err != nil && !errors.Is(err, trace.ErrTestDisk) {
					t.Error(err)
				}
			}
		}
	})
	wg.Go(func() {
		for n := range rounds {
			trace.RefuseWrites(s, []string{"", "commit", "", "committed"}[n%4])
			time.Sleep(time.Millisecond)
		}
		trace.RefuseWrites(s, "")
	})
	wg.Go(func() {
		for range rounds {
			before := int64(0)
			for e, err := range s.Entries(ctx, "BH-001", 0) {
				if err != nil {
					t.Error(err)
					return
				}
				if e.Seq <= before {
					t.Errorf("after %d comes %d", before, e.Seq)
				}
				before = e.Seq
			}
			if _, err := s.Curve(ctx, "BH-001", trace.CurveQuery{Points: 20}); err != nil {
				t.Error(err)
			}
			if _, err := s.Batches(ctx, trace.Query{}); err != nil {
				t.Error(err)
			}
			if _, err := s.DocHistory(ctx, "lesson", "one"); err != nil {
				t.Error(err)
			}
			s.Health()
		}
	})
	wg.Wait()
	if err := s.Flush(ctx); err != nil {
		t.Fatal(err)
	}
	closeStore(t, s)
	s = open(t, path, trace.Options{})
	events, readings := map[string]int{}, 0
	for _, e := range collect(t, s, "BH-001", 0) {
		if e.Kind == trace.KindEvent {
			events[e.ID]++
		} else if e.Probe == "pot-1" {
			readings++
		}
	}
	acked.Range(func(id, _ any) bool {
		if events[id.(string)] == 0 {
			t.Errorf("event %s was acknowledged and is not there", id)
		}
		return true
	})
	for id, n := range events {
		if n != 1 {
			t.Errorf("event %s is there %d times", id, n)
		}
	}
	if len(events) != 2*rounds || readings != 3*rounds {
		t.Errorf("%d events and %d readings, want %d and %d", len(events), readings, 2*rounds, 3*rounds)
	}
	if h, err := s.DocHistory(ctx, "lesson", "one"); err != nil || len(h) != rounds {
		t.Errorf("%d versions of the document, %v; want %d", len(h), err, rounds)
	}
}

// Notices and events alone don't fill the memory either.
func TestSpoolIsBoundedWhateverComes(t *testing.T) {
	s := open(t, newPath(t), trace.Options{SpoolMax: 64})
	trace.RefuseWrites(s, "commit")
	for n := range 500 {
		e := event("BH-001", "", "flash-margin", n)
		e.Kind = trace.KindNotice
		s.Append(e)
	}
	if h := s.Health(); h.Spooled > 64 || h.Dropped+int64(h.Spooled) != 500 {
		t.Errorf("after 500 notices: %d spooled, %d dropped", h.Spooled, h.Dropped)
	}
	for n := range 500 {
		s.Append(event("BH-001", fmt.Sprint(n), "note", n))
	}
	if h := s.Health(); h.Spooled > 2*64 || h.Dropped+int64(h.Spooled) != 1000 {
		t.Errorf("after 500 events: %d spooled, %d dropped", h.Spooled, h.Dropped)
	}
	trace.RefuseWrites(s, "")
}

package trace_test

import (
	"bytes"
	"context"
	"database/sql"
	"errors"
	"fmt"
	"io/fs"
	"math/rand/v2"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"example.org/meltstation/probe/trace"
)

// A backup of a live file is a whole trace that ends somewhere between what was
// acknowledged before it began and what came while it ran.
func TestBackupOfLiveFile(t *testing.T) {
	path := newPath(t)
	s := open(t, path, trace.Options{FlushEvery: 5 * time.Millisecond})
	stop := make(chan struct{})
	stopped := make(chan struct{})
	go func() {
		defer close(stopped)
		for n := 0; ; n++ {
			select {
			case <-stop:
				return
			default:
			}
			s.Append(potReading("BH-001", n, float64(n)/16))
			if n%50 == 0 {
				if _, err := s.Commit(context.Background(), event("BH-001", fmt.Sprint(n), "note", n)); err != nil {
					t.Error(err)
				}
			}
		}
	}()
	for i := range 3 {
		before, err := s.Commit(t.Context(), event("BH-001", fmt.Sprint("before ", i), "note", i))
		if err != nil {
			t.Fatal(err)
		}
		dst := fmt.Sprintf("%s.copy-%d", path, i)
		if err := trace.Backup(t.Context(), path, dst); err != nil {
			t.Fatal(err)
		}
		after, _, _, err := s.Last(t.Context())
		if err != nil {
			t.Fatal(err)
		}
		mustBeWhole(t, dst)
		c, err := trace.Open(dst, trace.Options{ReadOnly: true})
		if err != nil {
			t.Fatal(err)
		}
		seq := int64(0)
		for e, err := range c.Entries(t.Context(), "BH-001", 0) {
			if err != nil {
				t.Fatal(err)
			}
			if e.Seq != seq+1 {
				t.Fatalf("copy %d: after %d comes %d", i, seq, e.Seq)
			}
			seq = e.Seq
		}
		if seq < before || seq > after {
			t.Errorf("copy %d ends at %d, want %d to %d", i, seq, before, after)
		}
		closeStore(t, c)
	}
	close(stop)
	<-stopped
}

func TestBackupHoldsWhatWasAcknowledged(t *testing.T) {
	path := newPath(t)
	s := open(t, path, trace.Options{})
	for n := range 100 {
		s.Append(potReading("BH-001", n, float64(n)))
	}
	last, err := s.Commit(t.Context(), event("BH-001", "e", "note", 100))
	if err != nil {
		t.Fatal(err)
	}
	dst := path + ".copy"
	if err := trace.Backup(t.Context(), path, dst); err != nil {
		t.Fatal(err)
	}
	if err := trace.Backup(t.Context(), path, dst); !errors.Is(err, fs.ErrExist) {
		t.Errorf("Backup onto a file that is there: %v, want fs.ErrExist", err)
	}
	c := open(t, dst, trace.Options{ReadOnly: true})
	mustEqualEntries(t, collect(t, c, "BH-001", 0), collect(t, s, "BH-001", 0))
	if seq, _, _, err := c.Last(t.Context()); err != nil || seq != last {
		t.Errorf("the copy ends at %d, %v; want %d", seq, err, last)
	}
	if left, _ := filepath.Glob(path + ".*part*"); len(left) > 0 {
		t.Errorf("left behind: %q", left)
	}
}

func TestRestore(t *testing.T) {
	path := newPath(t)
	want := fill(t, path)
	copied := path + ".copy"
	if err := trace.Backup(t.Context(), path, copied); err != nil {
		t.Fatal(err)
	}
	s := open(t, path, trace.Options{})
	if _, err := s.Commit(t.Context(), event("BH-007", "later", "note", 9000)); err != nil {
		t.Fatal(err)
	}
	// Not while a station writes.
	if _, err := trace.Restore(t.Context(), copied, path, began); !errors.Is(err, trace.ErrLocked) {
		t.Errorf("Restore under a running station: %v, want ErrLocked", err)
	}
	closeStore(t, s)
	kept, err := trace.Restore(t.Context(), copied, path, began)
	if err != nil || kept != path+".replaced-20251004T073000Z" {
		t.Fatalf("Restore: %q, %v", kept, err)
	}
	s = open(t, path, trace.Options{})
	mustEqualEntries(t, collect(t, s, "BH-007", 0), want)
	closeStore(t, s)
	k := open(t, kept, trace.Options{ReadOnly: true})
	if got := collect(t, k, "BH-007", 0); len(got) != len(want)+1 || got[len(want)].ID != "later" {
		t.Errorf("what was replaced is not what was there: %d entries, want %d", len(got), len(want)+1)
	}
	// And once more, in the place of a file that can't be opened at all.
	if err := os.WriteFile(path, bytes.Repeat([]byte{0xa5, 0}, 5000), 0o600); err != nil {
		t.Fatal(err)
	}
	again, err := trace.Restore(t.Context(), copied, path, began)
	if err != nil || again != path+".replaced-20251004T073000Z-2" {
		t.Fatalf("Restore: %q, %v", again, err)
	}
	mustBeWhole(t, path)
	// Into an empty folder.
	fresh := filepath.Join(t.TempDir(), "new", "station.db")
	if kept, err := trace.Restore(t.Context(), copied, fresh, began); err != nil || kept != "" {
		t.Fatalf("Restore into an empty folder: %q, %v", kept, err)
	}
	mustBeWhole(t, fresh)
	if info, err := os.Stat(fresh); err != nil || info.Mode().Perm() != 0o600 {
		t.Errorf("mode %v, %v", info.Mode(), err)
	}
	if _, err := trace.Restore(t.Context(), fresh, fresh, began); err == nil {
		t.Error("Restore of a file from itself gave no error")
	}
}

// FuzzRestore brings back whatever bytes it is given: either a whole trace is in
// place afterwards, or nothing was touched.
func FuzzRestore(f *testing.F) {
	dir := f.TempDir()
	path := filepath.Join(dir, "seed.db")
	s, err := trace.Open(path, trace.Options{})
	if err != nil {
		f.Fatal(err)
	}
	for n := range 50 {
		s.Append(potReading("BH-001", n, float64(n)/16))
	}
	if _, err := s.Commit(context.Background(), event("BH-001", "e", "note", 50)); err != nil {
		f.Fatal(err)
	}
	if err := s.Close(); err != nil {
		f.Fatal(err)
	}
	whole, err := os.ReadFile(path)
	if err != nil {
		f.Fatal(err)
	}
	// Whole files are large for a fuzzer: it is given changes to make to one.
	f.Add(uint32(0), []byte{})
	f.Add(uint32(18), []byte{9, 9})
	f.Add(uint32(60), []byte{0, 0, 0, 9})
	f.Add(uint32(4096*3), bytes.Repeat([]byte{0xa5}, 200))
	f.Fuzz(func(t *testing.T, at uint32, change []byte) {
		b := bytes.Clone(whole)
		copy(b[int(at)%len(b):], change)
		dir := memoryDir(t)
		src, dst := filepath.Join(dir, "copy.db"), filepath.Join(dir, "station.db")
		old := []byte("not to be lost")
		for name, data := range map[string][]byte{src: b, dst: old} {
			if err := os.WriteFile(name, data, 0o600); err != nil {
				t.Fatal(err)
			}
		}
		kept, err := trace.Restore(t.Context(), src, dst, began)
		if err != nil {
			kept = dst
		} else {
			mustBeWhole(t, dst)
		}
		if got, err := os.ReadFile(kept); err != nil || !bytes.Equal(got, old) {
			t.Errorf("what was there is now %q (%v)", got, err)
		}
		if after, err := os.ReadFile(src); err != nil || !bytes.Equal(after, b) {
			t.Errorf("the backup was changed (%v)", err)
		}
	})
}

// A damaged backup is refused, and changes nothing.
func TestRestoreOfDamagedBackup(t *testing.T) {
	path := newPath(t)
	fill(t, path)
	before, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	rng := rand.New(rand.NewPCG(11, 12))
	for range 20 {
		broken := bytes.Clone(before)
		at := rng.IntN(len(broken) - 600)
		for i := range 600 {
			broken[at+i] ^= byte(1 + rng.IntN(255))
		}
		copied := filepath.Join(t.TempDir(), "copy.db")
		if err := os.WriteFile(copied, broken, 0o600); err != nil {
			t.Fatal(err)
		}
		if err := trace.Check(t.Context(), copied); err == nil {
			continue // unused bytes of a page, or words that nothing vouches for
		}
		if _, err := trace.Restore(t.Context(), copied, path, began); err == nil {
			t.Fatalf("600 bytes changed at %d: brought back without an error", at)
		}
	}
	if after, err := os.ReadFile(path); err != nil || !bytes.Equal(before, after) {
		t.Errorf("the trace was changed (%v)", err)
	}
}

// A trace of the first layout is brought up to date, and a copy of it kept. It
// also holds today's program to the packing of readings then.
func TestMigration(t *testing.T) {
	text, err := os.ReadFile(filepath.Join("testdata", "v1.sql"))
	if err != nil {
		t.Fatal(err)
	}
	path := newPath(t)
	db, err := sql.Open("sqlite", path)
	if err != nil {
		t.Fatal(err)
	}
	if _, err := db.Exec(string(text)); err != nil {
		t.Fatal(err)
	}
	if err := db.Close(); err != nil {
		t.Fatal(err)
	}
	if _, err := trace.Open(path, trace.Options{ReadOnly: true}); err == nil || !strings.Contains(err.Error(), "older") {
		t.Errorf("Open for reading: %v; want that it is of an older program", err)
	}
	s := open(t, path, trace.Options{Now: func() time.Time { return began }})
	check := func(s *trace.Store) {
		t.Helper()
		var want []trace.Entry
		seq := int64(0)
		add := func(e trace.Entry) {
			seq++
			e.Seq = seq
			want = append(want, e)
		}
		for n := 1; n <= 40; n++ {
			add(potReading("BH-001", n, 85-float64(n)/16))
			if n%4 == 0 {
				add(roomReading(n, 21.0625))
			}
			if n == 20 {
				add(event("BH-001", "e1", "scent-added", n))
			}
		}
		add(potReading("BH-001", 41, 0))
		want[len(want)-1].Quality = "crc"
		mustEqualEntries(t, collect(t, s, "BH-001", 0), want)
		b, err := s.Batch(t.Context(), "BH-001")
		if err != nil || b.Name != "Tarred Rope" || string(b.Sheet) != `{"name":"Tarred Rope"}` || len(b.Lots) != 2 || !b.Started.Equal(began) {
			t.Errorf("the batch: %+v, %v", b, err)
		}
	}
	check(s)
	if err := s.PutDoc(t.Context(), "lesson", "BH-001", []byte("1"), "test"); err != nil {
		t.Error(err)
	}
	closeStore(t, s)

	kept := path + ".v1-20251004T073000Z"
	db, err = sql.Open("sqlite", kept)
	if err != nil {
		t.Fatal(err)
	}
	defer db.Close()
	var version, entries int
	if err := db.QueryRow("PRAGMA user_version").Scan(&version); err != nil || version != 1 {
		t.Errorf("the copy is of version %d, %v; want 1", version, err)
	}
	if err := db.QueryRow("SELECT count(*) FROM event").Scan(&entries); err != nil || entries != 1 {
		t.Errorf("the copy has %d events, %v; want 1", entries, err)
	}
	// The copy brought back is brought up to date in its turn.
	if _, err := trace.Restore(t.Context(), kept, path, began.Add(time.Hour)); err != nil {
		t.Fatal(err)
	}
	s = open(t, path, trace.Options{Now: func() time.Time { return began.Add(time.Hour) }})
	check(s)
	closeStore(t, s)
}

// What is replaced may have been left by a kill, with its newest entries in the
// log alone: they are kept with it, and not played into what takes its place.
func TestRestoreOverKilledStation(t *testing.T) {
	live := newPath(t)
	s := open(t, live, trace.Options{})
	if _, err := s.Commit(t.Context(), event("BH-001", "old", "note", 1)); err != nil {
		t.Fatal(err)
	}
	copied := live + ".copy"
	if err := trace.Backup(t.Context(), live, copied); err != nil {
		t.Fatal(err)
	}
	if _, err := s.Commit(t.Context(), event("BH-001", "new", "note", 2)); err != nil {
		t.Fatal(err)
	}
	path := newPath(t)
	for _, suffix := range []string{"", "-wal"} { // as a kill leaves them
		b, err := os.ReadFile(live + suffix)
		if err != nil {
			t.Fatal(err)
		}
		if err := os.WriteFile(path+suffix, b, 0o600); err != nil {
			t.Fatal(err)
		}
	}
	kept, err := trace.Restore(t.Context(), copied, path, began)
	if err != nil {
		t.Fatal(err)
	}
	for name, want := range map[string]int{path: 1, kept: 2} {
		r := open(t, name, trace.Options{ReadOnly: true})
		if got := collect(t, r, "BH-001", 0); len(got) != want {
			t.Errorf("%s has %d events, want %d", filepath.Base(name), len(got), want)
		}
		closeStore(t, r)
	}
}

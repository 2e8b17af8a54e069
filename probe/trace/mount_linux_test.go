package trace_test

import (
	"errors"
	"os"
	"path/filepath"
	"syscall"
	"testing"
	"time"

	"example.org/meltstation/probe/trace"
)

// mount gives a real, small disk in memory. Only root may do that, so these tests
// run when asked for: MELTSTATION_MOUNT=1 go test -run OnRealDisk ./probe/trace/
func mount(t *testing.T, size string) string {
	t.Helper()
	if os.Getenv("MELTSTATION_MOUNT") == "" {
		t.Skip("needs root to mount a disk: set MELTSTATION_MOUNT=1")
	}
	dir := t.TempDir()
	if err := syscall.Mount("none", dir, "tmpfs", 0, "size="+size); err != nil {
		t.Fatalf("mounting: %v", err)
	}
	t.Cleanup(func() {
		if err := syscall.Unmount(dir, 0); err != nil {
			t.Errorf("unmounting: %v", err)
		}
	})
	return dir
}

func remount(t *testing.T, dir string, flags uintptr) {
	t.Helper()
	if err := syscall.Mount("none", dir, "tmpfs", syscall.MS_REMOUNT|flags, ""); err != nil {
		t.Fatalf("mounting again: %v", err)
	}
}

func TestFullOnRealDisk(t *testing.T) {
	dir := mount(t, "1m")
	path := filepath.Join(dir, "station.db")
	s := open(t, path, trace.Options{})
	if _, err := s.Commit(t.Context(), event("BH-001", "start", "start", 0)); err != nil {
		t.Fatal(err)
	}
	filler := filepath.Join(dir, "filler")
	fill := func() {
		f, err := os.Create(filler)
		if err != nil {
			t.Fatal(err)
		}
		for err == nil {
			_, err = f.Write(make([]byte, 4096))
		}
		if !errors.Is(err, syscall.ENOSPC) {
			t.Fatal(err)
		}
		f.Close()
	}
	fill()
	var err error
	n := 1
	for ; n < 20_000 && err == nil; n++ {
		s.Append(potReading("BH-001", n, float64(n)/3))
		if n%500 == 0 {
			err = s.Flush(t.Context())
		}
	}
	if err == nil {
		t.Fatal("the disk never got full")
	}
	t.Logf("after %d readings: %v", n-1, err)
	h := s.Health()
	if h.Err == nil || h.DiskFree != 0 || h.Spooled == 0 {
		t.Errorf("on a full disk: %+v", h)
	}
	if got := collect(t, s, "BH-001", 0); len(got) != n {
		t.Errorf("%d entries can be read on the full disk, want %d", len(got), n)
	}
	if err := os.Remove(filler); err != nil {
		t.Fatal(err)
	}
	if err := s.Flush(t.Context()); err != nil {
		t.Fatal(err)
	}
	if got := collect(t, s, "BH-001", 0); len(got) != n {
		t.Errorf("%d entries, want %d", len(got), n)
	}
	closeStore(t, s)
	mustBeWhole(t, path)

	// Started on a full disk: it reads what is there, takes what comes, and
	// writes it when there is room.
	fill()
	s = open(t, path, trace.Options{})
	if _, err := s.Commit(t.Context(), event("BH-001", "on a full disk", "note", n)); err == nil {
		t.Log("there was still room for one event")
	}
	if got := collect(t, s, "BH-001", 0); len(got) != n+1 {
		t.Errorf("%d entries, want %d", len(got), n+1)
	}
	if err := os.Remove(filler); err != nil {
		t.Fatal(err)
	}
	if err := s.Flush(t.Context()); err != nil {
		t.Fatal(err)
	}
	closeStore(t, s)
	mustBeWhole(t, path)
}

func TestReadOnlyOnRealDisk(t *testing.T) {
	dir := mount(t, "8m")
	path := filepath.Join(dir, "station.db")
	want := fill(t, path)

	// A card that the kernel has made read-only after errors, before the start.
	remount(t, dir, syscall.MS_RDONLY)
	s := open(t, path, trace.Options{FlushEvery: 50 * time.Millisecond})
	if err := s.Health().Err; err == nil {
		t.Error("nobody says that the disk can't be written")
	}
	mustEqualEntries(t, collect(t, s, "BH-007", 0), want)
	if seq, err := s.Commit(t.Context(), event("BH-007", "then", "note", 3000)); err == nil || seq != int64(len(want)+1) {
		t.Errorf("Commit: %d, %v; want %d and an error", seq, err, len(want)+1)
	}
	if got := collect(t, s, "BH-007", 0); len(got) != len(want)+1 {
		t.Errorf("%d entries, want %d", len(got), len(want)+1)
	}
	r := open(t, path, trace.Options{ReadOnly: true})
	mustEqualEntries(t, collect(t, r, "BH-007", 0), want)
	closeStore(t, r)
	if err := trace.Check(t.Context(), path); err != nil {
		t.Error(err)
	}

	// And back, and once more while it runs.
	remount(t, dir, 0)
	if err := s.Flush(t.Context()); err != nil {
		t.Fatal(err)
	}
	if h := s.Health(); h.Err != nil || h.Spooled != 0 {
		t.Errorf("on a disk that can be written again: %+v", h)
	}
	if got := collect(t, s, "BH-007", 0); len(got) != len(want)+1 {
		t.Errorf("%d entries, want %d", len(got), len(want)+1)
	}
	closeStore(t, s)
	mustBeWhole(t, path)
}

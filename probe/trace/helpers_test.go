package trace_test

import (
	"context"
	"errors"
	"io/fs"
	"math"
	"os"
	"path/filepath"
	"slices"
	"testing"
	"time"

	"example.org/meltstation/probe"
	"example.org/meltstation/probe/trace"
)

var began = time.Date(2025, time.October, 4, 7, 30, 0, 0, time.UTC)

// newPath returns a name for a trace, which is checked whole when the test ends,
// whatever the test did to it.
func newPath(t testing.TB) string {
	t.Helper()
	path := filepath.Join(memoryDir(t), "station.db")
	t.Cleanup(func() { mustBeWhole(t, path) })
	return path
}

// memoryDir returns a folder in memory where there is one, for tests that write
// often and are not about the disk.
func memoryDir(t testing.TB) string {
	t.Helper()
	dir, err := os.MkdirTemp("/dev/shm", "trace-test-")
	if err != nil {
		return t.TempDir()
	}
	t.Cleanup(func() { os.RemoveAll(dir) })
	return dir
}

func mustBeWhole(t testing.TB, path string) {
	t.Helper()
	if _, err := os.Stat(path); errors.Is(err, fs.ErrNotExist) {
		return
	}
	if err := trace.Check(context.Background(), path); err != nil {
		t.Errorf("after the test: %v", err)
	}
}

func open(t testing.TB, path string, o trace.Options) *trace.Store {
	t.Helper()
	s, err := trace.Open(path, o)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { s.Close() })
	return s
}

func openNew(t testing.TB) *trace.Store {
	t.Helper()
	return open(t, newPath(t), trace.Options{})
}

func closeStore(t testing.TB, s *trace.Store) {
	t.Helper()
	if err := s.Close(); err != nil {
		t.Fatal(err)
	}
}

// potReading is the n-th second of a pot's probe.
func potReading(batch string, n int, celsius float64) trace.Entry {
	at := time.Duration(n) * time.Second
	return trace.Entry{Batch: batch, Pot: "1", At: at, Wall: began.Add(at), Kind: trace.KindReading,
		Probe: "pot-1", Role: probe.RolePot, Celsius: celsius, Raw: celsius - 0.25, Quality: probe.Good}
}

func roomReading(n int, celsius float64) trace.Entry {
	e := potReading("", n, celsius)
	e.Pot, e.Probe, e.Role = "", "room", probe.RoleRoom
	return e
}

func event(batch, id, name string, n int) trace.Entry {
	at := time.Duration(n) * time.Second
	return trace.Entry{Batch: batch, Pot: "1", At: at, Wall: began.Add(at), Kind: trace.KindEvent,
		Celsius: math.NaN(), Raw: math.NaN(), ID: id, Name: name, Data: []byte(`{"grams":57}`)}
}

func collect(t testing.TB, s *trace.Store, batch string, from int64) []trace.Entry {
	t.Helper()
	var list []trace.Entry
	for e, err := range s.Entries(t.Context(), batch, from) {
		if err != nil {
			t.Fatal(err)
		}
		list = append(list, e)
	}
	return list
}

func sameEntry(a, b trace.Entry) bool {
	bits := math.Float64bits
	if math.IsNaN(a.Celsius) && math.IsNaN(b.Celsius) {
		a.Celsius, b.Celsius = 0, 0
	}
	if math.IsNaN(a.Raw) && math.IsNaN(b.Raw) {
		a.Raw, b.Raw = 0, 0
	}
	return a.Seq == b.Seq && a.Batch == b.Batch && a.Pot == b.Pot && a.At == b.At && a.Wall.Equal(b.Wall) && b.Wall.Location() == time.UTC &&
		a.Kind == b.Kind && a.Probe == b.Probe && a.Role == b.Role && bits(a.Celsius) == bits(b.Celsius) && bits(a.Raw) == bits(b.Raw) &&
		a.Quality == b.Quality && a.ID == b.ID && a.Name == b.Name && slices.Equal(a.Data, b.Data)
}

func mustEqualEntries(t testing.TB, got, want []trace.Entry) {
	t.Helper()
	for i := range min(len(got), len(want)) {
		if !sameEntry(want[i], got[i]) {
			t.Fatalf("entry %d:\n got %+v\nwant %+v", i, got[i], want[i])
		}
	}
	if len(got) != len(want) {
		t.Fatalf("got %d entries, want %d", len(got), len(want))
	}
}

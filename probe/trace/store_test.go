package trace_test

import (
	"testing"

	"example.org/meltstation/probe/trace"
)

func TestReopenGivesBack(t *testing.T) {
	path := newPath(t)
	s := open(t, path, trace.Options{})
	var want []trace.Entry
	put := func(e trace.Entry) {
		e.Seq = s.Append(e)
		want = append(want, e)
	}
	put(potReading("B1", 1, 20.5))
	put(roomReading(1, 21.0625))
	put(potReading("B1", 2, 21.123456789))
	if _, err := s.Commit(t.Context(), event("B1", "e1", "start", 2)); err != nil {
		t.Fatal(err)
	}
	e := event("B1", "e1", "start", 2)
	e.Seq = 4
	want = append(want, e)
	put(potReading("B1", 3, 22))
	mustEqualEntries(t, collect(t, s, "B1", 0), want)
	closeStore(t, s)
	s = open(t, path, trace.Options{})
	mustEqualEntries(t, collect(t, s, "B1", 0), want)
	mustEqualEntries(t, collect(t, s, "B1", 3), want[2:])
	seq, at, wall, err := s.Last(t.Context())
	if last := want[len(want)-1]; err != nil || seq != last.Seq || at != last.At || !wall.Equal(last.Wall) {
		t.Errorf("Last() = %d, %v, %v, %v; want that of %+v", seq, at, wall, err, last)
	}
}

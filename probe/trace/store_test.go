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

// What an acknowledgement rests on: https://www.sqlite.org/pragma.html#pragma_synchronous
// (FULL, 2, syncs the log after each transaction) and #pragma_journal_mode.
func TestWritesAreSynced(t *testing.T) {
	s := openNew(t)
	for name, want := range map[string]string{"synchronous": "2", "journal_mode": "wal", "fullfsync": "1"} {
		if got, err := trace.Pragma(s, name); err != nil || got != want {
			t.Errorf("PRAGMA %s is %s, %v; want %s", name, got, err, want)
		}
	}
}

// An event that Append could not know to be there already is left out when it is
// written, and takes nothing else with it.
func TestRepeatedEventIsLeftOut(t *testing.T) {
	s := openNew(t)
	first, err := s.Commit(t.Context(), event("B1", "e1", "start", 1))
	if err != nil {
		t.Fatal(err)
	}
	// On disk by now: said to be there, and no number is spent on it.
	again, err := s.CommitEach(t.Context(), event("B1", "e1", "start", 2), event("B1", "e1", "start", 3))
	if err != nil || len(again) != 2 || again[0] != (trace.Placed{Seq: first, Duplicate: true}) || again[1] != again[0] {
		t.Errorf("sent again: %+v, %v; want number %d, a duplicate, twice", again, err, first)
	}
	s.Append(event("B1", "e1", "start", 2))
	s.Append(potReading("B1", 3, 22))
	if err := s.Flush(t.Context()); err != nil {
		t.Fatal(err)
	}
	got := collect(t, s, "B1", 0)
	if len(got) != 2 || got[0].Seq != first || got[1].Kind != trace.KindReading {
		t.Errorf("got %+v, want the first event and the reading", got)
	}
}

// The room as it was before the batch's first reading comes along, across the
// border of two stretches of 4096 numbers too, but not from long ago.
func TestRoomBeforeTheBatch(t *testing.T) {
	for _, tt := range []struct {
		name   string
		before int // readings of another batch between the room's and the batch's first
		at     int // s, of the batch's first reading; the room's last is at 4001
		want   int
	}{
		{"just before", 0, 4002, 3},
		{"in the stretch before", 3000, 4500, 3},
		{"many readings before", 9000, 4500, 2},
		{"a day before", 0, 4001 + 86400, 2},
	} {
		t.Run(tt.name, func(t *testing.T) {
			s := openNew(t)
			for n := range 4000 {
				s.Append(potReading("B0", n, 22))
			}
			s.Append(roomReading(4000, 20))
			s.Append(roomReading(4001, 21)) // this one
			for n := range tt.before {
				s.Append(potReading("B0", n, 22))
			}
			s.Append(potReading("B1", tt.at, 22))
			s.Append(potReading("B1", tt.at+1, 22))
			for _, when := range []string{"in memory", "on disk"} {
				got := collect(t, s, "B1", 0)
				if len(got) != tt.want || tt.want == 3 && got[0].Celsius != 21 {
					t.Errorf("%s: %d entries, want %d, the newest of the room first: %+v", when, len(got), tt.want, got)
				}
				if err := s.Flush(t.Context()); err != nil {
					t.Fatal(err)
				}
			}
		})
	}
}

package trace_test

import (
	"bytes"
	"context"
	"encoding/csv"
	"encoding/json"
	"iter"
	"math"
	"strconv"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"pgregory.net/rapid"

	"example.org/meltstation/probe"
	"example.org/meltstation/probe/trace"
)

func TestEntryJSON(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		want := drawReading(t, time.Second)
		if rapid.Bool().Draw(t, "event") {
			want = drawEvent(t, time.Second)
		}
		want.Name = strings.ToValidUTF8(want.Name, "?")
		for _, v := range []*float64{&want.Celsius, &want.Raw} {
			if math.IsInf(*v, 0) {
				*v = math.NaN() // JSON has neither
			}
		}
		if y := want.Wall.Year(); y < 0 || y > 9999 {
			want.Wall = began
		}
		data, err := json.Marshal(want)
		if err != nil {
			t.Fatal(err)
		}
		var got trace.Entry
		if err := json.Unmarshal(data, &got); err != nil {
			t.Fatal(err)
		}
		if !sameEntry(want, got) {
			t.Fatalf("%s:\n got %+v\nwant %+v", data, got, want)
		}
	})
}

// list is entries without a store.
type list []trace.Entry

func (l list) Entries(context.Context, string, int64) iter.Seq2[trace.Entry, error] {
	return func(yield func(trace.Entry, error) bool) {
		for _, e := range l {
			if !yield(e, nil) {
				return
			}
		}
	}
}

// Every cell of the CSV, read by the standard library, is what went in; nothing
// begins as a formula.
func TestCSVGivesBack(t *testing.T) {
	rapid.Check(t, func(rt *rapid.T) {
		var want list
		for n := range rapid.IntRange(0, 10).Draw(rt, "entries") {
			e := drawReading(rt, time.Duration(rapid.Int64().Draw(rt, "at")))
			if rapid.Bool().Draw(rt, "event") {
				e = drawEvent(rt, e.At)
			}
			e.Seq = int64(n + 1)
			want = append(want, e)
		}
		name := rapid.String().Draw(rt, "name")
		var out bytes.Buffer
		text := func(e trace.Entry) string { return e.Name }
		if err := trace.WriteCSV(rt.Context(), &out, want, trace.Batch{ID: "BH-001", Name: name}, text); err != nil {
			rt.Fatal(err)
		}
		r := csv.NewReader(&out)
		r.Comment = '#'
		lines, err := r.ReadAll()
		if err != nil {
			rt.Fatal(err)
		}
		if len(lines) != len(want)+1 {
			rt.Fatalf("%d lines, want a header and %d", len(lines), len(want))
		}
		col := map[string]int{}
		for i, name := range lines[0] {
			col[name] = i
		}
		for i, e := range want {
			get := func(name string) string { return lines[i+1][col[name]] }
			if at, err := time.Parse(time.RFC3339Nano, get("time")); err != nil || !at.Equal(e.Wall) {
				rt.Fatalf("time %q, %v; want %v", get("time"), err, e.Wall)
			}
			if e.Kind == trace.KindReading {
				for name, v := range map[string]float64{"temp_c": e.Celsius, "raw_c": e.Raw} {
					got, err := strconv.ParseFloat(get(name), 64)
					if math.IsNaN(v) || math.IsInf(v, 0) {
						if get(name) != "" {
							rt.Fatalf("%s is %q for %v", name, get(name), v)
						}
					} else if err != nil || math.Float64bits(got) != math.Float64bits(v) {
						rt.Fatalf("%s is %q, want %v", name, get(name), v)
					}
				}
				if get("probe") != e.Probe || get("role") != string(e.Role) || (get("quality") == "good") != (e.Quality == probe.Good) {
					rt.Fatalf("line %q of %+v", lines[i+1], e)
				}
			} else if get("data") != string(e.Data) || get("temp_c") != "" || (get("role") == "") != (e.Kind == trace.KindEvent) {
				rt.Fatalf("line %q of %+v", lines[i+1], e)
			}
			if sec, ok := strings.CutPrefix(get("station_s"), "-"); ok != (e.At < 0) || sec == "" {
				rt.Fatalf("station_s is %q of %v", get("station_s"), e.At)
			}
			for name, j := range col {
				if c := lines[i+1][j]; c != "" && strings.ContainsAny(c[:1], "=+-@\t\r") && name != "temp_c" && name != "raw_c" && name != "station_s" {
					rt.Fatalf("column %s begins as a formula: %q", name, c)
				}
			}
		}
	})
}

func TestCSVCells(t *testing.T) {
	e := event("BH-001", "1", "=cmd|' /C calc'!A0", 1)
	e.Data = nil
	long := potReading("BH-001", 2, 57.123456789012345)
	long.At = 26*time.Hour + time.Nanosecond
	var out bytes.Buffer
	if err := trace.WriteCSV(t.Context(), &out, list{e, long}, trace.Batch{ID: "BH-001", Name: "Tarred\nRope"}, func(trace.Entry) string { return "+1 \"spoon\",\r\nstirred" }); err != nil {
		t.Fatal(err)
	}
	want := strings.ReplaceAll(`# batch BH-001, Tarred Rope
# times are UTC, temperatures °C; one whose quality is not good is suspect
seq,time,temp_c,probe,role,quality,event,text,notice,data,raw_c,pot,station_s
0,2025-10-04T07:30:01.000000000Z,,,,,'=cmd|' /C calc'!A0,"'+1 ""spoon"", stirred",,,,1,1
0,2025-10-04T07:30:02.000000000Z,57.123456789012344,pot-1,pot,good,,,,,56.873456789012344,1,93600.000000001
`, "\n", "\r\n")
	if got := out.String(); got != want {
		t.Errorf("got\n%s\nwant\n%s", got, want)
	}
}

func TestWriteJSON(t *testing.T) {
	s := openNew(t)
	s.Append(potReading("BH-001", 1, 85))
	bad := potReading("BH-001", 2, math.NaN())
	bad.Raw, bad.Quality = math.NaN(), probe.NoDevice
	s.Append(bad)
	torn := event("BH-001", "e", "note", 3)
	torn.Data = []byte(`{"text":`)
	s.Append(torn)
	var out bytes.Buffer
	if err := trace.WriteJSON(t.Context(), &out, s, trace.Batch{ID: "BH-001"}, map[string]int{"jars": 8}); err != nil {
		t.Fatal(err)
	}
	var got struct {
		Batch   trace.Batch
		Record  map[string]int
		Entries []trace.Entry
	}
	if err := json.Unmarshal(out.Bytes(), &got); err != nil {
		t.Fatalf("%v in %s", err, &out)
	}
	torn.Data = []byte(`"{\"text\":"`)
	want := []trace.Entry{potReading("BH-001", 1, 85), bad, torn}
	for i := range want {
		want[i].Seq = int64(i + 1)
	}
	mustEqualEntries(t, got.Entries, want)
	if got.Batch.ID != "BH-001" || got.Record["jars"] != 8 {
		t.Errorf("batch and record: %+v", got)
	}
}

// Readings outside a batch wait longer for the disk than a batch's: an idle
// station spares its card.
func TestIdleStationWritesSeldom(t *testing.T) {
	path := newPath(t)
	synctest.Test(t, func(t *testing.T) {
		s := open(t, path, trace.Options{})
		defer s.Close()
		writes := 0
		var last time.Time
		run := func(batch string, seconds int) int {
			before := writes
			for n := range seconds {
				e := potReading(batch, n, 60)
				s.Append(e)
				time.Sleep(time.Second)
				synctest.Wait()
				if w := s.Health().LastWrite; !w.Equal(last) {
					last = w
					writes++
				}
			}
			return writes - before
		}
		if n := run("", 600); n < 9 || n > 11 {
			t.Errorf("%d writes in 10 min without a batch, want one a minute", n)
		}
		if n := run("BH-001", 600); n < 37 || n > 41 {
			t.Errorf("%d writes in 10 min of a batch, want one every 15 s", n)
		}
		if n := run("", 600); n < 9 || n > 12 {
			t.Errorf("%d writes in 10 min after the batch, want one a minute again", n)
		}
	})
}

// A clock that is far off, steps back or stands still changes nothing in the
// order of the trace, and every moment comes back as it was.
func TestWildClock(t *testing.T) {
	s := openNew(t)
	var want []trace.Entry
	for n, wall := range []time.Time{
		began, began.AddDate(10, 0, 0), began.AddDate(-10, 0, 0), began, time.Unix(0, 0), began.Add(-time.Nanosecond),
		time.Date(1969, 1, 1, 0, 0, 0, 1, time.UTC), time.Date(2200, 1, 1, 0, 0, 0, 0, time.UTC),
	} {
		e := potReading("BH-001", n, 85)
		e.Wall = wall.In(time.FixedZone("summer time", 7200))
		e.Seq = s.Append(e)
		want = append(want, e)
		if err := s.Flush(t.Context()); err != nil {
			t.Fatal(err)
		}
	}
	mustEqualEntries(t, collect(t, s, "BH-001", 0), want)
	if _, at, _, err := s.Last(t.Context()); err != nil || at != 7*time.Second {
		t.Errorf("the trace stands at %v, %v", at, err)
	}
	e := potReading("BH-001", 9, 85)
	e.Wall = time.Time{}
	s.Append(e)
	if got := collect(t, s, "BH-001", 9)[0].Wall; time.Since(got).Abs() > time.Minute {
		t.Errorf("an entry without a time got %v, want now", got)
	}
}

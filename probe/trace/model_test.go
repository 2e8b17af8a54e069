package trace_test

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"math"
	"os"
	"path/filepath"
	"reflect"
	"slices"
	"strings"
	"sync/atomic"
	"testing"
	"time"

	"pgregory.net/rapid"

	"example.org/meltstation/probe"
	"example.org/meltstation/probe/trace"
)

// model is what a store should be: plain slices and maps.
type model struct {
	entries []trace.Entry // all of them
	once    map[[2]string]int64
	batches []trace.Batch // in the order of their first PutBatch
	docs    map[[2]string][]byte
	past    map[[2]string][][]byte
}

func newModel() *model {
	return &model{once: map[[2]string]int64{}, docs: map[[2]string][]byte{}, past: map[[2]string][][]byte{}}
}

const blockSize = 4096

// of is what Entries documents, written the slow and plain way.
func (m *model) of(batch string, from int64) []trace.Entry {
	shared := func(e trace.Entry) bool {
		return e.Kind == trace.KindReading && e.Batch == "" && e.Pot == "" && batch != ""
	}
	var own []int64
	var begins time.Duration // the batch's first reading
	for _, e := range m.entries {
		if e.Batch == batch && e.Kind == trace.KindReading {
			if len(own) == 0 {
				begins = e.At
			}
			own = append(own, e.Seq)
		}
	}
	latest := map[string]int64{} // last of each shared probe before the first of the batch's own
	for _, e := range m.entries {
		if shared(e) && len(own) > 0 && e.Seq < own[0] && begins-e.At <= 10*time.Minute {
			latest[e.Probe+string(e.Role)] = e.Seq
		}
	}
	var list []trace.Entry
	for _, e := range m.entries {
		keep := e.Batch == batch
		if shared(e) && len(own) > 0 {
			i, _ := slices.BinarySearch(own, e.Seq)
			switch {
			case i == 0: // before the first: only the last of its probe, if not long before
				keep = own[0]/blockSize-e.Seq/blockSize <= 1 && latest[e.Probe+string(e.Role)] == e.Seq
			case i < len(own):
				keep = own[i]/blockSize-own[i-1]/blockSize <= 1
			}
		}
		if keep && e.Seq >= from {
			list = append(list, e)
		}
	}
	return list
}

func (m *model) list(q trace.Query) []trace.Batch {
	var list []trace.Batch
	for _, b := range slices.Backward(m.batches) {
		if q.Before != "" {
			place := func(id string) int {
				return slices.IndexFunc(m.batches, func(o trace.Batch) bool { return o.ID == id })
			}
			i, j := place(b.ID), place(q.Before)
			if j >= 0 && i >= j {
				continue
			}
		}
		text := strings.ToLower(b.ID + "\n" + b.Name + "\n" + b.Recipe + "\n" + b.Pot + "\n" + strings.Join(b.Lots, "\n"))
		ok := (!q.Open || b.Ended.IsZero()) && (q.Recipe == "" || q.Recipe == b.Recipe)
		for _, w := range strings.Fields(strings.ToLower(q.Text)) {
			ok = ok && strings.Contains(text, w)
		}
		if q.Lot != "" {
			ok = ok && slices.ContainsFunc(b.Lots, func(l string) bool { return strings.EqualFold(l, q.Lot) })
		}
		if ok {
			list = append(list, b)
		}
	}
	limit := q.Limit
	if limit == 0 {
		limit = 100
	}
	if limit > 0 && len(list) > limit {
		list = list[:limit]
	}
	return list
}

var (
	batchCodes = rapid.SampledFrom([]string{"", "BH-001", "BH-002", "BH-003", "ÜB-4 %_'\""})
	potNames   = rapid.SampledFrom([]string{"1", "2"})
	celsius    = rapid.OneOf(
		rapid.Just(math.NaN()), rapid.Just(0.0), rapid.Just(math.Copysign(0, -1)), rapid.Just(math.Inf(1)), rapid.Just(math.Inf(-1)), rapid.Just(85.0),
		rapid.Map(rapid.Int32(), func(n int32) float64 { return float64(n) / 16 }),
		rapid.Map(rapid.IntRange(-5000, 30000), func(n int) float64 { return float64(n) / 100 }),
		rapid.Float64())
	qualities = rapid.SampledFrom([]probe.Quality{probe.Good, probe.Good, probe.Good, probe.BadCRC, probe.NoDevice, probe.Garbled, "", "of a later program"})
	walls     = rapid.Map(rapid.Int64(), func(n int64) time.Time { return time.Unix(0, n).UTC() })
)

func drawReading(t *rapid.T, at time.Duration) trace.Entry {
	e := trace.Entry{Kind: trace.KindReading, At: at, Celsius: celsius.Draw(t, "celsius"), Raw: celsius.Draw(t, "raw"), Quality: qualities.Draw(t, "quality")}
	if rapid.Bool().Draw(t, "as measured") {
		e.Raw = e.Celsius
	}
	e.Wall = began.Add(at)
	if rapid.IntRange(0, 9).Draw(t, "clock steps") == 0 {
		e.Wall = walls.Draw(t, "wall")
	}
	if rapid.IntRange(0, 3).Draw(t, "room") == 0 {
		e.Probe, e.Role = rapid.SampledFrom([]string{"room", "door"}).Draw(t, "probe"), probe.RoleRoom
		return e
	}
	e.Batch, e.Pot = batchCodes.Draw(t, "batch"), potNames.Draw(t, "pot")
	e.Probe, e.Role = rapid.SampledFrom([]string{"pot-1", "bath-1"}).Draw(t, "probe"), probe.RolePot
	return e
}

func drawEvent(t *rapid.T, at time.Duration) trace.Entry {
	e := trace.Entry{Kind: trace.KindEvent, At: at, Wall: walls.Draw(t, "wall"), Celsius: math.NaN(), Raw: math.NaN(),
		Batch: batchCodes.Draw(t, "batch"), Pot: potNames.Draw(t, "pot"),
		ID: rapid.SampledFrom([]string{"", "a", "b", "c"}).Draw(t, "id"), Name: rapid.String().Draw(t, "name")}
	if rapid.Bool().Draw(t, "notice") {
		e.Kind = trace.KindNotice
	}
	if rapid.Bool().Draw(t, "data") {
		e.Data = []byte(fmt.Sprintf(`{"n":%d}`, rapid.Int().Draw(t, "n")))
	}
	return e
}

// TestModel does random things to a store and to plain slices and maps, with the
// disk refusing now and then and the program restarting in between, and compares
// everything that can be read.
func TestModel(t *testing.T) {
	root := memoryDir(t)
	n := 0
	rapid.Check(t, func(rt *rapid.T) {
		n++
		dir := filepath.Join(root, fmt.Sprint(n))
		path := filepath.Join(dir, "station.db")
		ctx := context.Background()
		var tick atomic.Int64
		o := trace.Options{FlushEvery: time.Hour, Now: func() time.Time { return began.Add(time.Duration(tick.Add(1)) * time.Millisecond) }}
		s, err := trace.Open(path, o)
		if err != nil {
			rt.Fatal(err)
		}
		defer func() {
			s.Close()
			if err := trace.Check(ctx, path); err != nil {
				rt.Error(err)
			}
			os.RemoveAll(dir)
		}()
		m := newModel()
		at := time.Duration(0)
		full := false
		acked := func(err error) {
			if full != (err != nil) {
				rt.Fatalf("the disk is full: %v; error: %v", full, err)
			}
		}
		keep := func(e trace.Entry, seq int64) {
			if e.Kind == trace.KindEvent && e.ID != "" {
				k := [2]string{e.Batch, e.ID}
				if was, ok := m.once[k]; ok {
					if seq != was {
						rt.Fatalf("a repeated event got number %d, its first is %d", seq, was)
					}
					return
				}
				m.once[k] = seq
			}
			if want := int64(len(m.entries) + 1); seq != want {
				rt.Fatalf("number %d, want %d", seq, want)
			}
			e.Seq = seq
			m.entries = append(m.entries, e)
		}
		rt.Repeat(map[string]func(*rapid.T){
			"readings": func(t *rapid.T) {
				for range rapid.IntRange(1, 8).Draw(t, "many") {
					at += time.Duration(rapid.Int64Range(0, 3e9).Draw(t, "step"))
					e := drawReading(t, at)
					keep(e, s.Append(e))
				}
			},
			"a long stretch": func(t *rapid.T) {
				e := drawReading(t, at)
				many := 100
				if rapid.IntRange(0, 3).Draw(t, "very long") == 0 {
					many = rapid.IntRange(1000, 5000).Draw(t, "many")
				}
				for range many {
					at += time.Second
					e.At, e.Wall = at, began.Add(at)
					keep(e, s.Append(e))
				}
			},
			"event": func(t *rapid.T) {
				e := drawEvent(t, at)
				p, err := s.CommitEach(ctx, e)
				_, there := m.once[[2]string{e.Batch, e.ID}]
				if want := there && e.Kind == trace.KindEvent && e.ID != ""; p[0].Duplicate != want {
					t.Fatalf("duplicate: %v, want %v", p[0].Duplicate, want)
				}
				if !p[0].Duplicate { // one that is on disk already needs no disk
					acked(err)
				}
				keep(e, p[0].Seq)
			},
			"two at once": func(t *rapid.T) {
				e := drawEvent(t, at)
				r := drawReading(t, at)
				p, err := s.CommitEach(ctx, e, r, e)
				acked(err)
				keep(e, p[0].Seq)
				keep(r, p[1].Seq)
				keep(e, p[2].Seq)
			},
			"batch": func(t *rapid.T) {
				b := trace.Batch{ID: batchCodes.Filter(func(s string) bool { return s != "" }).Draw(t, "id"), Pot: potNames.Draw(t, "pot"),
					Name:   rapid.SampledFrom([]string{"Tarred Rope", "Low Tide", ""}).Draw(t, "name"),
					Recipe: rapid.SampledFrom([]string{"", "tarred-rope", "low-tide"}).Draw(t, "recipe"), Stage: "melting", Started: began, StartAt: at}
				if rapid.Bool().Draw(t, "ended") {
					b.Ended, b.PouredAt, b.Record = began.Add(time.Hour), at, []byte(`{"finish":"smooth"}`)
				}
				b.Lots = rapid.SampledFrom([][]string{nil, {"W-17"}, {"w-17", "F-3"}, {"F-3"}}).Draw(t, "lots")
				acked(s.PutBatch(ctx, b))
				if i := slices.IndexFunc(m.batches, func(o trace.Batch) bool { return o.ID == b.ID }); i >= 0 {
					m.batches[i] = b
				} else {
					m.batches = append(m.batches, b)
				}
			},
			"document": func(t *rapid.T) {
				k := [2]string{rapid.SampledFrom([]string{"device", "lesson"}).Draw(t, "kind"), rapid.SampledFrom([]string{"x", "y"}).Draw(t, "id")}
				data := rapid.SliceOfN(rapid.Byte(), 0, 2).Draw(t, "data")
				if rapid.IntRange(0, 3).Draw(t, "delete") == 0 {
					acked(s.DeleteDoc(ctx, k[0], k[1], "me"))
					if _, ok := m.docs[k]; ok {
						delete(m.docs, k)
						m.past[k] = append(m.past[k], nil)
					}
					return
				}
				acked(s.PutDoc(ctx, k[0], k[1], data, "me"))
				if was, ok := m.docs[k]; !ok || !bytes.Equal(was, data) {
					m.docs[k] = data
					m.past[k] = append(m.past[k], append([]byte{}, data...))
				}
			},
			"flush": func(t *rapid.T) { // nothing to write is no error
				if err := s.Flush(ctx); err != nil && !full {
					t.Fatal(err)
				}
			},
			"disk": func(t *rapid.T) {
				stage := rapid.SampledFrom([]string{"", "commit", "committed"}).Draw(t, "fails at")
				trace.RefuseWrites(s, stage)
				full = stage != ""
			},
			"restart": func(t *rapid.T) {
				full = false
				trace.RefuseWrites(s, "")
				if err := s.Close(); err != nil {
					t.Fatal(err)
				}
				if s, err = trace.Open(path, o); err != nil {
					t.Fatal(err)
				}
			},
			"": func(t *rapid.T) { compare(t, s, m) },
		})
	})
}

func compare(t *rapid.T, s *trace.Store, m *model) {
	ctx := context.Background()
	batch := batchCodes.Draw(t, "read batch")
	from := rapid.Int64Range(0, int64(len(m.entries)+2)).Draw(t, "from")
	var got, events, wantEvents []trace.Entry
	for e, err := range s.Entries(ctx, batch, from) {
		if err != nil {
			t.Fatal(err)
		}
		got = append(got, e)
	}
	mustBeEntries(t, "Entries", got, m.of(batch, from))
	events, err := s.Events(ctx, batch)
	if err != nil {
		t.Fatal(err)
	}
	for _, e := range m.entries {
		if e.Batch == batch && e.Kind != trace.KindReading {
			wantEvents = append(wantEvents, e)
		}
	}
	mustBeEntries(t, "Events", events, wantEvents)
	seq, at, wall, err := s.Last(ctx)
	if err != nil {
		t.Fatal(err)
	}
	if n := len(m.entries); n > 0 {
		if e := m.entries[n-1]; seq != e.Seq || at != e.At || !wall.Equal(e.Wall) {
			t.Fatalf("Last() = %d, %v, %v; want %+v", seq, at, wall, e)
		}
	}

	q := trace.Query{Limit: rapid.IntRange(-1, 3).Draw(t, "limit"), Open: rapid.Bool().Draw(t, "open")}
	switch rapid.IntRange(0, 4).Draw(t, "query") {
	case 0:
		q.Before = batchCodes.Draw(t, "before")
	case 1:
		q.Text = rapid.SampledFrom([]string{"rope", "TARRED bh-001", "üb-4", "%_'", "w-17"}).Draw(t, "text")
	case 2:
		q.Lot = rapid.SampledFrom([]string{"W-17", "f-3", "none"}).Draw(t, "lot")
	case 3:
		q.Recipe = "low-tide"
	}
	list, err := s.Batches(ctx, q)
	if err != nil {
		t.Fatal(err)
	}
	if want := m.list(q); len(list) != len(want) || len(want) > 0 && !reflect.DeepEqual(list, want) {
		t.Fatalf("Batches(%+v):\n got %+v\nwant %+v", q, list, want)
	}
	ids, err := s.BatchIDs(ctx)
	if err != nil {
		t.Fatal(err)
	}
	var wantIDs []string
	for _, b := range slices.Backward(m.batches) {
		wantIDs = append(wantIDs, b.ID)
	}
	if !slices.Equal(ids, wantIDs) {
		t.Fatalf("BatchIDs() = %q, want %q", ids, wantIDs)
	}
	b, err := s.Batch(ctx, batch)
	if i := slices.IndexFunc(m.batches, func(o trace.Batch) bool { return o.ID == batch }); i < 0 {
		if !errors.Is(err, trace.ErrNoBatch) {
			t.Fatalf("Batch(%q): %v, want ErrNoBatch", batch, err)
		}
	} else if err != nil || !reflect.DeepEqual(b, m.batches[i]) {
		t.Fatalf("Batch(%q):\n got %+v, %v\nwant %+v", batch, b, err, m.batches[i])
	}

	for _, kind := range []string{"device", "lesson"} {
		docs, err := s.Docs(ctx, kind)
		if err != nil {
			t.Fatal(err)
		}
		n := 0
		for _, id := range []string{"x", "y"} {
			k := [2]string{kind, id}
			want, there := m.docs[k]
			data, err := s.Doc(ctx, kind, id)
			if there != (err == nil) || !bytes.Equal(data, want) || !there && !errors.Is(err, trace.ErrNoDocument) {
				t.Fatalf("Doc(%v) = %q, %v; want %q, %v", k, data, err, want, there)
			}
			if there {
				if n >= len(docs) || docs[n].ID != id || !bytes.Equal(docs[n].Data, want) {
					t.Fatalf("Docs(%s) = %+v, want %q at %d", kind, docs, want, n)
				}
				n++
			}
			past, err := s.DocHistory(ctx, kind, id)
			if err != nil {
				t.Fatal(err)
			}
			var versions [][]byte
			for _, d := range past {
				versions = append(versions, d.Data)
			}
			if !reflect.DeepEqual(versions, m.past[k]) {
				t.Fatalf("DocHistory(%v) = %q, want %q", k, versions, m.past[k])
			}
		}
		if n != len(docs) {
			t.Fatalf("Docs(%s) has %d too many", kind, len(docs)-n)
		}
	}
}

func mustBeEntries(t *rapid.T, what string, got, want []trace.Entry) {
	for i := range min(len(got), len(want)) {
		if !sameEntry(want[i], got[i]) {
			t.Fatalf("%s, entry %d:\n got %+v\nwant %+v", what, i, got[i], want[i])
		}
	}
	if len(got) != len(want) {
		t.Fatalf("%s: got %d entries, want %d", what, len(got), len(want))
	}
}

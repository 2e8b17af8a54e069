package trace_test

import (
	"errors"
	"math"
	"slices"
	"testing"
	"time"

	"pgregory.net/rapid"

	"example.org/meltstation/probe"
	"example.org/meltstation/probe/trace"
)

func sameReading(a, b trace.Reading) bool {
	same := func(x, y float64) bool {
		return math.Float64bits(x) == math.Float64bits(y) || math.IsNaN(x) && math.IsNaN(y)
	}
	return a.Seq == b.Seq && a.At == b.At && a.Wall == b.Wall && same(a.Celsius, b.Celsius) && same(a.Raw, b.Raw) && a.Quality == b.Quality
}

func TestChunkGivesBack(t *testing.T) {
	any64 := rapid.OneOf(rapid.Int64(), rapid.SampledFrom([]int64{0, 1, -1, math.MaxInt64, math.MinInt64}))
	rapid.Check(t, func(t *rapid.T) {
		first := rapid.Int64Range(1, 1<<40).Draw(t, "first")
		want := map[int64][]trace.Reading{}
		var columns []trace.Column
		for range rapid.IntRange(0, 4).Draw(t, "columns") {
			c := trace.Column{Channel: int64(len(columns)) * 300}
			seq := first
			for range rapid.IntRange(0, 20).Draw(t, "rows") {
				seq += rapid.Int64Range(0, 300).Draw(t, "step")
				r := trace.Reading{Seq: seq, At: time.Duration(any64.Draw(t, "at")), Wall: any64.Draw(t, "wall"),
					Celsius: celsius.Draw(t, "celsius"), Raw: celsius.Draw(t, "raw"), Quality: qualities.Draw(t, "quality")}
				if rapid.Bool().Draw(t, "as measured") {
					r.Raw = r.Celsius
				}
				c.Rows = append(c.Rows, r)
			}
			columns = append(columns, c)
			want[c.Channel] = c.Rows
		}
		data := trace.EncodeChunk(first, columns)
		got := map[int64][]trace.Reading{}
		skip := rapid.Int64Range(0, 3).Draw(t, "skip") * 300
		err := trace.DecodeChunk(first, data, func(ch int64) bool { return ch != skip }, func(ch int64, r trace.Reading) { got[ch] = append(got[ch], r) })
		if err != nil {
			t.Fatal(err)
		}
		for ch, rows := range want {
			if ch == skip {
				rows = nil
			}
			if !slices.EqualFunc(rows, got[ch], sameReading) {
				t.Fatalf("channel %d:\n got %+v\nwant %+v", ch, got[ch], rows)
			}
		}
		if len(data) > 0 { // one bit is enough to be noticed
			bit := rapid.IntRange(0, 8*len(data)-1).Draw(t, "bit")
			data[bit/8] ^= 1 << (bit % 8)
			if err := trace.DecodeChunk(first, data, func(int64) bool { return true }, func(int64, trace.Reading) {}); !errors.Is(err, trace.ErrChunk) {
				t.Fatalf("bit %d turned: %v, want an error", bit, err)
			}
		}
	})
}

// Any bytes give readings or an error, and what is read is written back the same.
func FuzzChunk(f *testing.F) {
	row := trace.Reading{Seq: 7, At: time.Second, Wall: 1e18, Celsius: 85, Raw: 84.8125, Quality: probe.Good}
	odd := trace.Reading{Seq: 8, At: 2 * time.Second, Wall: 2e18, Celsius: math.NaN(), Raw: 57.123456789, Quality: "of a later program"}
	f.Add(int64(7), trace.EncodeChunk(7, []trace.Column{{Channel: 1, Rows: []trace.Reading{row, odd}}, {Channel: 2, Rows: []trace.Reading{odd}}}))
	f.Add(int64(1), trace.EncodeChunk(1, nil))
	f.Add(int64(0), []byte{1, 255, 255, 255, 255, 255, 255, 255, 255, 255, 1, 0, 0})
	f.Fuzz(func(t *testing.T, first int64, data []byte) {
		data = trace.Sealed(data) // past the checksum, to what lies behind
		read := func(data []byte) ([]trace.Column, error) {
			var columns []trace.Column
			err := trace.DecodeChunk(first, data, func(int64) bool { return true }, func(ch int64, r trace.Reading) {
				if n := len(columns); n == 0 || columns[n-1].Channel != ch {
					columns = append(columns, trace.Column{Channel: ch})
				}
				c := &columns[len(columns)-1]
				c.Rows = append(c.Rows, r)
			})
			return columns, err
		}
		columns, err := read(data)
		if err != nil {
			if !errors.Is(err, trace.ErrChunk) {
				t.Fatalf("%v is not the error of a damaged chunk", err)
			}
			return
		}
		again, err := read(trace.EncodeChunk(first, columns))
		if err != nil {
			t.Fatal(err)
		}
		equal := func(a, b trace.Column) bool {
			return a.Channel == b.Channel && slices.EqualFunc(a.Rows, b.Rows, sameReading)
		}
		if !slices.EqualFunc(columns, again, equal) {
			t.Fatalf("read %+v, written and read again %+v", columns, again)
		}
	})
}

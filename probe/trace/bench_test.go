package trace_test

import (
	"fmt"
	"math"
	"math/rand/v2"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"example.org/meltstation/probe"
	"example.org/meltstation/probe/trace"
)

// second gives what four probes read in one second of a batch: 1-Wire sensors of
// 1/16 °C, the pot's calibrated by an offset and a factor, each read when its
// conversion happens to be done.
func second(rng *rand.Rand, batch string, n int) []trace.Entry {
	t := float64(n)
	reading := func(id string, role probe.Role, celsius float64) trace.Entry {
		raw := math.Round((celsius+0.05*rng.NormFloat64())*16) / 16
		at := time.Duration(n)*time.Second + time.Duration(rng.Int64N(int64(20*time.Millisecond)))
		e := trace.Entry{Batch: batch, Pot: "1", At: at, Wall: began.Add(at), Kind: trace.KindReading, Probe: id, Role: role, Celsius: raw, Raw: raw, Quality: probe.Good}
		if role == probe.RolePot {
			e.Celsius = 0.13 + 1.0021*raw
		}
		if role == probe.RoleRoom {
			e.Batch, e.Pot = "", ""
		}
		return e
	}
	return []trace.Entry{
		reading("28-0000064d1a2b", probe.RolePot, 21+64*math.Exp(-t/5400)),
		reading("28-0000064d1a2c", probe.RoleRoom, 21+math.Sin(t/3000)),
		reading("28-0000064d1a2d", probe.RoleBath, 25+70*math.Exp(-t/9000)),
		reading("28-0000064d1a2e", probe.RoleJar, 22+20*math.Exp(-t/2000)),
	}
}

// BenchmarkDay says what a day of four probes at 1 Hz costs: the bytes that the
// file grows by, and the bytes handed to the system, which an SD card has to take
// (its own blocks and the file system's journal come on top).
func BenchmarkDay(b *testing.B) {
	const seconds = 24 * 3600 / 24 // an hour, times 24 below
	for _, every := range []int{5, 10, 15, 30} {
		b.Run(fmt.Sprintf("flush every %d s", every), func(b *testing.B) {
			for b.Loop() {
				path := filepath.Join(b.TempDir(), "station.db")
				s := open(b, path, trace.Options{FlushEvery: 24 * time.Hour})
				rng := rand.New(rand.NewPCG(5, 6))
				before, ok := writtenBySystem()
				for n := range seconds {
					for _, e := range second(rng, "BH-001", n) {
						s.Append(e)
					}
					if n%every == every-1 {
						if err := s.Flush(b.Context()); err != nil {
							b.Fatal(err)
						}
					}
				}
				log := s.Health().Written
				closeStore(b, s)
				info, err := os.Stat(path)
				if err != nil {
					b.Fatal(err)
				}
				if after, _ := writtenBySystem(); ok {
					b.ReportMetric(float64(after-before)*24/1e6, "MB-written/day")
				}
				b.ReportMetric(float64(log)*24/1e6, "MB-log/day")
				b.ReportMetric(float64(info.Size())*24/1e6, "MB-file/day")
				b.ReportMetric(float64(info.Size())/(4*seconds), "B/reading")
			}
		})
	}
}

// writtenBySystem returns how many bytes this process has handed to write calls.
func writtenBySystem() (int64, bool) {
	data, err := os.ReadFile("/proc/self/io")
	if err != nil {
		return 0, false
	}
	var n int64
	for line := range strings.Lines(string(data)) {
		if _, err := fmt.Sscanf(line, "wchar: %d", &n); err == nil {
			return n, true
		}
	}
	return 0, false
}

// BenchmarkAppend is what one reading costs the watching goroutine, writing to
// disk in the background included.
func BenchmarkAppend(b *testing.B) {
	s := open(b, filepath.Join(b.TempDir(), "station.db"), trace.Options{})
	rng := rand.New(rand.NewPCG(7, 8))
	entries := second(rng, "BH-001", 1)
	n := 0
	b.ReportAllocs()
	for b.Loop() {
		e := entries[n%4]
		e.At = time.Duration(n/4) * time.Second
		s.Append(e)
		n++
	}
	if err := s.Flush(b.Context()); err != nil {
		b.Fatal(err)
	}
	if d := s.Health().Dropped; d > 0 {
		b.Logf("%d of %d dropped: faster than the disk", d, n)
	}
	b.ReportMetric(float64(n)/b.Elapsed().Seconds(), "readings/s")
}

// BenchmarkCommit is how long a tap waits until it is on disk for good.
func BenchmarkCommit(b *testing.B) {
	s := open(b, filepath.Join(b.TempDir(), "station.db"), trace.Options{})
	n := 0
	for b.Loop() {
		n++
		if _, err := s.Commit(b.Context(), event("BH-001", fmt.Sprint(n), "note", n)); err != nil {
			b.Fatal(err)
		}
	}
}

// longTrace is a batch of 12 hours with four probes at 1 Hz, as a station leaves it.
func longTrace(b *testing.B) *trace.Store {
	s := open(b, filepath.Join(b.TempDir(), "station.db"), trace.Options{FlushEvery: 24 * time.Hour, SpoolMax: 1 << 20})
	rng := rand.New(rand.NewPCG(9, 10))
	for n := range 12 * 3600 {
		for _, e := range second(rng, "BH-001", n) {
			s.Append(e)
		}
		if n%5 == 4 {
			if err := s.Flush(b.Context()); err != nil {
				b.Fatal(err)
			}
		}
	}
	return s
}

func BenchmarkCurveOf12Hours(b *testing.B) {
	s := longTrace(b)
	b.ReportAllocs()
	for b.Loop() {
		series, err := s.Curve(b.Context(), "BH-001", trace.CurveQuery{Points: 1000})
		if err != nil || len(series) != 4 {
			b.Fatal(len(series), err)
		}
	}
	b.ReportMetric(float64(b.Elapsed().Milliseconds())/float64(b.N), "ms/curve")
}

func BenchmarkEntriesOf12Hours(b *testing.B) {
	s := longTrace(b)
	for b.Loop() {
		n := 0
		for _, err := range s.Entries(b.Context(), "BH-001", 0) {
			if err != nil {
				b.Fatal(err)
			}
			n++
		}
		if n < 4*12*3600-8 {
			b.Fatal(n)
		}
	}
}

// Benchmark10000Batches asks a file of 10,000 batches, each with a sheet of 4 kB,
// a record of 2 kB, three lots, forty events and some readings, what the pages ask.
func Benchmark10000Batches(b *testing.B) {
	const batches = 10_000
	s := open(b, filepath.Join(b.TempDir(), "station.db"), trace.Options{FlushEvery: 24 * time.Hour})
	sheet := fmt.Appendf(nil, `{"name":"Tarred Rope","note":%q}`, strings.Repeat("rapeseed and coconut ", 200))
	record := fmt.Appendf(nil, `{"finish":%q}`, strings.Repeat("smooth ", 300))
	code := func(n int) string { return fmt.Sprintf("BH-%05d", n) }
	done := make(chan error, batches)
	slots := make(chan struct{}, 400) // that many share a transaction
	for n := range batches {
		for i := range 40 {
			s.Append(event(code(n), fmt.Sprint(i), "note", n*1000+i))
		}
		for i := range 10 {
			s.Append(potReading(code(n), n*1000+i, 60))
		}
		bt := trace.Batch{ID: code(n), Pot: "1", Name: "Tarred Rope", Recipe: fmt.Sprint("recipe-", n%50), Stage: "done",
			Started: began.Add(time.Duration(n) * time.Hour), Ended: began.Add(time.Duration(n+30) * time.Hour),
			Sheet: sheet, Record: record, Lots: []string{fmt.Sprint("W-", n/20), fmt.Sprint("F-", n/7), fmt.Sprint("K-", n/100)}}
		if n >= batches-20 {
			bt.Ended = time.Time{}
		}
		slots <- struct{}{}
		go func() {
			done <- s.PutBatch(b.Context(), bt)
			<-slots
		}()
	}
	for range batches {
		if err := <-done; err != nil {
			b.Fatal(err)
		}
	}
	list := func(q trace.Query, least int) func(*testing.B) {
		return func(b *testing.B) {
			for b.Loop() {
				got, err := s.Batches(b.Context(), q)
				if err != nil || len(got) < least {
					b.Fatal(len(got), err)
				}
			}
			b.ReportMetric(float64(b.Elapsed().Microseconds())/1000/float64(b.N), "ms")
		}
	}
	b.Run("first page", list(trace.Query{Limit: 50}, 50))
	b.Run("a page in the middle", list(trace.Query{Limit: 50, Before: code(batches / 2)}, 50))
	b.Run("shelf", list(trace.Query{Open: true, Limit: -1}, 20))
	b.Run("by lot", list(trace.Query{Lot: "w-123"}, 20))
	b.Run("by recipe", list(trace.Query{Recipe: "recipe-7", Limit: 50}, 50))
	b.Run("by words, rare", list(trace.Query{Text: "tarred bh-00042"}, 1))
	b.Run("by words, none", list(trace.Query{Text: "nothing like it"}, 0))
	b.Run("one batch", func(b *testing.B) {
		for b.Loop() {
			if _, err := s.Batch(b.Context(), code(4711)); err != nil {
				b.Fatal(err)
			}
			if ev, err := s.Events(b.Context(), code(4711)); err != nil || len(ev) != 40 {
				b.Fatal(len(ev), err)
			}
			if _, err := s.Curve(b.Context(), code(4711), trace.CurveQuery{}); err != nil {
				b.Fatal(err)
			}
		}
		b.ReportMetric(float64(b.Elapsed().Microseconds())/1000/float64(b.N), "ms")
	})
}

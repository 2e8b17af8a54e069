package dashboard

import (
	"context"
	"encoding/json"
	"fmt"
	"math"
	"net/http/httptest"
	"path/filepath"
	"testing"
	"time"

	"example.org/meltstation/alerts/plan"
	"example.org/meltstation/alerts/plan/recipe"
	"example.org/meltstation/probe"
	"example.org/meltstation/probe/trace"
)

// archive is a station with so many batches behind it, each with its sheet, ten
// events and three lots; sixty are on the shelf, and the last but one has the
// curves of four probes at 1 Hz over an hour, the last over twelve.
func archive(b *testing.B, batches int) (g *rig, hour, long string) {
	st, err := trace.Open(filepath.Join(b.TempDir(), "trace.db"), trace.Options{FlushEvery: 24 * time.Hour, SpoolMax: 1 << 20})
	if err != nil {
		b.Fatal(err)
	}
	b.Cleanup(func() { st.Close() })
	ctx := context.Background()
	r, err := recipe.FromJSON([]byte(form))
	if err != nil {
		b.Fatal(err)
	}
	s, err := r.Sheet([]plan.Count{{Container: "Tin 200", N: 24}}, plan.Options{Lots: map[string]string{"rapeseed-coconut": "RC-1", "sea fog": "SF-1"}})
	if err != nil {
		b.Fatal(err)
	}
	data, err := json.Marshal(s)
	if err != nil {
		b.Fatal(err)
	}
	now := time.Now().UTC()
	began := now.Add(-time.Duration(batches) * 4 * time.Hour)
	code := func(n int) string { return fmt.Sprintf("B-%05d", n) }
	kinds := []plan.EventKind{plan.EventStart, plan.EventScentAdded, plan.EventHeatOff, plan.EventJugOut, plan.EventPourStart,
		plan.EventPoured, plan.EventLeftOver, plan.EventTrimmed, plan.EventMoved, plan.EventFound}
	slots, done := make(chan struct{}, 400), make(chan error, batches)
	for n := range batches {
		at := time.Duration(n) * 4 * time.Hour
		batch := trace.Batch{ID: code(n), Pot: "a", Name: "Harbour Fog", Recipe: fmt.Sprintf("Recipe %d", n%40), Stage: "done",
			Started: began.Add(at), StartAt: at, PouredAt: at + time.Hour, Ended: began.Add(at + 2*time.Hour), Sheet: data,
			Lots: []string{fmt.Sprint("RC-", n/30), fmt.Sprint("SF-", n/9), fmt.Sprint("W-", n/100)}}
		if n >= batches-60 {
			batch.Ended, batch.Stage = time.Time{}, "curing"
		}
		for i, k := range kinds {
			e := plan.Event{ID: fmt.Sprintf("e-%d-%d", n, i), Kind: k, At: at + time.Duration(i)*10*time.Minute, Wall: began.Add(at + time.Duration(i)*10*time.Minute), Who: "Ines"}
			switch k {
			case plan.EventScentAdded:
				e.Grams, e.Celsius = 288, 75
			case plan.EventPoured:
				e.First, e.Last, e.Counts = 57+float64(n%5), 54, map[string]int{"Tin 200": 24}
			case plan.EventLeftOver:
				e.Grams = 12
			case plan.EventFound:
				e.Found = &plan.Found{Finish: []plan.Finish{plan.Finishes()[n%3]}, HotThrow: 1 + n%5}
			}
			raw, err := json.Marshal(e)
			if err != nil {
				b.Fatal(err)
			}
			st.Append(trace.Entry{Batch: batch.ID, Pot: "a", At: e.At, Wall: e.Wall, Kind: trace.KindEvent, ID: e.ID, Name: string(k), Data: raw, Celsius: math.NaN(), Raw: math.NaN()})
		}
		seconds := map[int]int{batches - 2: 3600, batches - 1: 12 * 3600}[n]
		for i := range seconds {
			for p, role := range []probe.Role{probe.RolePot, probe.RoleBath, probe.RoleRoom, probe.RolePot} {
				c := math.Round((60+20*math.Sin(float64(i)/900+float64(p)))*16) / 16
				st.Append(trace.Entry{Batch: batch.ID, Pot: "a", At: at + time.Duration(i)*time.Second, Wall: began.Add(at + time.Duration(i)*time.Second), Kind: trace.KindReading,
					Probe: fmt.Sprint("probe-", p), Role: role, Celsius: c, Raw: c, Quality: probe.Good})
			}
			if i%5 == 4 {
				if err := st.Flush(ctx); err != nil {
					b.Fatal(err)
				}
			}
		}
		slots <- struct{}{}
		go func() {
			done <- st.PutBatch(ctx, batch)
			<-slots
		}()
	}
	for range batches {
		if err := <-done; err != nil {
			b.Fatal(err)
		}
	}
	if err := st.Flush(ctx); err != nil {
		b.Fatal(err)
	}
	return newRig(b, func(o *Options) { o.Batches = st }), code(batches - 2), code(batches - 1)
}

// BenchmarkArchive asks a station with 10,000 batches behind it what its pages
// ask, over its own routes. Each is to stay under 100 ms; the twelve hours of four
// probes at 1 Hz, thinned with their peaks kept, under 200 ms.
func BenchmarkArchive(b *testing.B) {
	g, hour, long := archive(b, 10_000)
	for _, c := range []struct{ name, path string }{
		{"list", "/api/v1/batches"},
		{"list, older", "/api/v1/batches?before=B-05000"},
		{"search, nothing", "/api/v1/batches?text=nothing+like+it"},
		{"look-up by lot", "/api/v1/batches?lot=RC-123&limit=200"},
		{"shelf", "/api/v1/shelf"},
		{"calendar", "/api/v1/shelf.ics"},
		{"a batch", "/api/v1/batches/B-04711"},
		{"a batch of an hour", "/api/v1/batches/" + hour},
		{"its curve", "/api/v1/batches/" + hour + "/curve?points=3000"},
		{"its record on paper", "/api/v1/batches/" + hour + "/record.html"},
		{"lesson of a recipe", "/api/v1/lesson?recipe=Recipe+7"},
		{"lesson of all", "/api/v1/lesson"},
		{"curve of 12 hours", "/api/v1/batches/" + long + "/curve?points=3000"},
		{"a batch of 12 hours", "/api/v1/batches/" + long},
	} {
		b.Run(c.name, func(b *testing.B) {
			var w *httptest.ResponseRecorder
			for b.Loop() {
				if w = g.ask("GET", c.path, ""); w.Code != 200 {
					b.Fatal(w.Code, w.Body)
				}
			}
			b.ReportMetric(float64(b.Elapsed().Microseconds())/1000/float64(b.N), "ms")
			b.ReportMetric(float64(w.Body.Len())/1024, "KiB")
		})
	}
}

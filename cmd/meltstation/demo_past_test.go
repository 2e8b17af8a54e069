package main

import (
	"encoding/json"
	"os"
	"path/filepath"
	"slices"
	"testing"
	"time"

	"example.org/meltstation/alerts"
	"example.org/meltstation/alerts/forecast"
	"example.org/meltstation/alerts/plan"
	"example.org/meltstation/alerts/shelf"
	"example.org/meltstation/cmd/meltstation/app"
	"example.org/meltstation/dashboard/recipes"
	"example.org/meltstation/dashboard/records"
	"example.org/meltstation/probe/trace"
	"example.org/meltstation/sim"
)

// The earlier batches are what the station itself would have written: poured,
// written up, on the shelf or closed, in order, and all before the demo opens.
func TestDemoHasAPast(t *testing.T) {
	limits := sim.BoathouseLimits()
	open := time.Date(2026, time.November, 25, 0, 20, 0, 0, time.Local)
	ctx := t.Context()
	path := filepath.Join(t.TempDir(), app.TraceName)
	if err := writeDemoPast(ctx, path, open, limits, demoPastBatches()); err != nil {
		t.Fatal(err)
	}
	if left, err := filepath.Glob(filepath.Join(filepath.Dir(path), ".past*")); err != nil || len(left) > 0 {
		t.Errorf("left behind: %v, %v", left, err)
	}
	store, err := trace.Open(path, trace.Options{ReadOnly: true})
	if err != nil {
		t.Fatal(err)
	}
	defer store.Close()
	list, err := store.Batches(ctx, trace.Query{Limit: -1})
	if err != nil || len(list) != len(demoPastBatches()) {
		t.Fatalf("%d batches, %v", len(list), err)
	}
	slices.Reverse(list) // the oldest first
	now := func() time.Time { return open }
	book := records.Book{Store: store, Station: "The Boathouse", Now: now}
	var seq int64
	var at time.Duration
	for i, b := range list {
		if b.PouredAt <= b.StartAt || b.StartAt <= at || (b.Stage == string(plan.StageDone)) == b.Ended.IsZero() {
			t.Errorf("%s: started %v, poured %v, stage %s, ended %v", b.ID, b.StartAt, b.PouredAt, b.Stage, b.Ended)
		}
		at = b.StartAt
		var last time.Duration
		var alarms []string
		for e, err := range store.Entries(ctx, b.ID, 0) {
			if err != nil {
				t.Fatal(err)
			}
			if e.At < last || e.Wall.Location() != time.UTC || !e.Wall.Before(open) || e.Wall.Before(open.AddDate(0, 0, -16)) {
				t.Fatalf("%s: entry %d at %v, %v, after %v", b.ID, e.Seq, e.At, e.Wall, last)
			}
			last, seq = e.At, max(seq, e.Seq)
			var n alerts.Notice
			if e.Kind == trace.KindNotice && json.Unmarshal(e.Data, &n) == nil && n.Class == alerts.Alarm && n.Why == "raised" {
				alarms = append(alarms, n.Key)
			}
		}
		want := []string(nil)
		if demoPastBatches()[i].incident == sim.UnplugProbe {
			want = []string{alerts.KeyProbeLost}
		}
		if !slices.Equal(alarms, want) {
			t.Errorf("%s: alarms %v, want %v", b.ID, alarms, want)
		}
		r, err := book.Record(ctx, b.ID)
		if err != nil {
			t.Fatal(err)
		}
		if len(r.Findings) != len(demoPastBatches()[i].later) || r.Summary.Readings < 300 || r.Poured.IsZero() {
			t.Errorf("%s: %d findings, %d readings, poured %v", b.ID, len(r.Findings), r.Summary.Readings, r.Poured)
		}
	}
	poured, err := book.Shelf(ctx)
	if err != nil {
		t.Fatal(err)
	}
	board := shelf.NewBoard(poured, open)
	// Two cure, one of them to be moved; two are ready, and nobody has put them away.
	if due := board.Due; len(board.Rows) != 4 || len(due) != 3 || due[0].Step != shelf.Cure || due[1].Step != shelf.Cure || due[2].Step != shelf.Move || due[2].Code != list[len(list)-1].ID {
		t.Errorf("the shelf: %+v", board)
	}
	if twice, err := store.Batches(ctx, trace.Query{Lot: "RC-117"}); err != nil || len(twice) != 2 {
		t.Errorf("%d batches share a lot of wax, %v", len(twice), err)
	}
	if before, err := store.Batches(ctx, trace.Query{Recipe: demoRecipe(limits).Name}); err != nil || len(before) != 2 {
		t.Errorf("%d earlier batches of what the demo makes, %v", len(before), err)
	}
	// What they teach of the jug on the bench must agree: it is one jug, and the
	// same physics.
	docs, err := store.Docs(ctx, "lesson")
	if err != nil {
		t.Fatal(err)
	}
	var k []float64
	for _, d := range docs {
		var ls []forecast.Lesson
		if err := json.Unmarshal(d.Data, &ls); err != nil {
			t.Fatal(err)
		}
		for _, l := range ls {
			if l.Regime == forecast.RegimeBench && l.Minutes > 20 {
				k = append(k, l.K)
			}
		}
	}
	if len(k) != len(demoPastBatches()) || slices.Max(k) > 1.25*slices.Min(k) {
		t.Errorf("rates of cooling on the bench, per second: %v; want one of each batch, within a quarter", k)
	}
}

// Whenever the demo opens, its past is over, and the newest candles may be moved.
func TestDemoPastEndsBeforeTheDemo(t *testing.T) {
	batches := demoPastBatches()
	p := &past{recipes: demoRecipes(sim.BoathouseLimits())}
	for hour := 0; hour < 24*366; hour += 5 {
		open := time.Date(2026, time.January, 1, hour, 0, 0, 0, time.Local)
		deeds, begin, err := p.deeds(open, batches)
		if err != nil {
			t.Fatal(err)
		}
		for i, d := range deeds {
			if d.at.Before(begin) || i > 0 && d.at.Before(deeds[i-1].at) {
				t.Fatalf("%v: deed %d at %v", open, i, d.at)
			}
		}
		last := deeds[len(deeds)-1].at
		if age := open.Sub(last); age <= 0 || age > 50*time.Hour {
			t.Errorf("%v: the last was done at %v", open, last)
		}
		if age := open.Sub(begin); age > 16*24*time.Hour {
			t.Errorf("%v: begins %v before", open, age)
		}
	}
}

func TestDemoRecipesStandInTheirFolder(t *testing.T) {
	dir := t.TempDir()
	own := filepath.Join(dir, "low-tide.toml")
	if err := os.WriteFile(own, []byte("# mine\n"), 0o600); err != nil {
		t.Fatal(err)
	}
	all := demoRecipes(sim.BoathouseLimits())
	if err := writeDemoRecipes(dir, all); err != nil {
		t.Fatal(err)
	}
	if b, err := os.ReadFile(own); err != nil || string(b) != "# mine\n" {
		t.Errorf("a file that was there now reads %q, %v", b, err)
	}
	if err := os.Remove(own); err != nil {
		t.Fatal(err)
	}
	if err := writeDemoRecipes(dir, all); err != nil {
		t.Fatal(err)
	}
	book, err := recipes.Open(dir)
	if err != nil {
		t.Fatal(err)
	}
	list, err := book.List()
	if err != nil || len(list) != len(all) {
		t.Fatalf("%d recipes, %v", len(list), err)
	}
	for _, r := range list {
		if _, err := r.Recipe.Sheet([]plan.Count{{Container: demoJar, N: 2}}, plan.Options{}); err != nil {
			t.Errorf("%s: %v", r.Key, err)
		}
		if r.Recipe.Thresholds.Pour != sim.BoathouseLimits().Pour {
			t.Errorf("%s is poured at %v", r.Key, r.Recipe.Thresholds.Pour)
		}
	}
}

// BenchmarkDemoPast is what the earlier batches cost before the demo opens.
func BenchmarkDemoPast(b *testing.B) {
	for b.Loop() {
		path := filepath.Join(b.TempDir(), app.TraceName)
		if err := writeDemoPast(b.Context(), path, time.Now(), sim.BoathouseLimits(), demoPastBatches()); err != nil {
			b.Fatal(err)
		}
		info, err := os.Stat(path)
		if err != nil {
			b.Fatal(err)
		}
		b.ReportMetric(float64(info.Size())/1024, "KiB")
	}
}

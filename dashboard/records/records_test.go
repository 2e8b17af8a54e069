package records_test

import (
	"bytes"
	"context"
	"encoding/json"
	"encoding/xml"
	"errors"
	"fmt"
	"io"
	"math"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"example.org/meltstation/alerts"
	"example.org/meltstation/alerts/plan"
	"example.org/meltstation/dashboard/records"
	"example.org/meltstation/probe"
	"example.org/meltstation/probe/trace"
)

var (
	ctx   = context.Background()
	began = time.Date(2026, 11, 24, 9, 0, 0, 0, time.UTC)
)

const batch = "26-11-24-A"

// book has one batch that was melted, scented, cooled and poured: its wax follows
// Newton's law from 78 °C toward 20 °C with k = 1/3000 s.
func book(t *testing.T) *records.Book {
	t.Helper()
	st, err := trace.Open(filepath.Join(t.TempDir(), "trace.db"), trace.Options{})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { st.Close() })
	r := plan.Defaults()
	r.Name, r.Load = "Harbour Fog", 8
	r.Wax = []plan.Wax{{Name: "rapeseed-coconut", Share: 100, MaxLoad: 10, Lot: "RC-7"}}
	r.Oils = []plan.Oil{{Name: "sea fog", Share: 100, Flash: 96, Method: plan.MethodClosed}}
	r.Containers = []plan.Container{{Name: "Tin 200", Wax: 150, Wicks: 1}}
	r.Thresholds = plan.Thresholds{ScentAdd: 78, PourHigh: 62, Pour: 58, PourLow: 54}
	sheet, err := r.Sheet([]plan.Count{{Container: "Tin 200", N: 6}}, plan.Options{})
	if err != nil {
		t.Fatal(err)
	}
	data, _ := json.Marshal(sheet)
	b := trace.Batch{ID: batch, Pot: "pot", Name: "Harbour Fog", Recipe: "Harbour Fog", Started: began, StartAt: time.Minute, Sheet: data, Stage: "setting"}
	if err := st.PutBatch(ctx, b); err != nil {
		t.Fatal(err)
	}
	put := func(at time.Duration, e trace.Entry) {
		e.Batch, e.Pot, e.At, e.Wall = batch, "pot", b.StartAt+at, began.Add(at)
		st.Append(e)
	}
	event := func(at time.Duration, k plan.EventKind, change func(*plan.Event)) {
		e := plan.Event{ID: "event-" + string(k), Kind: k, At: b.StartAt + at, Wall: began.Add(at), Who: "Ines"}
		if change != nil {
			change(&e)
		}
		data, _ := json.Marshal(e)
		put(at, trace.Entry{Kind: trace.KindEvent, ID: e.ID, Name: string(k), Data: data, Celsius: math.NaN(), Raw: math.NaN()})
	}
	event(0, plan.EventStart, nil)
	event(time.Second, plan.EventScentAdded, func(e *plan.Event) { e.Grams, e.Celsius = 72, 78 })
	for s := 0; s <= 1200; s += 2 {
		c := 20 + 58*math.Exp(-float64(s)/3000)
		put(time.Duration(s)*time.Second, trace.Entry{Kind: trace.KindReading, Probe: "jug", Role: probe.RolePot, Celsius: c, Raw: c, Quality: probe.Good})
		put(time.Duration(s)*time.Second, trace.Entry{Kind: trace.KindReading, Probe: "air", Role: probe.RoleRoom, Celsius: 20, Raw: 20, Quality: probe.Good})
	}
	put(600*time.Second, trace.Entry{Kind: trace.KindReading, Probe: "jug", Role: probe.RolePot, Celsius: 500, Raw: 500, Quality: probe.OutOfRange})
	notice, _ := json.Marshal(alerts.Notice{Key: "flash-margin", Pot: "pot", Batch: batch, Class: alerts.Alarm, Priority: alerts.Urgent, State: alerts.Unacked, Why: "raised", Wall: began, Celsius: 87, Limit: 86})
	put(10*time.Second, trace.Entry{Kind: trace.KindNotice, Name: "flash-margin", Data: notice, Celsius: math.NaN(), Raw: math.NaN()})
	event(1195*time.Second, plan.EventPoured, func(e *plan.Event) { e.First, e.Last, e.Counts = 59, 57, map[string]int{"Tin 200": 6} })
	if err := st.Flush(ctx); err != nil {
		t.Fatal(err)
	}
	return &records.Book{Store: st, Station: "The Boathouse", Now: func() time.Time { return began.Add(30 * time.Hour) }}
}

func write(t *testing.T, b *records.Book, format string) string {
	t.Helper()
	var out bytes.Buffer
	if err := b.Write(ctx, &out, batch, format); err != nil {
		t.Fatalf("%s: %v", format, err)
	}
	return out.String()
}

func TestRecordSaysWhatTheCurveSays(t *testing.T) {
	r, err := book(t).Record(ctx, batch)
	if err != nil {
		t.Fatal(err)
	}
	s := r.Summary
	if s.Peak == nil || *s.Peak != 78 || !s.PeakAt.Equal(began) {
		t.Errorf("peak %v at %v, want 78 at the start; a suspect 500 °C is none", s.Peak, s.PeakAt)
	}
	if s.Room == nil || *s.Room != 20 {
		t.Errorf("room %v, want 20", s.Room)
	}
	if len(s.Alarms) != 1 || s.Alarms[0].Text == "" || r.Station != "The Boathouse" || r.Poured.IsZero() {
		t.Errorf("record %+v", r)
	}
}

func TestFormats(t *testing.T) {
	b := book(t)
	for _, format := range records.Formats {
		if out := write(t, b, format); !strings.Contains(out, batch) && format != "svg" {
			t.Errorf("%s does not name the batch: %.200s", format, out)
		}
	}
	for _, format := range []string{"svg"} {
		d := xml.NewDecoder(strings.NewReader(write(t, b, format)))
		root := ""
		for {
			tok, err := d.Token()
			if errors.Is(err, io.EOF) {
				break
			}
			if err != nil {
				t.Fatalf("%s: %v", format, err)
			}
			if s, ok := tok.(xml.StartElement); ok {
				if root == "" {
					root = s.Name.Local
				}
				if s.Name.Local == "script" {
					t.Errorf("%s carries a script", format)
				}
			}
		}
		if root != "svg" {
			t.Errorf("%s begins with %q", format, root)
		}
	}
	var out bytes.Buffer
	if err := b.Write(ctx, &out, batch, "exe"); !errors.Is(err, records.ErrFormat) {
		t.Errorf("exe: %v", err)
	}
	if err := b.Write(ctx, &out, "none", "csv"); !errors.Is(err, trace.ErrNoBatch) {
		t.Errorf("no batch: %v", err)
	}
}

func TestShelfAndLesson(t *testing.T) {
	b := book(t)
	list, err := b.Shelf(ctx)
	if err != nil || len(list) != 1 || list[0].Code != batch || list[0].Jars != 6 {
		t.Errorf("shelf %+v, %v", list, err)
	}
	for _, recipe := range []string{"", "Harbour Fog"} {
		if f, err := b.Lesson(ctx, recipe); err != nil || f.N != 1 {
			t.Errorf("lesson of %q: %+v, %v", recipe, f, err)
		}
	}
	if f, err := b.Lesson(ctx, "another"); err != nil || f.N != 0 {
		t.Errorf("lesson of another: %+v, %v", f, err)
	}
}

func TestNote(t *testing.T) {
	b := book(t)
	for range 2 {
		e, err := b.Note(ctx, batch, plan.Event{ID: "found-1", Who: "Ines", Found: &plan.Found{HotThrow: 4}})
		if err != nil || e.Kind != plan.EventFound || e.Wall.IsZero() || e.At <= 0 {
			t.Fatalf("%+v, %v", e, err)
		}
	}
	history, err := b.History(ctx, batch)
	if err != nil {
		t.Fatal(err)
	}
	found := 0
	for i, e := range history {
		if e.Kind == plan.EventFound {
			found++
		}
		if i > 0 && e.At < history[i-1].At {
			t.Errorf("%s lies before %s", e.ID, history[i-1].ID)
		}
	}
	if found != 1 {
		t.Errorf("%d findings, want 1: %s", found, fmt.Sprint(history))
	}
	if _, err := b.Note(ctx, batch, plan.Event{ID: "found-2", Found: &plan.Found{HotThrow: 11}}); !errors.Is(err, records.ErrFinding) {
		t.Errorf("a scent of 11: %v", err)
	}
}

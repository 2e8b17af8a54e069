package records_test

import (
	"bytes"
	"context"
	"encoding/json"
	"encoding/xml"
	"errors"
	"example.org/meltstation/alerts/record"
	"example.org/meltstation/alerts/shelf"
	"fmt"
	"html"
	"image"
	"image/jpeg"
	"image/png"
	"io"
	"math"
	"path/filepath"
	"slices"
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
		if f, err := b.Lesson(ctx, recipe, plan.Display{}); err != nil || f.N != 1 {
			t.Errorf("lesson of %q: %+v, %v", recipe, f, err)
		}
	}
	if f, err := b.Lesson(ctx, "another", plan.Display{}); err != nil || f.N != 0 {
		t.Errorf("lesson of another: %+v, %v", f, err)
	}
}

func TestNote(t *testing.T) {
	b := book(t)
	for range 2 {
		e, err := b.Add(ctx, batch, plan.Event{Kind: plan.EventFound, ID: "found-1", Who: "Ines", Found: &plan.Found{HotThrow: 4}})
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
	if _, err := b.Add(ctx, batch, plan.Event{Kind: plan.EventFound, ID: "found-2", Found: &plan.Found{HotThrow: 11}}); !errors.Is(err, records.ErrFinding) {
		t.Errorf("a scent of 11: %v", err)
	}
}

// What was written of a closed batch can be mended, and what it said stays; what
// the batch rests on stays as it is.
func TestClosedBatchIsMended(t *testing.T) {
	b := book(t)
	if _, err := b.Add(ctx, batch, plan.Event{Kind: plan.EventLots, ID: "lots-1", Who: "Ines", Lots: map[string]string{"wicks": "W-7"}}); err != nil {
		t.Fatal(err)
	}
	if err := b.Correct(ctx, batch, "event-poured", plan.Event{Wall: began.Add(1100 * time.Second), First: 59, Last: 56, Counts: map[string]int{"Tin 200": 5}}, "Ines"); err != nil {
		t.Fatal(err)
	}
	r, err := b.Record(ctx, batch)
	if err != nil {
		t.Fatal(err)
	}
	i := slices.IndexFunc(r.Steps, func(s record.Step) bool { return s.Kind == plan.EventPoured })
	if i < 0 || r.Steps[i].Counts["Tin 200"] != 5 || len(r.Steps[i].Before) != 1 || !strings.Contains(r.Steps[i].Before[0].Text, "6 × Tin 200") {
		t.Errorf("steps %+v", r.Steps)
	}
	if !r.Poured.Equal(began.Add(1100 * time.Second)) {
		t.Errorf("poured %v", r.Poured)
	}
	row, err := b.Store.Batch(ctx, batch)
	if err != nil || row.PouredAt != row.StartAt+1100*time.Second {
		t.Errorf("its row has it poured %v after the start, %v", row.PouredAt-row.StartAt, err)
	}
	if found, err := b.Store.Batches(ctx, trace.Query{Lot: "W-7"}); err != nil || len(found) != 1 {
		t.Errorf("by the lot of its wicks: %d batches, %v", len(found), err)
	}
	for name, c := range map[string]struct {
		err  error
		want error
	}{
		"poured taken back":       {b.Withdraw(ctx, batch, "event-poured", "Ines"), records.ErrClosed},
		"start corrected":         {b.Correct(ctx, batch, "event-start", plan.Event{}, "Ines"), records.ErrClosed},
		"nothing there":           {b.Withdraw(ctx, batch, "nothing", "Ines"), records.ErrNoEvent},
		"moved before the start":  {b.Correct(ctx, batch, "event-poured", plan.Event{Wall: began.Add(-time.Hour)}, "Ines"), plan.ErrNoCorrection},
		"lots taken back":         {b.Withdraw(ctx, batch, "lots-1", "Ines"), nil},
		"another batch":           {b.Withdraw(ctx, "none", "lots-1", "Ines"), trace.ErrNoBatch},
		"moved to what is coming": {b.Correct(ctx, batch, "event-poured", plan.Event{Wall: began.Add(40 * time.Hour)}, "Ines"), plan.ErrNoCorrection},
	} {
		if !errors.Is(c.err, c.want) || c.want == nil && c.err != nil {
			t.Errorf("%s: %v, want %v", name, c.err, c.want)
		}
	}
	if found, err := b.Store.Batches(ctx, trace.Query{Lot: "W-7"}); err != nil || len(found) != 0 {
		t.Errorf("by a lot that was taken back: %d batches, %v", len(found), err)
	}
	if err := b.Store.PutBatch(ctx, trace.Batch{ID: "given-up", Started: began, Ended: began.Add(time.Hour)}); err != nil {
		t.Fatal(err)
	}
	if _, err := b.Add(ctx, "given-up", plan.Event{Kind: plan.EventCured, ID: "late-2"}); !errors.Is(err, records.ErrClosed) {
		t.Errorf("cured candles of a batch that was never poured: %v", err)
	}
	if _, err := b.Add(ctx, batch, plan.Event{Kind: plan.EventHeatOff, ID: "late-1"}); !errors.Is(err, records.ErrClosed) {
		t.Errorf("heat off in a closed batch: %v", err)
	}
}

// Where the clock is behind the batch's, each correction is still one of its own,
// and the last one holds.
func TestClosedBatchIsMendedByAClockThatIsBehind(t *testing.T) {
	b := book(t)
	b.Now = func() time.Time { return time.Unix(0, 0) }
	for _, n := range []int{5, 4, 3} {
		if err := b.Correct(ctx, batch, "event-poured", plan.Event{Counts: map[string]int{"Tin 200": n}}, "Ines"); err != nil {
			t.Fatal(err)
		}
		history, err := b.History(ctx, batch)
		if err != nil {
			t.Fatal(err)
		}
		for _, e := range plan.Fold(history) {
			if e.Kind == plan.EventPoured && e.Counts["Tin 200"] != n {
				t.Errorf("corrected to %d, it says %v", n, e.Counts)
			}
		}
	}
}

// photo is a JPEG of noise, with a comment such as a camera's, and bytes after its end.
func photo(t *testing.T, w, h int) []byte {
	t.Helper()
	p := image.NewRGBA(image.Rect(0, 0, w, h))
	for i := range p.Pix {
		p.Pix[i] = byte(i * i >> 3)
	}
	var b bytes.Buffer
	if err := jpeg.Encode(&b, p, nil); err != nil {
		t.Fatal(err)
	}
	comment := []byte{0xff, 0xfe, 0, 16}
	comment = append(comment, "at 54.1N 10.2E"...)
	return slices.Concat(b.Bytes()[:2], comment, b.Bytes()[2:], []byte("<script>alert(1)</script>"))
}

// progressive is a grey JPEG of 16 × 16 pixels in so many scans (ITU-T T.81, annex G).
func progressive(scans int) []byte {
	var b []byte
	segment := func(marker byte, body ...byte) {
		b = append(b, 0xff, marker, 0, byte(len(body)+2))
		b = append(b, body...)
	}
	one := append([]byte{1}, make([]byte, 15)...) // a Huffman table of a single code, one bit long
	b = append(b, 0xff, 0xd8)
	segment(0xdb, append([]byte{0}, bytes.Repeat([]byte{1}, 64)...)...)
	segment(0xc2, 8, 0, 16, 0, 16, 1, 1, 0x11, 0)
	segment(0xc4, slices.Concat([]byte{0x00}, one, []byte{0})...)
	segment(0xc4, slices.Concat([]byte{0x10}, one, []byte{0x20})...) // the end of the next four to seven blocks
	segment(0xda, 1, 1, 0, 0, 0, 0)                                  // the means of the blocks
	b = append(b, 0x0f)
	for range scans - 1 {
		segment(0xda, 1, 1, 0, 1, 63, 0x10) // a bit more of their detail
		b = append(b, 0x1f)
	}
	return append(b, 0xff, 0xd9)
}

func TestPhotos(t *testing.T) {
	b := book(t)
	raw := photo(t, 320, 200)
	name, err := b.AddPhoto(ctx, batch, raw, "Ines")
	if err != nil {
		t.Fatal(err)
	}
	again, err := b.AddPhoto(ctx, batch, raw, "Ines")
	if err != nil || again != name {
		t.Errorf("the same photo twice is %q and %q, %v", name, again, err)
	}
	kept, err := b.Photo(ctx, batch, name)
	if err != nil {
		t.Fatal(err)
	}
	if bytes.Contains(kept, []byte("54.1N")) || bytes.Contains(kept, []byte("script")) {
		t.Error("what was written beside the pixels is kept")
	}
	if size, err := jpeg.DecodeConfig(bytes.NewReader(kept)); err != nil || size.Width != 320 || size.Height != 200 {
		t.Errorf("kept as %+v, %v", size, err)
	}
	var png bytes.Buffer
	if err := pngEncode(&png); err != nil {
		t.Fatal(err)
	}
	if _, err := b.AddPhoto(ctx, batch, progressive(10), "Ines"); err != nil {
		t.Errorf("a progressive one: %v", err)
	}
	for what, data := range map[string][]byte{
		"of thousands of scans": progressive(5000),
		"none":                  nil, "text": []byte("<html>"), "a PNG": png.Bytes(), "half": raw[:len(raw)/2], "too wide": photo(t, records.PhotoSide+1, 8),
		"a claim": append([]byte{0xff, 0xd8, 0xff, 0xe0}, bytes.Repeat([]byte{1}, 500)...), "too large": append(slices.Clone(raw), make([]byte, records.PhotoSent)...),
	} {
		if _, err := b.AddPhoto(ctx, batch, data, "Ines"); !errors.Is(err, records.ErrPhoto) {
			t.Errorf("%s is taken: %v", what, err)
		}
	}
	if _, err := b.AddPhoto(ctx, "none", raw, "Ines"); !errors.Is(err, trace.ErrNoBatch) {
		t.Errorf("of no batch: %v", err)
	}
	for i := range records.PhotosABatch - 1 {
		_, err := b.AddPhoto(ctx, batch, photo(t, 20+i, 20), "Ines")
		if full := i >= records.PhotosABatch-2; full != errors.Is(err, records.ErrPhotosFull) || !full && err != nil {
			t.Errorf("photo %d: %v", i+3, err)
		}
	}
	for _, bad := range []string{"", "../x", "x.jpg", strings.Repeat("0", 32) + ".jpg", name + "/"} {
		if _, err := b.Photo(ctx, batch, bad); !errors.Is(err, records.ErrNoPhoto) {
			t.Errorf("photo %q: %v", bad, err)
		}
	}
	if err := b.HavePhotos(ctx, batch, slices.Repeat([]string{name}, records.PhotosATime+1)); !errors.Is(err, records.ErrPhotosFull) {
		t.Errorf("too many at a time: %v", err)
	}
	if _, err := b.Add(ctx, batch, plan.Event{Kind: plan.EventFound, ID: "found-1", Found: &plan.Found{Finish: []plan.Finish{plan.Frosted}, Photos: []string{name}}}); err != nil {
		t.Fatal(err)
	}
	html := html.UnescapeString(write(t, b, "html"))
	if !strings.Contains(html, "data:image/jpeg;base64,") || !strings.Contains(html, "data:image/svg+xml;base64,") {
		t.Error("the printed record lacks the photo or the curve")
	}
	if !strings.Contains(html, "1 photo") {
		t.Error("the printed record does not say that there is a photo")
	}
}

func pngEncode(b *bytes.Buffer) error { return png.Encode(b, image.NewGray(image.Rect(0, 0, 9, 9))) }

// A pot goes by its name on paper, as long as it has one.
func TestPotByName(t *testing.T) {
	b := book(t)
	b.PotName = func(id string) string { return map[string]string{"pot": "Big jug"}[id] }
	if r, err := b.Record(ctx, batch); err != nil || r.Pot != "Big jug" {
		t.Errorf("pot %q, %v", r.Pot, err)
	}
	b.PotName = func(string) string { return "" }
	if r, err := b.Record(ctx, batch); err != nil || r.Pot != "pot" {
		t.Errorf("a pot that has left the settings: %q, %v", r.Pot, err)
	}
}

// Cured candles stay on the shelf, ready, until somebody says that they are gone;
// that can be taken back, and in the end they go by themselves.
func TestCuredCandlesWaitOnTheShelf(t *testing.T) {
	b := book(t)
	row, err := b.Store.Batch(ctx, batch)
	if err != nil {
		t.Fatal(err)
	}
	cured := began.Add(20 * 24 * time.Hour)
	row.Ended, row.Stage, row.PouredAt = cured, "done", row.StartAt+1195*time.Second
	if err := b.Store.PutBatch(ctx, row); err != nil {
		t.Fatal(err)
	}
	b.Now = func() time.Time { return cured.Add(2 * 24 * time.Hour) }
	shown := func(want int, when string) {
		t.Helper()
		list, err := b.Shelf(ctx)
		if err != nil || len(list) != want {
			t.Errorf("%s: %d on the shelf, %v; want %d", when, len(list), err, want)
		}
		if want == 1 && len(list) == 1 {
			if r := shelf.NewBoard(list, b.Now()).Rows[0]; r.Status != "ready" || r.Share != 1 {
				t.Errorf("%s: %q, %g of the cure over", when, r.Status, r.Share)
			}
		}
	}
	shown(1, "two days after the cure")
	e, err := b.Add(ctx, batch, plan.Event{Kind: plan.EventCured, ID: "away-1", Who: "Ines"})
	if err != nil {
		t.Fatal(err)
	}
	shown(0, "put away")
	if err := b.Withdraw(ctx, batch, e.ID, "Ines"); err != nil {
		t.Fatal(err)
	}
	shown(1, "put back")
	b.Now = func() time.Time { return cured.Add(61 * 24 * time.Hour) }
	shown(0, "two months later")
}

// When every batch is of one recipe, its own limits hold for the next trial, asked
// for by name or not; the words are in the units asked for.
func TestLessonOfTheOnlyRecipe(t *testing.T) {
	b := book(t)
	row, err := b.Store.Batch(ctx, batch)
	if err != nil {
		t.Fatal(err)
	}
	for i := range 8 {
		at := time.Duration(i+1) * 24 * time.Hour
		next := row
		next.ID, next.StartAt, next.Started = fmt.Sprintf("B-%02d", i), row.StartAt+at, began.Add(at)
		finish, first := plan.Smooth, 60.0+float64(i%3)
		if i%2 == 0 {
			finish, first = plan.Frosted, 55+float64(i%3)
		}
		for j, e := range []plan.Event{{Kind: plan.EventStart}, {Kind: plan.EventPoured, First: first, Last: 54},
			{Kind: plan.EventFound, Found: &plan.Found{Finish: []plan.Finish{finish}}}} {
			e.ID, e.At, e.Wall = fmt.Sprintf("%s-%d", next.ID, j), next.StartAt+time.Duration(j)*time.Minute, next.Started
			data, _ := json.Marshal(e)
			if _, err := b.Store.Commit(ctx, trace.Entry{Batch: next.ID, Pot: "pot", At: e.At, Wall: e.Wall, Kind: trace.KindEvent, ID: e.ID, Name: string(e.Kind), Data: data, Celsius: math.NaN(), Raw: math.NaN()}); err != nil {
				t.Fatal(err)
			}
		}
		if err := b.Store.PutBatch(ctx, next); err != nil {
			t.Fatal(err)
		}
	}
	for _, recipe := range []string{"", "Harbour Fog"} {
		f, err := b.Lesson(ctx, recipe, plan.Display{Temperature: "F", Mass: "oz"})
		if err != nil {
			t.Fatal(err)
		}
		if f.Trial.Key != "pour" || !strings.Contains(f.Trial.Text, "°F") || strings.Contains(f.Trial.Text, "°C") {
			t.Errorf("recipe %q: %+v", recipe, f.Trial)
		}
	}
}

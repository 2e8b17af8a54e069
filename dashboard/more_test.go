package dashboard

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"math"
	"net/http"
	"net/http/httptest"
	"path/filepath"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"

	"example.org/meltstation/alerts/plan"
	"example.org/meltstation/alerts/record"
	"example.org/meltstation/alerts/replay"
	"example.org/meltstation/alerts/station"
	"example.org/meltstation/dashboard/pairing"
	"example.org/meltstation/dashboard/recipes"
	"example.org/meltstation/probe"
	"example.org/meltstation/probe/trace"
)

// withTrace gives the server a trace with one poured batch of four readings.
func withTrace(t *testing.T) (*trace.Store, func(*Options)) {
	t.Helper()
	st, err := trace.Open(filepath.Join(t.TempDir(), "trace.db"), trace.Options{})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { st.Close() })
	ctx := context.Background()
	began := time.Date(2026, 11, 24, 9, 0, 0, 0, time.UTC)
	sheet, _ := json.Marshal(plan.Sheet{Name: "Harbour Fog", Jars: 6, Wicks: 6, Timers: plan.DefaultTimers()})
	b := trace.Batch{ID: "26-11-24-A", Pot: "a", Name: "Harbour Fog", Started: began, StartAt: time.Hour, Sheet: sheet, Lots: []string{"RC-7"}, Stage: "setting"}
	if err := st.PutBatch(ctx, b); err != nil {
		t.Fatal(err)
	}
	for i, c := range []float64{80, 79, math.NaN(), 77} {
		q := probe.Good
		if math.IsNaN(c) {
			q = probe.BadCRC
		}
		at := time.Duration(i) * time.Second
		st.Append(trace.Entry{Batch: b.ID, Pot: "a", At: b.StartAt + at, Wall: began.Add(at), Kind: trace.KindReading, Probe: "jug", Role: probe.RolePot, Celsius: c, Raw: c, Quality: q})
	}
	for i, k := range []plan.EventKind{plan.EventStart, plan.EventPoured} {
		e := plan.Event{ID: fmt.Sprint("event-", k), Kind: k, At: b.StartAt + time.Duration(i)*time.Minute, Wall: began.Add(time.Duration(i) * time.Minute)}
		data, _ := json.Marshal(e)
		if _, err := st.Commit(ctx, trace.Entry{Batch: b.ID, Pot: "a", At: e.At, Wall: e.Wall, Kind: trace.KindEvent, ID: e.ID, Name: string(k), Data: data, Celsius: math.NaN(), Raw: math.NaN()}); err != nil {
			t.Fatal(err)
		}
	}
	return st, func(o *Options) {
		o.Batches, o.Documents = st, st
		o.Now = func() time.Time { return began.Add(26 * time.Hour) }
	}
}

// into decodes an answer of status 200.
func into(t *testing.T, g *rig, path string, v any) {
	t.Helper()
	w := g.ask("GET", path, "")
	if w.Code != 200 {
		t.Fatalf("GET %s: %d %s", path, w.Code, w.Body)
	}
	if err := json.Unmarshal(w.Body.Bytes(), v); err != nil {
		t.Fatalf("GET %s: %v in %s", path, err, w.Body)
	}
}

func TestBatchesAndTheirCurves(t *testing.T) {
	_, opt := withTrace(t)
	g := newRig(t, opt)
	var list struct {
		Batches []struct {
			ID, Name string
			Lots     []string
			Started  time.Time
		}
		Next string
	}
	into(t, g, "/api/v1/batches?lot=rc-7", &list)
	if len(list.Batches) != 1 || list.Batches[0].ID != "26-11-24-A" || list.Next != "" {
		t.Errorf("batches %+v", list)
	}
	into(t, g, "/api/v1/batches?text=nothing-like-it", &list)
	if len(list.Batches) != 0 || strings.Contains(g.ask("GET", "/api/v1/batches?text=zzz", "").Body.String(), "null") {
		t.Errorf("a search for nothing found %+v", list)
	}

	var c struct {
		Pot, Batch string
		Start      time.Time
		Series     []struct {
			Probe, Role string
			T           []float64
			C           []*float64
		}
		Events []plan.Event
	}
	into(t, g, "/api/v1/batches/26-11-24-A/curve", &c)
	if len(c.Series) != 1 || len(c.Events) != 2 || c.Pot != "a" {
		t.Fatalf("curve %+v", c)
	}
	s := c.Series[0]
	if want := []float64{0, 1, 2, 3}; fmt.Sprint(s.T) != fmt.Sprint(want) {
		t.Errorf("t = %v, want %v", s.T, want)
	}
	if len(s.C) != 4 || *s.C[0] != 80 || s.C[2] != nil || *s.C[3] != 77 {
		t.Errorf("c = %v, want 80, 79, null, 77", s.C)
	}
	wantProblem(t, g.ask("GET", "/api/v1/batches/none/curve", ""), 404, "not-found")
	wantProblem(t, g.ask("GET", "/api/v1/batches/26-11-24-A/curve?points=1e9", ""), 422, "invalid")
	wantProblem(t, g.ask("GET", "/api/v1/batches?limit=-1", ""), 422, "invalid")
	wantProblem(t, newRig(t).ask("GET", "/api/v1/batches/none", ""), 503, "unavailable")
}

func TestBatchesPageByPage(t *testing.T) {
	st, opt := withTrace(t)
	for i := range 5 {
		b := trace.Batch{ID: fmt.Sprintf("26-11-25-%c", 'A'+i), Pot: "a", Started: time.Date(2026, 11, 25, 8+i, 0, 0, 0, time.UTC)}
		if err := st.PutBatch(context.Background(), b); err != nil {
			t.Fatal(err)
		}
	}
	g := newRig(t, opt)
	var got []string
	path := "/api/v1/batches?limit=2"
	for range 10 {
		var list struct {
			Batches []struct{ ID string }
			Next    string
		}
		into(t, g, path, &list)
		for _, b := range list.Batches {
			got = append(got, b.ID)
		}
		if list.Next == "" {
			break
		}
		path = "/api/v1/batches?limit=2&before=" + list.Next
	}
	if want := "[26-11-25-E 26-11-25-D 26-11-25-C 26-11-25-B 26-11-25-A 26-11-24-A]"; fmt.Sprint(got) != want {
		t.Errorf("pages gave %v, want %v", got, want)
	}
}

func TestShelf(t *testing.T) {
	_, opt := withTrace(t)
	g := newRig(t, opt)
	var board struct {
		Rows []struct {
			Code, Status string
			Jars         int
		}
	}
	into(t, g, "/api/v1/shelf", &board)
	if len(board.Rows) != 1 || board.Rows[0].Code != "26-11-24-A" || board.Rows[0].Jars != 6 {
		t.Errorf("shelf %+v", board)
	}
	w := g.ask("GET", "/api/v1/shelf.ics", "")
	if !strings.HasPrefix(w.Body.String(), "BEGIN:VCALENDAR\r\n") || !strings.HasPrefix(w.Header().Get("Content-Type"), "text/calendar") {
		t.Errorf("calendar: %v %s", w.Header(), w.Body)
	}
}

func TestRecordFiles(t *testing.T) {
	_, opt := withTrace(t)
	g := newRig(t, opt)
	var rec record.Record
	into(t, g, "/api/v1/batches/26-11-24-A", &rec)
	if rec.Code != "26-11-24-A" || rec.Summary.Peak == nil || *rec.Summary.Peak != 80 || rec.Summary.Readings != 4 {
		t.Errorf("record %+v", rec)
	}
	wantProblem(t, g.ask("GET", "/api/v1/batches/none", ""), 404, "not-found")
	w := g.ask("GET", "/api/v1/batches/26-11-24-A/record.html", "")
	csp := w.Header().Get("Content-Security-Policy")
	if w.Code != 200 || !strings.Contains(csp, "default-src 'none'") || strings.Contains(csp, "script-src") || strings.Contains(csp, "unsafe") {
		t.Errorf("%d; a record's policy is %q, want no script", w.Code, csp)
	}
	w = g.ask("GET", "/api/v1/batches/26-11-24-A/record.csv", "")
	if got := w.Header().Get("Content-Disposition"); got != `attachment; filename=26-11-24-A.csv` {
		t.Errorf("Content-Disposition %q", got)
	}
	// What was exported can be read back.
	back, err := replay.NewReader("export.csv", w.Body, nil)
	if err != nil {
		t.Fatal(err)
	}
	var got []string
	for {
		row, err := back.Next()
		if errors.Is(err, io.EOF) {
			break
		}
		if err != nil {
			t.Fatal(err)
		}
		got = append(got, fmt.Sprintf("%g %s %s", row.Celsius, row.Quality, row.Event))
	}
	if want := "[80 good  79 good  NaN crc  77 good  NaN  start NaN  poured]"; fmt.Sprint(got) != want {
		t.Errorf("read back %v, want %v", got, want)
	}
	wantProblem(t, g.ask("GET", "/api/v1/batches/26-11-24-A/record.exe", ""), 404, "not-found")
	if w := g.ask("GET", "/api/v1/batches/26-11-24-A/labels.html?n=6", ""); w.Code != 200 || strings.Count(w.Body.String(), "26-11-24-A") < 6 {
		t.Errorf("labels: %d %s", w.Code, w.Body)
	}
	if w := g.ask("GET", "/api/v1/batches/26-11-24-A/record.ics", ""); w.Code != 200 || !strings.Contains(w.Body.String(), "26-11-24-A") {
		t.Errorf("ics: %d %s", w.Code, w.Body)
	}
	if w := g.ask("GET", "/api/v1/lesson", ""); w.Code != 200 {
		t.Errorf("lesson: %d %s", w.Code, w.Body)
	}
}

// A policy that names a directive twice is not what it seems: browsers heed the
// first alone.
func TestPoliciesNameEachDirectiveOnce(t *testing.T) {
	_, opt := withTrace(t)
	g := newRig(t, opt)
	for _, path := range []string{"/", "/api/v1/batches", "/api/v1/batches/26-11-24-A/record.html", "/api/v1/batches/26-11-24-A/record.svg", "/api/v1/batches/26-11-24-A/labels.html"} {
		w := g.ask("GET", path, "")
		seen := map[string]bool{}
		for d := range strings.SplitSeq(w.Header().Get("Content-Security-Policy"), ";") {
			name, _, _ := strings.Cut(strings.TrimSpace(d), " ")
			if seen[name] || name == "" {
				t.Errorf("%s: %q in %s", path, name, w.Header().Get("Content-Security-Policy"))
			}
			seen[name] = true
		}
		for _, need := range []string{"default-src", "base-uri", "form-action", "frame-ancestors"} {
			if !seen[need] {
				t.Errorf("%s: no %s", path, need)
			}
		}
	}
}

func TestFindingsOfAClosedBatch(t *testing.T) {
	_, opt := withTrace(t)
	g := newRig(t, opt)
	g.station.fail = station.ErrNoBatch // neither in the pot nor on the shelf
	body := `{"id":"found-00001","found":{"finish":["smooth"],"cold_throw":4},"text":"One tin a little low."}`
	for range 2 { // the same twice is once
		if w := g.ask("PUT", "/api/v1/batches/26-11-24-A/notes", body); w.Code != 200 {
			t.Fatal(w.Code, w.Body)
		}
	}
	var rec record.Record
	into(t, g, "/api/v1/batches/26-11-24-A", &rec)
	if len(rec.Findings) != 1 || rec.Findings[0].ColdThrow != 4 {
		t.Errorf("findings %+v", rec.Findings)
	}
	wantProblem(t, g.ask("PUT", "/api/v1/batches/26-11-24-A/notes", `{"id":"found-00002","found":{"cold_throw":9}}`), 422, "invalid")
	wantProblem(t, g.ask("PUT", "/api/v1/batches/26-11-24-A/notes", `{"id":"found-00003"}`), 422, "invalid")
	wantProblem(t, g.ask("PUT", "/api/v1/batches/none/notes", body), 404, "not-found")
}

const form = `{"name":"Harbour Fog","temperature":"C","mass":"g","scale":"1 g",
 "wax":[{"name":"rapeseed-coconut","share":100,"density":"0.9 g/ml"}],
 "fragrance":{"load":8,"basis":"of wax","oil":[{"name":"sea fog","share":100,"flash":"96 C","method":"closed cup"}]},
 "container":[{"name":"Tin 200","wax":"150 g","wicks":1}],
 "temperatures":{"scent_add":"75 C","pour_high":"62 C","pour":"58 C","pour_low":"54 C"}}`

func TestRecipesAndSheets(t *testing.T) {
	dir, err := recipes.Open(filepath.Join(t.TempDir(), "recipes"))
	if err != nil {
		t.Fatal(err)
	}
	g := newRig(t, func(o *Options) { o.Recipes = dir })
	if w := g.ask("PUT", "/api/v1/recipes/harbour-fog", form); w.Code != 204 {
		t.Fatal(w.Code, w.Body)
	}
	var list struct {
		Recipes []struct {
			Key, Name string
			Plan      plan.Recipe
		}
		Faults []string
	}
	into(t, g, "/api/v1/recipes", &list)
	if len(list.Recipes) != 1 || list.Recipes[0].Name != "Harbour Fog" || list.Recipes[0].Plan.Thresholds.ScentAdd != 75 {
		t.Errorf("recipes %+v", list)
	}
	for _, body := range []string{
		`{"recipe":"harbour-fog","counts":[{"container":"Tin 200","n":6}]}`,
		`{"recipe":` + form + `,"counts":[{"container":"Tin 200","n":6}],"options":{}}`,
	} {
		w := g.ask("POST", "/api/v1/sheet", body)
		var got struct {
			Sheet plan.Sheet
			Text  string
		}
		if err := json.Unmarshal(w.Body.Bytes(), &got); err != nil || w.Code != 200 {
			t.Fatalf("%d %v %s", w.Code, err, w.Body)
		}
		// 6 tins of 150 g, and 8 % of that (common practice: the load is of the wax).
		if got.Sheet.WaxGrams() != 900 || got.Sheet.FragranceGrams() != 72 || !strings.Contains(strings.ToLower(got.Text), "harbour fog") {
			t.Errorf("sheet of %g g wax and %g g fragrance, want 900 and 72", got.Sheet.WaxGrams(), got.Sheet.FragranceGrams())
		}
	}
	w := g.ask("PUT", "/api/v1/recipes/second", strings.Replace(form, `"75 C"`, `"75 bananas"`, 1))
	wantProblem(t, w, 422, "invalid")
	if !strings.Contains(w.Body.String(), `"field":"temperatures.scent_add"`) {
		t.Errorf("the answer does not name the field: %s", w.Body)
	}
	wantProblem(t, g.ask("PUT", "/api/v1/recipes/second", form), 422, "invalid") // the same name
	for _, key := range []string{"..", "..%2Fx", "Harbour", "x.toml", "-x"} {
		if w := g.ask("PUT", "/api/v1/recipes/"+key, strings.Replace(form, "Harbour Fog", "X", 1)); w.Code < 300 {
			t.Errorf("PUT %s: %d", key, w.Code)
		}
	}
	wantProblem(t, g.ask("GET", "/api/v1/recipes/none", ""), 404, "not-found")
	wantProblem(t, g.ask("POST", "/api/v1/sheet", `{"recipe":"harbour-fog","counts":[{"container":"Tin 200","n":-6}]}`), 422, "invalid")
	wantProblem(t, g.ask("POST", "/api/v1/sheet", `{"recipe":"harbour-fog","counts":[{"container":"Tin 200","n":999999999}]}`), 422, "invalid")
	wantProblem(t, g.ask("POST", "/api/v1/sheet", `{}`), 422, "invalid")
	if w := g.ask("DELETE", "/api/v1/recipes/harbour-fog", ""); w.Code != 204 {
		t.Error(w.Code, w.Body)
	}
	wantProblem(t, g.ask("DELETE", "/api/v1/recipes/harbour-fog", ""), 404, "not-found")
}

func TestPreferencesOfEachDevice(t *testing.T) {
	_, opt := withTrace(t)
	g := newRig(t, opt)
	if got := strings.TrimSpace(g.ask("GET", "/api/v1/preferences", "").Body.String()); got != `{"units":"C","mass":"g","clock":"24","theme":"auto","sound":true,"language":"en"}` {
		t.Errorf("at first: %s", got)
	}
	token, _ := g.pair(pairing.Viewer)
	phone := header("Authorization", "Bearer "+token)
	mine := `{"units":"F","mass":"oz","clock":"12","theme":"dark","sound":false,"language":"en"}`
	if w := g.ask("PUT", "/api/v1/preferences", mine, fromNetwork, phone); w.Code != 204 {
		t.Fatal(w.Code, w.Body)
	}
	if got := strings.TrimSpace(g.ask("GET", "/api/v1/preferences", "", fromNetwork, phone).Body.String()); got != mine {
		t.Errorf("the phone's: %s", got)
	}
	if got := g.ask("GET", "/api/v1/preferences", "").Body.String(); !strings.Contains(got, `"units":"C"`) {
		t.Errorf("this machine's: %s", got)
	}
	wantProblem(t, g.ask("PUT", "/api/v1/preferences", strings.Replace(mine, `"F"`, `"K"`, 1)), 422, "invalid")
}

func TestProbesAndChannels(t *testing.T) {
	at := time.Date(2026, 11, 25, 9, 0, 0, 0, time.UTC)
	g := newRig(t, func(o *Options) {
		o.Now = func() time.Time { return at.Add(2 * time.Second) }
		o.Probes = func() []probe.Status {
			return []probe.Status{{ID: "jug", Kind: "w1", Role: probe.RolePot, Attached: true,
				Last:   probe.Reading{Probe: "jug", At: at, Celsius: math.NaN(), Quality: probe.BadCRC},
				Errors: map[probe.Quality]int{probe.BadCRC: 3}, RateHz: math.NaN(), Mend: "Look at the plug."}}
		}
	})
	var got struct {
		Probes []struct {
			ID         string
			Last, Good *station.ReadingView
			Errors     map[string]int
			Mend       string
		}
	}
	into(t, g, "/api/v1/probes", &got)
	if p := got.Probes[0]; p.Last == nil || p.Last.Age != 2 || p.Last.Celsius != nil || p.Good != nil || p.Errors["crc"] != 3 {
		t.Errorf("probes %+v", got)
	}
	for i := range 3 {
		w := g.ask("POST", "/api/v1/channels/test", "")
		if i < 2 && w.Code != 200 || i == 2 && w.Code != 429 {
			t.Errorf("test %d: %d %s", i, w.Code, w.Body)
		}
	}
	if w := g.ask("GET", "/api/v1/channels", ""); strings.TrimSpace(w.Body.String()) != `{"channels":[]}` {
		t.Errorf("channels %s", w.Body)
	}
}

func TestPush(t *testing.T) {
	docs := &memoryDocs{}
	book := NewPushBook(docs)
	g := newRig(t, func(o *Options) { o.Documents, o.Push, o.PushKey = docs, book, "BKey" })
	// The keys of the example in RFC 8291, section 5.
	const keys = `"keys":{"p256dh":"BCVxsr7N_eNgVRqvHtD0zTZsEc6-VV-JvLexhqUzORcxaOzi6-AYWXvTBHm4bjyPjs7Vd8pZGH6SRpkNtoIAiw4","auth":"BTBZMqHH6r4Tts7J_aSIgg"}`
	token, id := g.pair(pairing.Maker)
	phone := header("Authorization", "Bearer "+token)
	sub := func(endpoint string) string {
		return `{"endpoint":"` + endpoint + `","expirationTime":null,` + keys + `}`
	}
	if w := g.ask("POST", "/api/v1/push/subscription", sub("https://push.example.net/v1/abc"), fromNetwork, phone); w.Code != 204 {
		t.Fatal(w.Code, w.Body)
	}
	if subs, err := book.Subscriptions(); err != nil || len(subs) != 1 || subs[0].Endpoint != "https://push.example.net/v1/abc" {
		t.Errorf("subscriptions %v, %v", subs, err)
	}
	for _, bad := range []string{
		"http://push.example.net/x", "https://127.0.0.1/x", "https://[::1]/x", "https://192.168.0.1/x", "https://router.local/x",
		"https://localhost/x", "https://user:pw@push.example.net/x", "https://0x7f000001/x", "https://2130706433/x", "https://127.1/x", "javascript:x", "",
	} {
		wantProblem(t, g.ask("POST", "/api/v1/push/subscription", sub(bad)), 422, "invalid")
	}
	// Who is removed is not called any more.
	if w := g.ask("DELETE", "/api/v1/devices/"+id, ""); w.Code != 204 {
		t.Fatal(w.Code)
	}
	if subs, _ := book.Subscriptions(); len(subs) != 0 {
		t.Errorf("after its removal the device is still called at %v", subs)
	}
	wantProblem(t, newRig(t).ask("GET", "/api/v1/push/key", ""), 404, "not-found")
}

func TestReadyz(t *testing.T) {
	bad := errors.New("the disk is full")
	var fail error
	g := newRig(t, func(o *Options) {
		o.Ready = []ReadyCheck{{"trace", func(context.Context) error { return fail }}}
	})
	if w := g.ask("GET", "/readyz", ""); w.Code != 200 || !strings.Contains(w.Body.String(), `"ready"`) {
		t.Error(w.Code, w.Body)
	}
	fail = bad
	if w := g.ask("GET", "/readyz", ""); w.Code != 503 || !strings.Contains(w.Body.String(), bad.Error()) {
		t.Error(w.Code, w.Body)
	}
	if w := g.ask("GET", "/readyz", "", fromNetwork); w.Code != 503 || strings.Contains(w.Body.String(), bad.Error()) {
		t.Error("for a stranger:", w.Code, w.Body)
	}
}

func TestRecentCurveWithoutABatch(t *testing.T) {
	g := newRig(t)
	until(t, "the hub", func() bool { return g.station.subscribers() == 1 })
	at := g.station.now()
	for i := range 10 {
		c := 60 - float64(i)
		r := &station.ReadingView{Probe: "jug", Role: "pot", At: at.Add(time.Duration(i) * 2 * time.Second), Celsius: &c, Quality: "good"}
		if i == 5 {
			r.Quality = "crc"
		}
		g.station.publish(station.Update{PotID: "a", Reading: r})
		g.station.publish(station.Update{Type: "room", Reading: &station.ReadingView{Probe: "room", Role: "room", At: r.At, Celsius: &c, Quality: "good"}})
	}
	var c curveView
	until(t, "the readings", func() bool {
		into(t, g, "/api/v1/pots/a/curve", &c)
		return len(c.Series) == 2 && len(c.Series[0].T) == 10 && len(c.Series[1].T) == 10
	})
	s := c.Series[0]
	if s.Role != "pot" || s.T[9] != 18 || *s.C[9] != 51 || s.C[5] != nil || c.Start != at {
		t.Errorf("curve from %v: %+v", c.Start, s)
	}
	wantProblem(t, g.ask("GET", "/api/v1/pots/nowhere/curve", ""), 404, "not-found")
}

func TestRecentIsBounded(t *testing.T) {
	var h recent
	at := time.Date(2026, 11, 25, 9, 0, 0, 0, time.UTC)
	for i := range 100_000 { // more than a day at 1 Hz
		c := float64(i % 50)
		h.add("a", station.ReadingView{Probe: "jug", At: at.Add(time.Duration(i) * time.Second), Celsius: &c, Quality: "good"})
	}
	list := h.probes[probeKey{"a", "jug"}]
	if most := int(recentSpan/recentStep) + 300; len(list) > most {
		t.Errorf("%d readings are kept, want at most %d", len(list), most)
	}
	if v := h.curve("a", 100); len(v.Series[0].T) > 102 {
		t.Errorf("%d points, want about 100", len(v.Series[0].T))
	}
	h.add("a", station.ReadingView{Probe: "jug", At: at.Add(-10 * 365 * 24 * time.Hour), Quality: "good"})
	if n := len(h.probes[probeKey{"a", "jug"}]); n != 1 {
		t.Errorf("after the clock went back ten years %d readings are kept, want 1", n)
	}
}

// A batch is told of and mended by its code wherever it is; one that its pot and
// the shelf have let go of is written to directly.
func TestBatchByItsCode(t *testing.T) {
	st, err := trace.Open(filepath.Join(t.TempDir(), "trace.db"), trace.Options{})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { st.Close() })
	began := time.Date(2026, 11, 24, 9, 0, 0, 0, time.UTC)
	for id, pot := range map[string]string{"26-11-24-A": "a", "26-11-24-B": "gone", "26-11-24-0": "a"} {
		if err := st.PutBatch(t.Context(), trace.Batch{ID: id, Pot: pot, Name: "Harbour Fog", Started: began, Ended: began.Add(time.Hour)}); err != nil {
			t.Fatal(err)
		}
	}
	for id, batch := range map[string]string{"e0": "26-11-24-0", "e1": "26-11-24-A"} {
		e, err := json.Marshal(plan.Event{ID: id, Kind: plan.EventLeftOver, Wall: began})
		if err != nil {
			t.Fatal(err)
		}
		if _, err := st.Commit(t.Context(), trace.Entry{Batch: batch, Pot: "a", Wall: began, Kind: trace.KindEvent, ID: id, Data: e, Celsius: math.NaN(), Raw: math.NaN()}); err != nil {
			t.Fatal(err)
		}
	}
	g := newRig(t, func(o *Options) { o.Batches = st })
	body := `{"id":"left-00001","kind":"left-over","grams":30}`
	if w := g.ask("POST", "/api/v1/batches/26-11-24-A/taps", body); w.Code != 200 || !slices.ContainsFunc(g.station.done(), func(s string) bool { return strings.HasPrefix(s, "tap left-over") }) {
		t.Errorf("in its pot: %d %s; %q", w.Code, w.Body, g.station.done())
	}
	if w := g.ask("POST", "/api/v1/batches/26-11-24-A/events/e1/correct", `{"grams":31}`); w.Code != 204 || len(g.station.done()) != 2 {
		t.Errorf("in its pot: %d %s; %q", w.Code, w.Body, g.station.done())
	}
	const closed = "/api/v1/batches/26-11-24-B"
	wantProblem(t, g.ask("POST", "/api/v1/batches/26-11-24-0/events/e1/withdraw", ""), 404, "no-event") // that of the next batch in its pot
	if n := len(g.station.done()); n != 2 {
		t.Errorf("the other batch's event was touched: %q", g.station.done())
	}
	if w := g.ask("POST", closed+"/taps", body); w.Code != 200 {
		t.Fatalf("closed: %d %s", w.Code, w.Body)
	}
	if w := g.ask("POST", closed+"/events/left-00001/correct", `{"kind":"left-over","grams":31}`); w.Code != 204 {
		t.Errorf("closed: %d %s", w.Code, w.Body)
	}
	if w := g.ask("GET", closed, ""); !strings.Contains(w.Body.String(), `"grams":31`) || !strings.Contains(w.Body.String(), `"before":[{"text":"30.0 g"`) {
		t.Errorf("closed: %s", w.Body)
	}
	wantProblem(t, g.ask("POST", closed+"/taps", `{"id":"heat-00001","kind":"heat-off"}`), 409, "not-now")
	wantProblem(t, g.ask("POST", closed+"/events/none/withdraw", ""), 404, "no-event")
	wantProblem(t, g.ask("POST", "/api/v1/batches/none/taps", body), 404, "not-found")
	w := g.ask("POST", closed+"/taps", `{"id":"none-00001"}`)
	if wantProblem(t, w, 422, "invalid"); !strings.Contains(w.Body.String(), "kind") {
		t.Errorf("a tap of no kind: %s", w.Body)
	}

	w = g.ask("POST", closed+"/photos", picture(64, 48))
	var kept struct{ Name string }
	if err := json.Unmarshal(w.Body.Bytes(), &kept); err != nil || w.Code != 201 || kept.Name == "" {
		t.Fatalf("photo: %d %s", w.Code, w.Body)
	}
	w = g.ask("GET", closed+"/photos/"+kept.Name, "")
	h := w.Header()
	if w.Code != 200 || h.Get("Content-Type") != "image/jpeg" || h.Get("X-Content-Type-Options") != "nosniff" || !strings.Contains(h.Get("Content-Security-Policy"), "sandbox") {
		t.Errorf("photo: %d with %v", w.Code, h)
	}
	if w := g.ask("GET", closed+"/photos/"+kept.Name, "", fromNetwork); w.Code != 401 {
		t.Errorf("a stranger gets the photo: %d", w.Code)
	}
	wantProblem(t, g.ask("GET", "/api/v1/batches/26-11-24-A/photos/"+kept.Name, ""), 404, "not-found")
	wantProblem(t, g.ask("POST", closed+"/photos", "<html>"), 422, "invalid")
	wantProblem(t, g.ask("POST", closed+"/photos", strings.Repeat("x", 2<<20)), 413, "too-large")
	wantProblem(t, g.ask("POST", closed+"/photos", picture(9, 9), header("Content-Type", "image/png")), 415, "bad-type")
	for _, w := range []*httptest.ResponseRecorder{
		g.ask("POST", closed+"/photos", strings.Repeat("x", 2<<20)),
		g.ask("POST", closed+"/photos", "{}", header("Content-Type", "application/json")),
	} {
		if s := w.Body.String(); strings.Contains(s, "text") || strings.Contains(s, "Send JSON") {
			t.Errorf("of a photo it is said: %s", s)
		}
	}
	note := `{"id":"found-00001","found":{"finish":["frosted"],"photos":["` + kept.Name + `"]}}`
	if w := g.ask("PUT", closed+"/notes", note); w.Code != 200 {
		t.Errorf("notes with a photo: %d %s", w.Code, w.Body)
	}
	wantProblem(t, g.ask("PUT", "/api/v1/batches/26-11-24-A/notes", note), 404, "not-found") // it is not that batch's
}

// A photo that trickles in from a phone far away holds up no record.
func TestSlowPhotosHoldNobodyUp(t *testing.T) {
	_, opt := withTrace(t)
	g := newRig(t, opt)
	var sent sync.WaitGroup
	var ends []*io.PipeWriter
	for range cap(g.slots) {
		body, end := io.Pipe()
		ends = append(ends, end)
		sent.Go(func() {
			w := g.ask("POST", "/api/v1/batches/26-11-24-A/photos", "x", func(r *http.Request) { r.Body, r.ContentLength = body, -1 })
			wantProblem(t, w, 422, "invalid")
		})
		end.Write([]byte{0xff, 0xd8}) // returns when it has been read
	}
	ctx, cancel := context.WithTimeout(t.Context(), 10*time.Second)
	defer cancel()
	if w := g.ask("GET", "/api/v1/batches/26-11-24-A/record.svg", "", func(r *http.Request) { *r = *r.WithContext(ctx) }); w.Code != 200 {
		t.Errorf("a record beside slow photos: %d %s", w.Code, w.Body)
	}
	for _, e := range ends {
		e.Close()
	}
	sent.Wait()
}

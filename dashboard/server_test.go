package dashboard

import (
	"bytes"
	"compress/gzip"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"net/http"
	"net/http/httptest"
	"strings"
	"testing"
	"testing/fstest"

	"go.uber.org/goleak"

	"example.org/meltstation/alerts"
	"example.org/meltstation/alerts/plan"
	"example.org/meltstation/alerts/station"
	"example.org/meltstation/dashboard/pairing"
)

func TestMain(m *testing.M) { goleak.VerifyTestMain(m) }

var testPage = fstest.MapFS{
	"index.html":       {Data: []byte("<!doctype html><title>station</title>")},
	"pair.html":        {Data: []byte("<!doctype html><title>pair</title>")},
	"pair.css":         {Data: []byte("body{}")},
	"app.js":           {Data: []byte(strings.Repeat("export const a = 1;\n", 200))},
	"icons/a.svg":      {Data: []byte("<svg/>")},
	"secret/notes.txt": {Data: []byte("not for strangers")},
}

// rig is a server under test, with its station.
type rig struct {
	*Server
	station *fakeStation
	t       testing.TB
}

func newRig(t testing.TB, change ...func(*Options)) *rig {
	t.Helper()
	f := newFake()
	o := Options{Station: f, Page: testPage}
	for _, c := range change {
		c(&o)
	}
	s, err := New(o)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(s.Close)
	return &rig{s, f, t}
}

// ask sends one request, as this machine unless change says otherwise.
func (g *rig) ask(method, path, body string, change ...func(*http.Request)) *httptest.ResponseRecorder {
	g.t.Helper()
	r := httptest.NewRequest(method, path, strings.NewReader(body))
	r.Host, r.RemoteAddr = "localhost:8080", "127.0.0.1:4000"
	if body != "" {
		r.Header.Set("Content-Type", bodyType(path))
	}
	for _, c := range change {
		c(r)
	}
	w := httptest.NewRecorder()
	g.Handler().ServeHTTP(w, r)
	return w
}

// bodyType is what a route takes.
func bodyType(path string) string {
	if strings.HasSuffix(path, "/photos") {
		return "image/jpeg"
	}
	return "application/json"
}

// fromNetwork makes a request come from another machine.
func fromNetwork(r *http.Request) { r.Host, r.RemoteAddr = "192.0.2.1:8080", "192.0.2.77:5000" }

func header(k, v string) func(*http.Request) {
	return func(r *http.Request) { r.Header.Set(k, v) }
}

// wantProblem checks that an answer is a problem as RFC 9457 has it.
func wantProblem(t *testing.T, w *httptest.ResponseRecorder, status int, code string) {
	t.Helper()
	if w.Code != status {
		t.Errorf("status %d, want %d: %s", w.Code, status, w.Body)
		return
	}
	if got := w.Header().Get("Content-Type"); got != "application/problem+json" {
		t.Errorf("Content-Type %q, want application/problem+json (RFC 9457, section 3)", got)
	}
	var p struct {
		Type, Title, Detail, Mend, Code string
		Status                          int
	}
	if err := json.Unmarshal(w.Body.Bytes(), &p); err != nil {
		t.Errorf("problem: %v in %s", err, w.Body)
	}
	if p.Code != code || p.Status != status || p.Title == "" || p.Detail == "" || p.Mend == "" || !strings.HasSuffix(p.Type, "/"+code) {
		t.Errorf("problem %+v, want code %q, status %d, a title, a detail, a mend", p, code, status)
	}
}

func TestEveryTapReachesTheStation(t *testing.T) {
	for _, c := range []struct {
		path, body string
		status     int
		did        string
	}{
		{"start", `{"id":"start-0001","sheet":{"name":"Harbour Fog"}}`, 201, "start Harbour Fog by the station’s own screen"},
		{"taps", `{"id":"tap-000001","kind":"scent-added","stamp":7,"grams":60}`, 200, "tap scent-added by the station’s own screen"},
		{"events/e1/withdraw", ``, 204, "withdraw e1 by the station’s own screen"},
		{"events/e1/confirm", ``, 204, "confirm e1 true by the station’s own screen"},
		{"events/e1/deny", ``, 204, "confirm e1 false by the station’s own screen"},
		{"events/e1/correct", `{"kind":"scent-added","grams":58}`, 204, "correct e1 to 58 g by the station’s own screen"},
		{"notices/flash-margin/acknowledge", ``, 204, "acknowledge flash-margin by the station’s own screen"},
		{"notices/flash-margin/shelve", `{"seconds":600}`, 204, "shelve flash-margin 10m0s by the station’s own screen"},
		{"notices/flash-margin/unshelve", ``, 204, "unshelve flash-margin by the station’s own screen"},
		{"notices/flash-margin/reset", ``, 204, "reset flash-margin by the station’s own screen"},
		{"notices/flash-margin/remove", `{"reason":"probe at the workshop"}`, 204, "remove flash-margin (probe at the workshop) by the station’s own screen"},
		{"notices/flash-margin/restore", ``, 204, "restore flash-margin by the station’s own screen"},
	} {
		t.Run(c.path, func(t *testing.T) {
			g := newRig(t)
			w := g.ask("POST", "/api/v1/pots/a/"+c.path, c.body)
			if w.Code != c.status {
				t.Fatalf("status %d, want %d: %s", w.Code, c.status, w.Body)
			}
			if did := g.station.done(); len(did) != 1 || did[0] != c.did {
				t.Errorf("the station was asked %q, want %q", did, c.did)
			}
			wantProblem(t, g.ask("POST", "/api/v1/pots/nowhere/"+c.path, c.body), 404, "not-found")
		})
	}
}

func TestSameTapTwiceIsOne(t *testing.T) {
	g := newRig(t)
	body := `{"id":"tap-000001","kind":"scent-added","stamp":7}`
	first := g.ask("POST", "/api/v1/pots/a/taps", body)
	again := g.ask("POST", "/api/v1/pots/a/taps", body)
	if first.Code != 200 || again.Code != 200 || first.Body.String() != again.Body.String() {
		t.Errorf("answers %d %s and %d %s, want the same twice", first.Code, first.Body, again.Code, again.Body)
	}
	if n := len(g.station.done()); n != 1 {
		t.Errorf("the station noted %d taps, want 1", n)
	}
}

func TestStaleTapShowsThePotAsItIs(t *testing.T) {
	g := newRig(t)
	w := g.ask("POST", "/api/v1/pots/a/taps", `{"id":"tap-000001","kind":"scent-added","stamp":6}`)
	wantProblem(t, w, 409, "stale")
	var p struct{ Pot *station.PotView }
	if err := json.Unmarshal(w.Body.Bytes(), &p); err != nil || p.Pot == nil || p.Pot.Stamp != 7 {
		t.Errorf("the answer does not carry the pot with stamp 7: %s", w.Body)
	}
}

func TestStationErrors(t *testing.T) {
	for _, c := range []struct {
		err    error
		status int
		code   string
	}{
		{station.ErrBusy, 409, "busy"},
		{station.ErrNotNow, 409, "not-now"},
		{station.ErrNoBatch, 409, "no-batch"},
		{station.ErrNoEvent, 404, "no-event"},
		{station.ErrInvalid, 422, "invalid"},
		{alerts.ErrUnknownKey, 404, "not-found"},
		{alerts.ErrMayNotShelf, 409, "not-now"},
		{io.ErrShortWrite, 503, "unsaved"}, // all these note first and write then,
	} {
		g := newRig(t)
		g.station.fail = c.err
		wantProblem(t, g.ask("POST", "/api/v1/pots/a/events/e1/withdraw", ""), c.status, c.code)
	}
}

// diskFull notes a tap and can't write it.
type diskFull struct{ *fakeStation }

func (d diskFull) Tap(ctx context.Context, pot string, t station.Tap) (plan.Event, error) {
	e, _ := d.fakeStation.Tap(ctx, pot, t)
	return e, fmt.Errorf("noted, but not on disk yet: %w", io.ErrShortWrite)
}

func TestOnlyWhatIsOnDiskIsAcknowledged(t *testing.T) {
	g := newRig(t, func(o *Options) { o.Station = diskFull{newFake()} })
	wantProblem(t, g.ask("POST", "/api/v1/pots/a/taps", `{"id":"tap-000001","kind":"heat-off"}`), 503, "unsaved")
	wantProblem(t, g.ask("POST", "/api/v1/pots/a/notices/flash-margin/acknowledge", ""), 503, "unsaved")
}

func (d diskFull) Acknowledge(ctx context.Context, pot, key, who string) error {
	return errors.New("noted, but not on disk yet: the disk is full")
}

func TestHostileBodies(t *testing.T) {
	g := newRig(t)
	deep := strings.Repeat(`{"id":`, 40) + "1" + strings.Repeat("}", 40)
	for _, c := range []struct {
		name, path, body string
		status           int
		code             string
	}{
		{"empty object", "taps", `{}`, 422, "invalid"},
		{"nothing", "taps", ` `, 400, "bad-request"},
		{"not JSON", "taps", `id=1`, 400, "bad-request"},
		{"unknown field", "taps", `{"id":"tap-000001","kind":"note","admin":true}`, 400, "bad-request"},
		{"two values", "taps", `{"id":"tap-000001","kind":"note"}{}`, 400, "bad-request"},
		{"deep", "taps", deep, 400, "bad-request"},
		{"long", "taps", `{"text":"` + strings.Repeat("x", maxBody) + `"}`, 413, "too-large"},
		{"bad UTF-8", "taps", "{\"text\":\"\xff\"}", 400, "bad-request"},
		{"wrong type", "taps", `{"id":7}`, 400, "bad-request"},
		{"unknown kind", "taps", `{"id":"tap-000001","kind":"exploded"}`, 422, "invalid"},
		{"a correction as a tap", "taps", `{"id":"tap-000001","kind":"correction"}`, 422, "invalid"},
		{"short id", "taps", `{"id":"1","kind":"note"}`, 422, "invalid"},
		{"id with a path", "taps", `{"id":"../../etc/x","kind":"note"}`, 422, "invalid"},
		{"negative weight", "taps", `{"id":"tap-000001","kind":"scent-added","grams":-1}`, 422, "invalid"},
		{"a huge weight", "taps", `{"id":"tap-000001","kind":"scent-added","grams":1e300}`, 422, "invalid"},
		{"too large for a float", "taps", `{"id":"tap-000001","kind":"scent-added","grams":1e999}`, 400, "bad-request"},
		{"absolute zero", "taps", `{"id":"tap-000001","kind":"scent-added","celsius":-273.15}`, 422, "invalid"},
		{"counts below zero", "taps", `{"id":"tap-000001","kind":"poured","counts":{"tin":-1}}`, 422, "invalid"},
		{"long text", "taps", `{"id":"tap-000001","kind":"note","text":"` + strings.Repeat("x", maxText+1) + `"}`, 422, "invalid"},
		{"shelved for ever", "notices/k/shelve", `{"seconds":1e12}`, 422, "invalid"},
		{"shelved for nothing", "notices/k/shelve", `{"seconds":0}`, 422, "invalid"},
		{"no reason", "notices/k/remove", `{"reason":""}`, 422, "invalid"},
		{"a weight in the sheet", "start", `{"id":"start-0001","sheet":{"wax":[{"name":"w","grams":-5}]}}`, 422, "invalid"},
		{"an event of tomorrow week", "events/e1/correct", `{"kind":"note","wall":"2099-01-01T00:00:00Z"}`, 422, "invalid"},
	} {
		t.Run(c.name, func(t *testing.T) {
			wantProblem(t, g.ask("POST", "/api/v1/pots/a/"+c.path, c.body), c.status, c.code)
		})
	}
	if did := g.station.done(); len(did) != 0 {
		t.Errorf("the station was asked %q", did)
	}
	w := g.ask("POST", "/api/v1/pots/a/taps", `{"id":"tap-000001","kind":"note"}`, header("Content-Type", "text/plain"))
	wantProblem(t, w, 415, "bad-type")
}

func TestNestingIsBounded(t *testing.T) {
	for _, c := range []struct {
		body string
		ok   bool
	}{
		{strings.Repeat("[", maxNesting) + strings.Repeat("]", maxNesting), true},
		{strings.Repeat("[", maxNesting+1) + strings.Repeat("]", maxNesting+1), false},
		{strings.Repeat(`{"a":`, maxNesting+1) + "1" + strings.Repeat("}", maxNesting+1), false},
		{`"` + strings.Repeat("[", 1000) + `\"` + strings.Repeat("{", 1000) + `"`, true}, // in text they are no nesting
	} {
		var v json.RawMessage
		if err := decodeStrict([]byte(c.body), &v); (err == nil) != c.ok {
			t.Errorf("%.60s: %v, want it taken: %v", c.body, err, c.ok)
		}
	}
}

func TestElsewhere(t *testing.T) {
	g := newRig(t)
	wantProblem(t, g.ask("GET", "/api/v1/nothing", ""), 404, "not-found")
	wantProblem(t, g.ask("POST", "/api/v1/nothing", "{}"), 404, "not-found")
	wantProblem(t, g.ask("GET", "/nothing.js", ""), 404, "not-found")
	for _, c := range []struct{ method, path, allow string }{
		{"GET", "/api/v1/pots/a/taps", "POST"},
		{"DELETE", "/api/v1/snapshot", "GET, HEAD"},
		{"PUT", "/healthz", "GET, HEAD"},
		{"POST", "/", "GET, HEAD"},
	} {
		w := g.ask(c.method, c.path, "")
		if c.path == "/" { // every path can be a view of the page
			wantProblem(t, w, 404, "not-found")
			continue
		}
		wantProblem(t, w, 405, "bad-method")
		if got := w.Header().Get("Allow"); got != c.allow {
			t.Errorf("%s %s: Allow %q, want %q", c.method, c.path, got, c.allow)
		}
	}
	wantProblem(t, g.ask("POST", "/api/v1/pots/a%2Fb/taps", `{}`), 404, "not-found")
}

func TestSnapshotSaysWhoLooks(t *testing.T) {
	g := newRig(t)
	var snap station.Snapshot
	w := g.ask("GET", "/api/v1/snapshot", "")
	if err := json.Unmarshal(w.Body.Bytes(), &snap); err != nil {
		t.Fatal(err)
	}
	if snap.Role != string(pairing.Maker) || len(snap.Pots) != 1 || snap.Type != "snapshot" {
		t.Errorf("snapshot %s", w.Body)
	}
	if got := w.Header().Get("Cache-Control"); got != "no-store" {
		t.Errorf("Cache-Control %q, want no-store", got)
	}
}

func TestFiles(t *testing.T) {
	g := newRig(t)
	w := g.ask("GET", "/app.js", "", header("Accept-Encoding", "br;q=1, gzip;q=0.8"))
	if w.Code != 200 || w.Header().Get("Content-Encoding") != "gzip" || w.Header().Get("Content-Type") != "text/javascript; charset=utf-8" {
		t.Fatalf("%d %v", w.Code, w.Header())
	}
	z, err := gzip.NewReader(w.Body)
	if err != nil {
		t.Fatal(err)
	}
	if b, err := io.ReadAll(z); err != nil || !bytes.Equal(b, testPage["app.js"].Data) {
		t.Errorf("unpacked to %d bytes, %v; want the file", len(b), err)
	}
	etag := w.Header().Get("ETag")
	if w := g.ask("GET", "/app.js", "", header("Accept-Encoding", "gzip"), header("If-None-Match", `"x", W/`+etag)); w.Code != 304 || w.Body.Len() != 0 {
		t.Errorf("asked again: %d with %d bytes, want 304 with none", w.Code, w.Body.Len())
	}
	if w := g.ask("GET", "/app.js", "", header("Accept-Encoding", "gzip;q=0")); w.Header().Get("Content-Encoding") != "" || w.Header().Get("ETag") == etag || w.Body.Len() != len(testPage["app.js"].Data) {
		t.Errorf("without gzip: %v", w.Header())
	}
	for _, view := range []string{"/", "/pots/a/curve", "/shelf"} {
		if w := g.ask("GET", view, ""); w.Code != 200 || !strings.Contains(w.Body.String(), "<title>station") {
			t.Errorf("GET %s: %d %s, want the page", view, w.Code, w.Body)
		}
	}
	if w := g.ask("GET", "/pair", ""); !strings.Contains(w.Body.String(), "<title>pair") {
		t.Errorf("GET /pair: %s", w.Body)
	}
	if w := g.ask("HEAD", "/app.js", ""); w.Code != 200 || w.Body.Len() != 0 {
		t.Errorf("HEAD: %d with %d bytes", w.Code, w.Body.Len())
	}
}

func TestHeaders(t *testing.T) {
	g := newRig(t)
	for _, path := range []string{"/", "/app.js", "/api/v1/snapshot", "/api/v1/nothing", "/metrics", "/healthz"} {
		h := g.ask("GET", path, "").Header()
		csp := h.Get("Content-Security-Policy")
		for _, want := range []string{"default-src 'none'", "script-src 'self'", "frame-ancestors 'none'", "base-uri 'none'"} {
			if !strings.Contains(csp, want) {
				t.Errorf("%s: the content security policy lacks %q: %q", path, want, csp)
			}
		}
		if strings.Contains(csp, "unsafe") || strings.Contains(csp, "http:") || strings.Contains(csp, "*") {
			t.Errorf("%s: the content security policy is lax: %q", path, csp)
		}
		for k, want := range map[string]string{
			"X-Content-Type-Options": "nosniff", "X-Frame-Options": "DENY",
			"Cross-Origin-Opener-Policy": "same-origin", "Cross-Origin-Resource-Policy": "same-origin",
			"Referrer-Policy": "same-origin",
		} {
			if got := h.Get(k); got != want {
				t.Errorf("%s: %s is %q, want %q", path, k, got, want)
			}
		}
	}
}

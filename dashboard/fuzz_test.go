package dashboard

import (
	"context"
	"encoding/json"
	"image"
	"image/jpeg"
	"math"
	"net/http"
	"net/http/httptest"
	"net/netip"
	"net/url"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"example.org/meltstation/alerts/plan"
	"example.org/meltstation/dashboard/pairing"
	"example.org/meltstation/dashboard/recipes"
	"example.org/meltstation/probe"
	"example.org/meltstation/probe/calibrate"
	"example.org/meltstation/probe/trace"
)

// bodies are every route that takes a body, each with one that is good.
var bodies = []struct{ method, path, body string }{
	{"POST", "/api/v1/pots/a/start", `{"id":"start-0001","sheet":{"name":"Harbour Fog","wax":[{"name":"rapeseed-coconut","grams":900}]},"lots":["RC-7"]}`},
	{"POST", "/api/v1/pots/a/taps", `{"id":"tap-000001","kind":"poured","stamp":7,"grams":60,"celsius":58,"counts":{"Tin 200":6},"first":58,"last":56,"text":"calm","lots":{"wicks":"W1"},"found":{"finish":["smooth"]}}`},
	{"POST", "/api/v1/pots/a/events/e1/correct", `{"kind":"scent-added","grams":58,"wall":"2026-11-25T09:00:00Z"}`},
	{"POST", "/api/v1/pots/a/notices/flash-margin/shelve", `{"seconds":600}`},
	{"POST", "/api/v1/pots/a/notices/flash-margin/remove", `{"reason":"probe at the workshop"}`},
	{"PUT", "/api/v1/batches/26-11-24-A/notes", `{"id":"found-00001","found":{"cold_throw":4,"burn":{"wick":"W1","reached":true,"reached_in":7200000000000}},"text":"fine"}`},
	{"POST", "/api/v1/batches/26-11-24-A/taps", `{"id":"lots-00001","kind":"lots","lots":{"wicks":"W1"}}`},
	{"POST", "/api/v1/batches/26-11-24-A/events/e1/correct", `{"kind":"poured","counts":{"Tin 200":5}}`},
	{"POST", "/api/v1/batches/26-11-24-A/photos", picture(40, 30)},
	{"PUT", "/api/v1/recipes/harbour-fog", form},
	{"POST", "/api/v1/sheet", `{"recipe":` + form + `,"counts":[{"container":"Tin 200","n":6}],"options":{"wax":100,"jug":"","window":600000000000,"loss":5,"ceiling":100}}`},
	{"POST", "/api/v1/sheet", `{"recipe":` + form + `,"options":{"wax":500},"scale":2}`},
	{"POST", "/api/v1/push/subscription", `{"endpoint":"https://push.example.net/v1/abc","expirationTime":null,"keys":{"p256dh":"BCVxsr7N_eNgVRqvHtD0zTZsEc6-VV-JvLexhqUzORcxaOzi6-AYWXvTBHm4bjyPjs7Vd8pZGH6SRpkNtoIAiw4","auth":"BTBZMqHH6r4Tts7J_aSIgg"}}`},
	{"DELETE", "/api/v1/push/subscription", `{"endpoint":"https://push.example.net/v1/abc"}`},
	{"PUT", "/api/v1/preferences", `{"units":"F","mass":"oz","clock":"12","theme":"dark","sound":false,"language":"en"}`},
	{"POST", "/pair", `{"code":"BCDF-GHJK","name":"Kitchen phone"}`},
	{"POST", "/api/v1/probes/spare/calibration", `{"kind":"boiling","metres":120}`},
	{"POST", "/api/v1/probes/spare/calibration", `{"kind":"reference","celsius":57.3}`},
	{"POST", "/api/v1/probes/spare/calibration", `{"kind":"none"}`},
	{"POST", "/api/v1/pairing-codes", `{"role":"viewer"}`},
}

func TestGoodBodiesAreTaken(t *testing.T) {
	for _, b := range bodies {
		g := fuzzRig(t)
		if w := g.ask(b.method, b.path, b.body); w.Code >= 300 && b.path != "/pair" {
			t.Errorf("%s %s: %d %s", b.method, b.path, w.Code, w.Body)
		}
	}
}

// picture is a small JPEG.
func picture(w, h int) string {
	p := image.NewRGBA(image.Rect(0, 0, w, h))
	for i := range p.Pix {
		p.Pix[i] = byte(i)
	}
	var b strings.Builder
	if err := jpeg.Encode(&b, p, nil); err != nil {
		return err.Error() // which is no JPEG, and the tests say so
	}
	return b.String()
}

// fuzzRig is a server with every part there is.
func fuzzRig(t testing.TB) *rig {
	t.Helper()
	dir, err := recipes.Open(filepath.Join(t.TempDir(), "recipes"))
	if err != nil {
		t.Fatal(err)
	}
	st, err := trace.Open(filepath.Join(t.TempDir(), "trace.db"), trace.Options{})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { st.Close() })
	if err := st.PutBatch(context.Background(), trace.Batch{ID: "26-11-24-A", Pot: "a", Name: "Harbour Fog", Started: time.Date(2026, 11, 24, 9, 0, 0, 0, time.UTC)}); err != nil {
		t.Fatal(err)
	}
	poured, err := json.Marshal(plan.Event{ID: "e1", Kind: plan.EventPoured})
	if err != nil {
		t.Fatal(err)
	}
	if _, err := st.Commit(context.Background(), trace.Entry{Batch: "26-11-24-A", Pot: "a", Wall: time.Date(2026, 11, 24, 11, 0, 0, 0, time.UTC), Kind: trace.KindEvent, ID: "e1", Data: poured, Celsius: math.NaN(), Raw: math.NaN()}); err != nil {
		t.Fatal(err)
	}
	docs, dirOf := &memoryDocs{}, t.TempDir()
	return newRig(t, func(o *Options) {
		o.Batches, o.Documents, o.Recipes, o.Push, o.PushKey = st, docs, dir, NewPushBook(docs), "BKey"
		o.Calibration = calibrate.NewGuide(filepath.Join(dirOf, calibrate.FileName), 0, nil)
		o.Probes = func() []probe.Status { return []probe.Status{{ID: "spare", Pot: "b", Role: probe.RolePot}} }
		o.Cooling = func(string, float64) *plan.Cooling { return &plan.Cooling{Room: 20, K: 1. / 3000} }
	})
}

// checkAnswer holds an answer to what every answer must be, whatever was asked.
func checkAnswer(t *testing.T, g *rig, w *httptest.ResponseRecorder) {
	t.Helper()
	if w.Code == 500 || g.panics.Load() > 0 {
		t.Fatalf("status %d: %s", w.Code, w.Body)
	}
	if w.Code >= 400 {
		var p problem
		if err := json.Unmarshal(w.Body.Bytes(), &p); err != nil || p.Status != w.Code || p.Detail == "" {
			t.Fatalf("status %d, problem %s: %v", w.Code, w.Body, err)
		}
		if len(w.Body.Bytes()) > 64<<10 {
			t.Fatalf("a problem of %d bytes", w.Body.Len())
		}
	}
	if w.Header().Get("Content-Security-Policy") == "" {
		t.Fatal("no content security policy")
	}
}

// FuzzBodies sends any body to every route that takes one.
func FuzzBodies(f *testing.F) {
	for i, b := range bodies {
		f.Add(uint8(i), []byte(b.body))
		f.Add(uint8(i), []byte(`{`))
		f.Add(uint8(i), []byte(`[]`))
		f.Add(uint8(i), []byte(`null`))
		f.Add(uint8(i), []byte(strings.Repeat(`{"id":`, 50)))
		f.Add(uint8(i), []byte("{\"id\":\"\xff\xfe\"}"))
		f.Add(uint8(i), []byte(`{"id":"aaaaaaaa","id":1e400,"sheet":{"timers":{"stir":-9223372036854775808}}}`))
	}
	g := fuzzRig(f)
	f.Fuzz(func(t *testing.T, which uint8, body []byte) {
		b := bodies[int(which)%len(bodies)]
		r := httptest.NewRequest(b.method, b.path, strings.NewReader(string(body)))
		r.Host, r.RemoteAddr = "localhost", "127.0.0.1:1"
		r.Header.Set("Content-Type", bodyType(b.path))
		w := httptest.NewRecorder()
		g.Handler().ServeHTTP(w, r)
		checkAnswer(t, g, w)
	})
}

// FuzzRequest sends any path, query and headers, as a stranger and as this machine.
func FuzzRequest(f *testing.F) {
	for _, p := range []string{"/", "/pair", "/api/v1/snapshot", "/api/v1/batches?limit=2&before=x", "/api/v1/pots/a/curve?points=99",
		"/api/v1/batches/26-11-24-A/record.csv", "/api/v1/batches/..%2f..%2fx/curve", "/icons/../app.js", "/%00", "/api/v1/recipes/..%5cx", "/metrics", "//x", "/api/v1/live"} {
		f.Add("GET", p, "localhost", "http://localhost", "gzip;q=0.5, *", true)
		f.Add("DELETE", p, "192.0.2.1", "null", `W/"x"`, false)
	}
	g := fuzzRig(f)
	f.Fuzz(func(t *testing.T, method, target, host, origin, accept string, local bool) {
		u, err := url.ParseRequestURI(target)
		if err != nil || !strings.HasPrefix(target, "/") {
			return
		}
		r := &http.Request{Method: method, URL: u, Host: host, Header: http.Header{}, Body: http.NoBody, RemoteAddr: "192.0.2.9:1", Proto: "HTTP/1.1", ProtoMajor: 1, ProtoMinor: 1}
		if local {
			r.RemoteAddr = "127.0.0.1:1"
		}
		r.Header.Set("Origin", origin)
		r.Header.Set("Accept-Encoding", accept)
		r.Header.Set("If-None-Match", accept)
		r.Header.Set("Authorization", "Bearer "+origin)
		r.Header.Set("Cookie", "meltstation="+host)
		w := httptest.NewRecorder()
		g.Handler().ServeHTTP(w, r)
		if w.Code == 501 || w.Code == 426 { // a recorder can't become a websocket
			return
		}
		if g.panics.Load() > 0 || w.Code == 500 {
			t.Fatalf("%s %s: %d %s", method, target, w.Code, w.Body)
		}
		if strings.Contains(w.Body.String(), "not for strangers") && !local {
			t.Fatalf("%s %s shows strangers a private file", method, target)
		}
		if !local && strings.HasPrefix(u.Path, "/api/") && w.Code < 300 {
			t.Fatalf("%s %s: %d for a stranger", method, target, w.Code)
		}
	})
}

// FuzzMessage judges any websocket message.
func FuzzMessage(f *testing.F) {
	for _, m := range []string{`{"type":"snapshot"}`, `{"type":"x"}`, `{}`, `[]`, "\xff", `{"type":"snapshot","x":1}`, strings.Repeat("[", 2000)} {
		f.Add(true, []byte(m))
		f.Add(false, []byte(m))
	}
	f.Fuzz(func(t *testing.T, text bool, data []byte) {
		e, ok := judgeMessage(text, data)
		switch {
		case ok && !text:
			t.Fatal("a binary message is taken")
		case ok:
			var m map[string]any
			if err := json.Unmarshal(data, &m); err != nil {
				t.Fatalf("%q is taken", data)
			}
			for key := range m {
				if !strings.EqualFold(key, "type") {
					t.Fatalf("%q is taken", data)
				}
			}
		case e.code < 1000 || e.code > 1011 || e.reason == "" || len(e.reason) > 123: // RFC 6455, section 5.5: a control frame carries 125 bytes
			t.Fatalf("ends with %+v", e)
		}
	})
}

// FuzzCode types any pairing code.
func FuzzCode(f *testing.F) {
	f.Add("BCDF-GHJK", "phone")
	f.Add("", "\x00\x1b[31m")
	f.Add(strings.Repeat("B", 1000), strings.Repeat("ü", 100))
	f.Fuzz(func(t *testing.T, code, name string) {
		r, err := pairing.Open(context.Background(), &pairing.Memory{}, nil)
		if err != nil {
			t.Fatal(err)
		}
		good, err := r.NewCode(pairing.Viewer)
		if err != nil {
			t.Fatal(err)
		}
		d, _, err := r.Pair(context.Background(), netip.MustParseAddr("192.0.2.7"), code, name)
		if err != nil {
			return
		}
		plain := strings.NewReplacer("-", "", " ", "").Replace
		if !strings.EqualFold(plain(code), plain(good.Text)) {
			t.Fatalf("%q paired in the place of %q", code, good.Text)
		}
		if strings.ContainsAny(d.Name, "\x00\n\x1b") {
			t.Fatalf("device %q", d.Name)
		}
	})
}

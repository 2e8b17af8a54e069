package dashboard

import (
	"bytes"
	"context"
	"crypto/tls"
	"encoding/base64"
	"encoding/json"
	"encoding/xml"
	"net"
	"net/http"
	"net/http/httptest"
	"net/netip"
	"strings"
	"testing"

	"example.org/meltstation/dashboard/pairing"
)

// pair pairs a device and returns its token and id.
func (g *rig) pair(role pairing.Role) (token, id string) {
	g.t.Helper()
	code, err := g.devices.NewCode(role)
	if err != nil {
		g.t.Fatal(err)
	}
	d, token, err := g.devices.Pair(context.Background(), netip.MustParseAddr("192.0.2.77"), code.Text, "Kitchen phone")
	if err != nil {
		g.t.Fatal(err)
	}
	return token, d.ID
}

func TestStrangersSeeThePairingPageAlone(t *testing.T) {
	g := newRig(t)
	for _, path := range []string{"/pair", "/pair.css", "/icons/a.svg", "/healthz", "/readyz"} {
		if w := g.ask("GET", path, "", fromNetwork); w.Code != 200 {
			t.Errorf("GET %s: %d, want 200", path, w.Code)
		}
	}
	for _, path := range []string{"/", "/shelf"} {
		w := g.ask("GET", path, "", fromNetwork)
		if w.Code != 303 || w.Header().Get("Location") != "/pair" {
			t.Errorf("GET %s: %d to %q, want 303 to /pair", path, w.Code, w.Header().Get("Location"))
		}
	}
	for _, path := range []string{"/app.js", "/secret/notes.txt", "/icons/../app.js", "/pair/../../secret/notes.txt", "/icons/../secret/notes.txt",
		"/metrics", "/api/v1/snapshot", "/api/v1/live", "/api/v1/devices", "/api/v1/batches", "/debug/pprof/"} {
		w := g.ask("GET", path, "", fromNetwork)
		if w.Code == 200 || strings.Contains(w.Body.String(), "strangers") {
			t.Errorf("GET %s: %d %s; strangers must not see it", path, w.Code, w.Body)
		}
		if strings.HasPrefix(path, "/api/") {
			wantProblem(t, w, 401, "unpaired")
		}
	}
	wantProblem(t, g.ask("POST", "/api/v1/pots/a/taps", `{"id":"tap-000001","kind":"note"}`, fromNetwork), 401, "unpaired")
	wantProblem(t, g.ask("POST", "/api/v1/pairing-codes", `{"role":"maker"}`, fromNetwork), 401, "unpaired")
	if w := g.ask("GET", "/readyz", "", fromNetwork); strings.Contains(w.Body.String(), "checks") {
		t.Errorf("/readyz tells strangers %s", w.Body)
	}
	if did := g.station.done(); len(did) != 0 {
		t.Errorf("the station was asked %q", did)
	}
}

func TestPairingAPhone(t *testing.T) {
	g := newRig(t)
	w := g.ask("POST", "/api/v1/pairing-codes", `{"role":"viewer"}`)
	if w.Code != 201 {
		t.Fatal(w.Code, w.Body)
	}
	var code struct{ Code, URL, QR, Role, Expires string }
	if err := json.Unmarshal(w.Body.Bytes(), &code); err != nil {
		t.Fatal(err)
	}
	if want := "http://localhost:8080/pair#" + code.Code; code.URL != want || code.Role != "viewer" {
		t.Errorf("url %q, role %q; want %q, viewer", code.URL, code.Role, want)
	}
	svg, err := base64.StdEncoding.DecodeString(strings.TrimPrefix(code.QR, "data:image/svg+xml;base64,"))
	if err != nil {
		t.Fatal(err)
	}
	if err := xml.NewDecoder(bytes.NewReader(svg)).Decode(new(struct {
		XMLName xml.Name `xml:"http://www.w3.org/2000/svg svg"`
	})); err != nil {
		t.Errorf("the QR code is no SVG: %v", err)
	}

	typed := strings.ToLower(strings.ReplaceAll(code.Code, "-", " "))
	w = g.ask("POST", "/pair", `{"code":"`+typed+`","name":"  Kitchen\nphone "}`, fromNetwork)
	if w.Code != 200 {
		t.Fatal(w.Code, w.Body)
	}
	cookies := w.Result().Cookies()
	if len(cookies) != 1 {
		t.Fatalf("cookies %v, want one", cookies)
	}
	c := cookies[0]
	if !c.HttpOnly || c.SameSite != http.SameSiteStrictMode || c.Secure || c.Path != "/" || c.Domain != "" {
		t.Errorf("cookie %q, want HttpOnly, SameSite=Strict, for this host alone", w.Header().Get("Set-Cookie"))
	}
	if strings.Contains(w.Body.String(), c.Value) || strings.Contains(w.Body.String(), "hash") {
		t.Errorf("the answer shows the token or its hash: %s", w.Body)
	}
	phone := func(r *http.Request) { fromNetwork(r); r.AddCookie(c) }
	if w := g.ask("GET", "/api/v1/snapshot", "", phone); w.Code != 200 || !strings.Contains(w.Body.String(), `"role":"viewer"`) {
		t.Errorf("the paired phone got %d %s", w.Code, w.Body)
	}
	wantProblem(t, g.ask("POST", "/api/v1/pots/a/taps", `{"id":"tap-000001","kind":"note"}`, phone), 403, "forbidden")
	wantProblem(t, g.ask("GET", "/api/v1/devices", "", phone), 403, "forbidden")
	wantProblem(t, g.ask("POST", "/api/v1/pairing-codes", `{"role":"maker"}`, phone), 403, "forbidden")
	if w := g.ask("GET", "/api/v1/me", "", phone); !strings.Contains(w.Body.String(), `"name":"Kitchen phone"`) {
		t.Errorf("GET me: %s", w.Body)
	}

	// Used once.
	wantProblem(t, g.ask("POST", "/pair", `{"code":"`+code.Code+`","name":"Another"}`, fromNetwork), 403, "code-wrong")

	if w := g.ask("DELETE", "/api/v1/me", "", phone); w.Code != 204 {
		t.Errorf("DELETE me: %d %s", w.Code, w.Body)
	}
	wantProblem(t, g.ask("GET", "/api/v1/snapshot", "", phone), 401, "unpaired")
}

func TestPairedMakerSignsWhatItDoes(t *testing.T) {
	g := newRig(t)
	token, id := g.pair(pairing.Maker)
	phone := func(r *http.Request) { fromNetwork(r); r.AddCookie(&http.Cookie{Name: "meltstation", Value: token}) }
	if w := g.ask("POST", "/api/v1/pots/a/taps", `{"id":"tap-000001","kind":"heat-off"}`, phone); w.Code != 200 {
		t.Fatal(w.Code, w.Body)
	}
	if did := g.station.done(); did[0] != "tap heat-off by Kitchen phone" {
		t.Errorf("noted %q", did)
	}
	w := g.ask("GET", "/api/v1/devices", "", phone)
	if w.Code != 200 || !strings.Contains(w.Body.String(), id) || !strings.Contains(w.Body.String(), `"this":true`) || strings.Contains(w.Body.String(), "hash") {
		t.Errorf("devices: %d %s", w.Code, w.Body)
	}
	wantProblem(t, g.ask("DELETE", "/api/v1/devices/nobody", "", phone), 404, "not-found")
}

func TestCookieUnderTLS(t *testing.T) {
	g := newRig(t)
	code, err := g.devices.NewCode(pairing.Maker)
	if err != nil {
		t.Fatal(err)
	}
	overTLS := func(r *http.Request) { fromNetwork(r); r.TLS = &tls.ConnectionState{} }
	w := g.ask("POST", "/pair", `{"code":"`+code.Text+`","name":"Phone"}`, overTLS)
	set := w.Header().Get("Set-Cookie")
	for _, want := range []string{"__Host-meltstation=", "Secure", "HttpOnly", "SameSite=Strict", "Path=/"} {
		if !strings.Contains(set, want) {
			t.Errorf("Set-Cookie %q lacks %q", set, want)
		}
	}
	// A cookie planted over plain http, under the plain name, is not looked at.
	value := w.Result().Cookies()[0].Value
	wantProblem(t, g.ask("GET", "/api/v1/snapshot", "", overTLS, func(r *http.Request) {
		r.AddCookie(&http.Cookie{Name: "meltstation", Value: value})
	}), 401, "unpaired")
}

func TestGuessingCodesIsRationed(t *testing.T) {
	g := newRig(t)
	code, err := g.devices.NewCode(pairing.Maker)
	if err != nil {
		t.Fatal(err)
	}
	refused := 0
	for range 10 {
		if w := g.ask("POST", "/pair", `{"code":"BBBB-BBBB","name":"x"}`, fromNetwork); w.Code == 429 {
			refused++
			if w.Header().Get("Retry-After") == "" {
				t.Error("429 without Retry-After")
			}
		}
	}
	if refused != 5 {
		t.Errorf("of 10 guesses %d were refused, want 5", refused)
	}
	// Even the right one is not heard now, from there; from elsewhere it is.
	wantProblem(t, g.ask("POST", "/pair", `{"code":"`+code.Text+`","name":"x"}`, fromNetwork), 429, "too-many")
	w := g.ask("POST", "/pair", `{"code":"`+code.Text+`","name":"x"}`, fromNetwork, func(r *http.Request) { r.RemoteAddr = "192.0.2.78:1" })
	if w.Code != 200 {
		t.Errorf("from another address: %d %s", w.Code, w.Body)
	}
}

func TestHosts(t *testing.T) {
	g := newRig(t, func(o *Options) { o.Names = []string{"Boathouse.local."} })
	for _, c := range []struct {
		host, from string
		ok         bool
	}{
		{"localhost:8080", "127.0.0.1:1", true},
		{"127.0.0.1", "127.0.0.1:1", true},
		{"[::1]:8080", "[::1]:1", true},
		{"LOCALHOST.", "127.0.0.1:1", true},
		{"localhost.evil.example", "127.0.0.1:1", false},
		{"evil.example:8080", "127.0.0.1:1", false},
		{"", "127.0.0.1:1", false},
		{"localhost", "192.0.2.77:1", false}, // who is elsewhere can't mean this machine
		{"127.0.0.1", "192.0.2.77:1", false},
		{"192.0.2.1:8080", "192.0.2.77:1", true},
		{"boathouse.local", "192.0.2.77:1", true},
		{"BOATHOUSE.local:8080", "192.0.2.77:1", true},
		{"evil.example", "192.0.2.77:1", false},
		{"0x7f.1", "127.0.0.1:1", false},
	} {
		w := g.ask("GET", "/healthz", "", func(r *http.Request) { r.Host, r.RemoteAddr = c.host, c.from })
		if (w.Code == 200) != c.ok {
			t.Errorf("Host %q from %s: %d, want it let in: %v", c.host, c.from, w.Code, c.ok)
		}
		if !c.ok {
			wantProblem(t, w, 421, "wrong-host")
		}
	}
}

func TestLocalMeansThisMachineAlone(t *testing.T) {
	g := newRig(t, func(o *Options) { o.Names = []string{"boathouse.local"} })
	for name, change := range map[string]func(*http.Request){
		"network":                     fromNetwork,
		"a proxy here":                header("X-Forwarded-For", "192.0.2.77"),
		"a proxy here (RFC 7239)":     header("Forwarded", "for=192.0.2.77"),
		"a proxy that keeps the Host": func(r *http.Request) { r.Host = "boathouse.local" },
		"the address of another": func(r *http.Request) {
			fromNetwork(r)
			*r = *r.WithContext(context.WithValue(r.Context(), http.LocalAddrContextKey, net.Addr(&net.TCPAddr{IP: net.IPv4(192, 0, 2, 1), Port: 8080})))
		},
		"no address": func(r *http.Request) { r.RemoteAddr, r.Host = "@", "192.0.2.1" },
	} {
		w := g.ask("GET", "/api/v1/snapshot", "", change)
		if w.Code != 401 {
			t.Errorf("%s: %d, want 401", name, w.Code)
		}
	}
}

func TestThisMachineByItsNetworkAddress(t *testing.T) {
	g := newRig(t)
	at := func(r *http.Request) {
		r.Host, r.RemoteAddr = "192.0.2.1:8080", "192.0.2.1:5000"
		*r = *r.WithContext(context.WithValue(r.Context(), http.LocalAddrContextKey, net.Addr(&net.TCPAddr{IP: net.IPv4(192, 0, 2, 1), Port: 8080})))
	}
	if w := g.ask("GET", "/api/v1/snapshot", "", at); w.Code != 200 {
		t.Errorf("%d %s", w.Code, w.Body)
	}
	// Not under a name, which another site may have made to point here.
	named := newRig(t, func(o *Options) { o.Names = []string{"boathouse.local"} })
	wantProblem(t, named.ask("GET", "/api/v1/snapshot", "", at, func(r *http.Request) { r.Host = "boathouse.local" }), 401, "unpaired")
}

func TestOtherSitesAreRefused(t *testing.T) {
	g := newRig(t)
	tap := `{"id":"tap-000001","kind":"note"}`
	for _, c := range []struct {
		name, method, path, body string
		change                   []func(*http.Request)
		ok                       bool
	}{
		{"own page", "POST", "/api/v1/pots/a/taps", tap, []func(*http.Request){header("Origin", "http://localhost:8080"), header("Sec-Fetch-Site", "same-origin")}, true},
		{"a program", "POST", "/api/v1/pots/a/taps", tap, nil, true},
		{"other origin", "POST", "/api/v1/pots/a/taps", tap, []func(*http.Request){header("Origin", "https://evil.example")}, false},
		{"other port", "POST", "/api/v1/pots/a/taps", tap, []func(*http.Request){header("Origin", "http://localhost:9999")}, false},
		{"null origin", "POST", "/api/v1/pots/a/taps", tap, []func(*http.Request){header("Origin", "null")}, false},
		{"odd origin", "POST", "/api/v1/pots/a/taps", tap, []func(*http.Request){header("Origin", "file://localhost:8080")}, false},
		{"cross-site without origin", "POST", "/api/v1/pots/a/taps", tap, []func(*http.Request){header("Sec-Fetch-Site", "cross-site")}, false},
		{"read by another site", "GET", "/api/v1/snapshot", "", []func(*http.Request){header("Sec-Fetch-Site", "cross-site"), header("Sec-Fetch-Mode", "no-cors")}, false},
		{"read by a neighbour", "GET", "/api/v1/snapshot", "", []func(*http.Request){header("Sec-Fetch-Site", "same-site")}, false},
		{"framed", "GET", "/", "", []func(*http.Request){header("Sec-Fetch-Site", "cross-site"), header("Sec-Fetch-Mode", "navigate"), header("Sec-Fetch-Dest", "iframe")}, false},
		{"followed link", "GET", "/", "", []func(*http.Request){header("Sec-Fetch-Site", "cross-site"), header("Sec-Fetch-Mode", "navigate"), header("Sec-Fetch-Dest", "document")}, true},
		{"link into the API", "GET", "/api/v1/snapshot", "", []func(*http.Request){header("Sec-Fetch-Site", "cross-site"), header("Sec-Fetch-Mode", "navigate"), header("Sec-Fetch-Dest", "document")}, false},
	} {
		t.Run(c.name, func(t *testing.T) {
			w := g.ask(c.method, c.path, c.body, c.change...)
			if c.ok && w.Code != 200 {
				t.Errorf("%d %s, want 200", w.Code, w.Body)
			}
			if !c.ok {
				wantProblem(t, w, 403, "cross-site")
			}
		})
	}
	// Under TLS a page of the same name without TLS is another site.
	w := g.ask("GET", "/api/v1/snapshot", "", header("Origin", "http://localhost:8080"), func(r *http.Request) { r.TLS = &tls.ConnectionState{} })
	wantProblem(t, w, 403, "cross-site")
}

func TestPanicIsAnAnswer(t *testing.T) {
	g := newRig(t)
	h := g.guard(http.HandlerFunc(func(http.ResponseWriter, *http.Request) { panic("a fault put in by the test") }))
	r := httptest.NewRequest("GET", "/", nil)
	r.Host, r.RemoteAddr = "localhost", "127.0.0.1:1"
	w := httptest.NewRecorder()
	h.ServeHTTP(w, r)
	wantProblem(t, w, 500, "internal")
	if g.panics.Load() != 1 {
		t.Error("the panic was not counted")
	}
}

package dashboard

//lint:file-ignore SA1019 the same library as the server's, for the pages of these tests

import (
	"context"
	"encoding/json"
	"errors"
	"net"
	"net/http"
	"strings"
	"testing"
	"time"

	"nhooyr.io/websocket"

	"example.org/meltstation/alerts/station"
	"example.org/meltstation/dashboard/pairing"
)

// serve runs the server on a loopback port and returns its address.
func (g *rig) serve() (addr string, stop func()) {
	g.t.Helper()
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		g.t.Fatal(err)
	}
	ctx, cancel := context.WithCancel(context.Background())
	done := make(chan error, 1)
	go func() { done <- g.Run(ctx, l) }()
	stopped := false
	stop = func() {
		if stopped {
			return
		}
		stopped = true
		cancel()
		if err := <-done; err != nil {
			g.t.Errorf("Run: %v", err)
		}
	}
	g.t.Cleanup(stop)
	return l.Addr().String(), stop
}

// open opens a page's socket.
func open(t testing.TB, addr string, h http.Header) *websocket.Conn {
	t.Helper()
	ctx, cancel := context.WithTimeout(context.Background(), 10*time.Second)
	defer cancel()
	c, _, err := websocket.Dial(ctx, "ws://"+addr+"/api/v1/live", &websocket.DialOptions{HTTPHeader: h})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { c.CloseNow() })
	c.SetReadLimit(1 << 20)
	return c
}

// openSmall opens the socket of a page with little room for what it has not read.
func openSmall(t testing.TB, addr string) *websocket.Conn {
	t.Helper()
	transport := &http.Transport{DialContext: func(ctx context.Context, network, addr string) (net.Conn, error) {
		c, err := new(net.Dialer).DialContext(ctx, network, addr)
		if tcp, ok := c.(*net.TCPConn); ok {
			tcp.SetReadBuffer(32 << 10)
		}
		return c, err
	}}
	c, _, err := websocket.Dial(context.Background(), "ws://"+addr+"/api/v1/live", &websocket.DialOptions{HTTPClient: &http.Client{Transport: transport}})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { c.CloseNow(); transport.CloseIdleConnections() })
	c.SetReadLimit(1 << 20)
	return c
}

type anything struct {
	Type   string
	Seq    uint64
	Role   string
	Event  *struct{ Kind string }
	Reason string
}

// next reads one message, passing over those that say nothing is new.
func next(t testing.TB, c *websocket.Conn) anything {
	t.Helper()
	ctx, cancel := context.WithTimeout(context.Background(), 10*time.Second)
	defer cancel()
	for {
		_, b, err := c.Read(ctx)
		if err != nil {
			t.Fatal(err)
		}
		var m anything
		if err := json.Unmarshal(b, &m); err != nil {
			t.Fatalf("%v in %s", err, b)
		}
		if m.Type != "alive" { // on a busy machine there is time for one
			return m
		}
	}
}

// closing reads until the server closes, and returns why.
func closing(t testing.TB, c *websocket.Conn) websocket.CloseError {
	t.Helper()
	ctx, cancel := context.WithTimeout(context.Background(), 20*time.Second)
	defer cancel()
	for {
		if _, _, err := c.Read(ctx); err != nil {
			var e websocket.CloseError
			if !errors.As(err, &e) {
				t.Fatalf("the socket ended with %v, want a close frame", err)
			}
			return e
		}
	}
}

// until waits for something that another goroutine will bring about.
func until(t testing.TB, what string, ok func() bool) {
	t.Helper()
	for range 2000 {
		if ok() {
			return
		}
		time.Sleep(5 * time.Millisecond)
	}
	t.Fatalf("waited in vain for %s", what)
}

func TestLiveSendsSnapshotThenUpdates(t *testing.T) {
	g := newRig(t)
	addr, _ := g.serve()
	until(t, "the hub", func() bool { return g.station.subscribers() == 1 })
	g.station.publish(station.Update{})
	a, b := open(t, addr, nil), open(t, addr, nil)
	for _, c := range []*websocket.Conn{a, b} {
		if m := next(t, c); m.Type != "snapshot" || m.Role != "maker" || m.Seq != 1 {
			t.Fatalf("first message %+v, want the snapshot with seq 1", m)
		}
	}
	// A tap on one page is seen on the other.
	w := g.ask("POST", "/api/v1/pots/a/taps", `{"id":"tap-000001","kind":"scent-added"}`)
	if w.Code != 200 {
		t.Fatal(w.Body)
	}
	for _, c := range []*websocket.Conn{a, b} {
		if m := next(t, c); m.Type != "event" || m.Seq != 2 || m.Event.Kind != "scent-added" {
			t.Errorf("second message %+v, want the event with seq 2", m)
		}
	}
	if open, _ := g.hub.counts(); open != 2 {
		t.Errorf("%d pages are counted, want 2", open)
	}
}

func TestLiveNewSnapshotWhenAskedOrMissed(t *testing.T) {
	g := newRig(t)
	addr, _ := g.serve()
	until(t, "the hub", func() bool { return g.station.subscribers() == 1 })
	c := open(t, addr, nil)
	next(t, c)
	if err := c.Write(context.Background(), websocket.MessageText, []byte(`{"type":"snapshot"}`)); err != nil {
		t.Fatal(err)
	}
	if m := next(t, c); m.Type != "snapshot" {
		t.Errorf("asked for a snapshot, got %+v", m)
	}
	// An update with a number that has no JSON form is not sent; the page gets the whole state instead.
	inf := 1.0
	for range 400 {
		inf *= 10
	}
	g.station.publish(station.Update{Reading: &station.ReadingView{Celsius: &inf}})
	if m := next(t, c); m.Type != "snapshot" {
		t.Errorf("after an update that can't be encoded: %+v, want a snapshot", m)
	}
}

func TestLiveHubSubscribesAgain(t *testing.T) {
	g := newRig(t)
	addr, _ := g.serve()
	until(t, "the hub", func() bool { return g.station.subscribers() == 1 })
	c := open(t, addr, nil)
	next(t, c)
	g.station.mu.Lock()
	for sub := range g.station.subs { // as the station does with one that is too slow
		delete(g.station.subs, sub)
		close(sub)
	}
	g.station.mu.Unlock()
	if m := next(t, c); m.Type != "snapshot" {
		t.Errorf("after the hub fell behind: %+v, want a snapshot", m)
	}
	until(t, "the hub again", func() bool { return g.station.subscribers() == 1 })
	seq := g.station.publish(station.Update{})
	if m := next(t, c); m.Seq != seq {
		t.Errorf("after that: %+v, want update %d", m, seq)
	}
}

func TestLiveSlowPageIsDroppedAndTheOthersAreNot(t *testing.T) {
	g := newRig(t)
	addr, _ := g.serve()
	until(t, "the hub", func() bool { return g.station.subscribers() == 1 })
	slow, quick := openSmall(t, addr), open(t, addr, nil)
	next(t, quick)
	// Fill what the network holds for the page that reads nothing, then its queue.
	big := station.Update{Type: "troubles", Troubles: []station.Trouble{{Key: "disk", Text: strings.Repeat("x", 20_000)}}}
	sent := 0
	for ; sent < 2000; sent++ {
		if _, dropped := g.hub.counts(); dropped["too slow"] > 0 {
			break
		}
		want := g.station.publish(big)
		if m := next(t, quick); m.Seq != want {
			t.Fatalf("the quick page got %d, want %d", m.Seq, want)
		}
	}
	_, dropped := g.hub.counts()
	if dropped["too slow"] != 1 {
		t.Fatalf("after %d updates of 20 kB the slow page is still on: %v", sent, dropped)
	}
	slow.SetReadLimit(1 << 20)
	if e := closing(t, slow); e.Code != websocket.StatusPolicyViolation || e.Reason != "too slow" {
		t.Errorf("the slow page was closed with %v, want 1008 too slow", e)
	}
	want := g.station.publish(station.Update{})
	if m := next(t, quick); m.Seq != want {
		t.Errorf("the quick page got %+v, want update %d", m, want)
	}
}

func TestLiveClosesAtTheEnd(t *testing.T) {
	g := newRig(t)
	addr, stop := g.serve()
	c := open(t, addr, nil)
	next(t, c)
	got := make(chan websocket.CloseError, 1)
	go func() { got <- closing(t, c) }()
	stop()
	// RFC 6455, section 7.4.1: 1001 "an endpoint is going away, such as a server going down".
	if e := <-got; e.Code != 1001 || e.Reason == "" {
		t.Errorf("closed with %v, want 1001 and a reason", e)
	}
}

func TestLiveRefusesWhatPagesDoNotSend(t *testing.T) {
	for _, c := range []struct {
		name string
		kind websocket.MessageType
		data string
		code websocket.StatusCode
	}{
		// The codes are those of RFC 6455, section 7.4.1.
		{"binary", websocket.MessageBinary, `{"type":"snapshot"}`, 1003},
		{"not JSON", websocket.MessageText, `snapshot`, 1007},
		{"not UTF-8", websocket.MessageText, "\"\xff\"", 1007},
		{"unknown", websocket.MessageText, `{"type":"reboot"}`, 1008},
		{"too long", websocket.MessageText, `{"type":"` + strings.Repeat("x", maxMessage) + `"}`, 1009},
	} {
		t.Run(c.name, func(t *testing.T) {
			g := newRig(t)
			addr, _ := g.serve()
			page := open(t, addr, nil)
			next(t, page)
			if err := page.Write(context.Background(), c.kind, []byte(c.data)); err != nil {
				t.Fatal(err)
			}
			if e := closing(t, page); e.Code != c.code {
				t.Errorf("closed with %v, want %d", e, c.code)
			}
		})
	}
}

func TestLiveRationsSnapshots(t *testing.T) {
	g := newRig(t)
	addr, _ := g.serve()
	c := open(t, addr, nil)
	for range 20 {
		if c.Write(context.Background(), websocket.MessageText, []byte(`{"type":"snapshot"}`)) != nil {
			break
		}
	}
	if e := closing(t, c); e.Code != 1008 || e.Reason != "too many messages" {
		t.Errorf("closed with %v, want 1008 too many messages", e)
	}
}

func TestLiveTooManyPages(t *testing.T) {
	g := newRig(t, func(o *Options) { o.MaxPages = 1 })
	addr, _ := g.serve()
	a := open(t, addr, nil)
	next(t, a)
	if e := closing(t, open(t, addr, nil)); e.Code != 1008 || e.Reason != "too many pages" {
		t.Errorf("the second page was closed with %v, want 1008 too many pages", e)
	}
	a.Close(websocket.StatusNormalClosure, "")
	until(t, "the place to be free", func() bool { n, _ := g.hub.counts(); return n == 0 })
	next(t, open(t, addr, nil))
}

func TestLiveRefusesOtherSites(t *testing.T) {
	g := newRig(t)
	addr, _ := g.serve()
	for _, c := range []struct {
		name, origin, host string
		status             int
	}{
		{"its own page", "http://" + addr, "", 0},
		{"a program", "", "", 0},
		{"another site", "https://evil.example", "", 403},
		{"no site at all", "null", "", 403},
		{"same name, other port", "http://127.0.0.1:1", "", 403},
		// DNS rebinding: the attacker's name points here, so Origin and Host agree.
		{"a name that was made to point here", "http://evil.example", "evil.example", 421},
	} {
		t.Run(c.name, func(t *testing.T) {
			o := &websocket.DialOptions{HTTPHeader: http.Header{}, Host: c.host}
			if c.origin != "" {
				o.HTTPHeader.Set("Origin", c.origin)
			}
			conn, resp, err := websocket.Dial(context.Background(), "ws://"+addr+"/api/v1/live", o)
			if c.status == 0 {
				if err != nil {
					t.Fatal(err)
				}
				conn.CloseNow()
				return
			}
			if err == nil {
				conn.CloseNow()
				t.Fatal("it was let in")
			}
			if resp == nil || resp.StatusCode != c.status {
				t.Errorf("refused with %v, want status %d", err, c.status)
			}
		})
	}
}

func TestLiveEndsWhenTheDeviceIsRemoved(t *testing.T) {
	g := newRig(t)
	addr, _ := g.serve()
	token, id := g.pair(pairing.Viewer)
	// From this machine, but as a proxy would pass a phone on: not to be trusted as local.
	c := open(t, addr, http.Header{"Authorization": {"Bearer " + token}, "X-Forwarded-For": {"192.0.2.77"}})
	if m := next(t, c); m.Role != "viewer" {
		t.Fatalf("snapshot for %q, want viewer", m.Role)
	}
	local := open(t, addr, nil)
	next(t, local)
	if w := g.ask("DELETE", "/api/v1/devices/"+id, ""); w.Code != 204 {
		t.Fatal(w.Code, w.Body)
	}
	if e := closing(t, c); e.Code != 1008 || e.Reason != "device removed" {
		t.Errorf("closed with %v, want 1008 device removed", e)
	}
	g.station.publish(station.Update{})
	if m := next(t, local); m.Type != "reading" {
		t.Errorf("this machine's own page got %+v", m)
	}
	_, resp, err := websocket.Dial(context.Background(), "ws://"+addr+"/api/v1/live", &websocket.DialOptions{
		HTTPHeader: http.Header{"Authorization": {"Bearer " + token}, "X-Forwarded-For": {"192.0.2.77"}}})
	if err == nil || resp == nil || resp.StatusCode != 401 {
		t.Errorf("a removed device came back: %v", err)
	}
}

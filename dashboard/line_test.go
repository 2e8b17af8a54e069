package dashboard

//lint:file-ignore SA1019 the same library as the server's, for the pages of these tests

import (
	"bufio"
	"context"
	"crypto/tls"
	"crypto/x509"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"net"
	"net/http"
	"net/http/cookiejar"
	"net/netip"
	"strings"
	"sync"
	"testing"
	"testing/synctest"
	"time"

	"nhooyr.io/websocket"

	"example.org/meltstation/dashboard/cert"
	"example.org/meltstation/dashboard/pairing"
)

// pipes is a listener without a network, so that its time can be a fake one.
type pipes struct {
	from  net.Addr
	calls chan net.Conn
	once  sync.Once
	done  chan struct{}
}

func newPipes(from string) *pipes {
	return &pipes{from: net.TCPAddrFromAddrPort(netip.MustParseAddrPort(from)), calls: make(chan net.Conn), done: make(chan struct{})}
}

type pipeConn struct {
	net.Conn
	from net.Addr
}

func (c pipeConn) RemoteAddr() net.Addr { return c.from }

func (p *pipes) Accept() (net.Conn, error) {
	select {
	case c := <-p.calls:
		return pipeConn{c, p.from}, nil
	case <-p.done:
		return nil, net.ErrClosed
	}
}

func (p *pipes) Close() error   { p.once.Do(func() { close(p.done) }); return nil }
func (p *pipes) Addr() net.Addr { return p.from }

func (p *pipes) dial() net.Conn {
	here, there := net.Pipe()
	p.calls <- there
	return here
}

// onPipes runs a test in a bubble of fake time, with a server on pipes.
func onPipes(t *testing.T, test func(t *testing.T, g *rig, p *pipes)) {
	synctest.Test(t, func(t *testing.T) {
		f := newFake()
		s, err := New(Options{Station: f, Page: testPage})
		if err != nil {
			t.Fatal(err)
		}
		g := &rig{s, f, t}
		p := newPipes("127.0.0.1:4000")
		ctx, stop := context.WithCancel(context.Background())
		done := make(chan error, 1)
		go func() { done <- s.Run(ctx, p) }()
		test(t, g, p)
		stop()
		if err := <-done; err != nil {
			t.Error(err)
		}
	})
}

// readAll reads from c until it ends, and returns when that was.
func readAll(c net.Conn) (text string, after time.Duration) {
	began := time.Now()
	b, _ := io.ReadAll(c)
	return string(b), time.Since(began)
}

func TestSlowHeadersAreHungUpOn(t *testing.T) {
	onPipes(t, func(t *testing.T, g *rig, p *pipes) {
		c := p.dial()
		fmt.Fprint(c, "GET / HTTP/1.1\r\nHost: localhost\r\n")
		var wg sync.WaitGroup
		defer wg.Wait()
		wg.Go(func() {
			for { // one header every two seconds, for ever
				if _, err := fmt.Fprint(c, "X-A: b\r\n"); err != nil {
					return
				}
				time.Sleep(2 * time.Second)
			}
		})
		if _, after := readAll(c); after > headerTimeout+time.Second {
			t.Errorf("hung up on after %v, want %v", after, headerTimeout)
		}
		c.Close()
	})
}

func TestSlowBodiesAreHungUpOn(t *testing.T) {
	onPipes(t, func(t *testing.T, g *rig, p *pipes) {
		c := p.dial()
		fmt.Fprint(c, "POST /api/v1/pots/a/taps HTTP/1.1\r\nHost: localhost\r\nContent-Type: application/json\r\nContent-Length: 1000\r\n\r\n{")
		text, after := readAll(c)
		if after > readTimeout+time.Second || !strings.HasPrefix(text, "HTTP/1.1 400") {
			t.Errorf("after %v: %.80q", after, text)
		}
		c.Close()
	})
}

func TestLongHeadersAreRefused(t *testing.T) {
	onPipes(t, func(t *testing.T, g *rig, p *pipes) {
		c := p.dial()
		go fmt.Fprintf(c, "GET / HTTP/1.1\r\nHost: localhost\r\nX-A: %s\r\n\r\n", strings.Repeat("x", 64<<10))
		line, err := bufio.NewReader(c).ReadString('\n')
		if err != nil || !strings.HasPrefix(line, "HTTP/1.1 431") {
			t.Errorf("%q, %v; want 431", line, err)
		}
		c.Close()
	})
}

// page opens a socket over p.
func (p *pipes) page(t *testing.T) *websocket.Conn {
	t.Helper()
	client := &http.Client{Transport: &http.Transport{DialContext: func(context.Context, string, string) (net.Conn, error) { return p.dial(), nil }}}
	c, _, err := websocket.Dial(context.Background(), "ws://localhost/api/v1/live", &websocket.DialOptions{HTTPClient: client})
	if err != nil {
		t.Fatal(err)
	}
	return c
}

func TestLiveSaysThatItIsAlive(t *testing.T) {
	onPipes(t, func(t *testing.T, g *rig, p *pipes) {
		c := p.page(t)
		defer c.CloseNow()
		next := func() (string, time.Duration) {
			began := time.Now()
			_, b, err := c.Read(context.Background())
			if err != nil {
				t.Fatal(err)
			}
			var m struct{ Type string }
			json.Unmarshal(b, &m)
			return m.Type, time.Since(began)
		}
		if kind, _ := next(); kind != "snapshot" {
			t.Fatalf("first %q", kind)
		}
		// For longer than a ping and its answer take, and than any HTTP answer may:
		// the line stays up.
		for range int(3 * answerTimeout / aliveAfter) {
			if kind, after := next(); kind != "alive" || after != aliveAfter {
				t.Fatalf("%q after %v, want alive after %v", kind, after, aliveAfter)
			}
		}
	})
}

func TestLiveNoticesADeadLine(t *testing.T) {
	onPipes(t, func(t *testing.T, g *rig, p *pipes) {
		c := p.dial()
		fmt.Fprint(c, "GET /api/v1/live HTTP/1.1\r\nHost: localhost\r\nConnection: Upgrade\r\nUpgrade: websocket\r\n"+
			"Sec-WebSocket-Version: 13\r\nSec-WebSocket-Key: dGhlIHNhbXBsZSBub25jZQ==\r\n\r\n")
		r := bufio.NewReader(c)
		resp, err := http.ReadResponse(r, nil)
		if err != nil || resp.StatusCode != 101 {
			t.Fatal(resp, err)
		}
		// The key and its answer are the example of RFC 6455, section 1.3.
		if got := resp.Header.Get("Sec-WebSocket-Accept"); got != "s3pPLMBiTxaQ9kYGzzhZRbK+xOo=" {
			t.Errorf("Sec-WebSocket-Accept %q", got)
		}
		// It takes what comes and never answers a ping.
		began := time.Now()
		io.Copy(io.Discard, r)
		if after := time.Since(began); after > pingEvery+pongTimeout+time.Second {
			t.Errorf("given up on after %v, want %v", after, pingEvery+pongTimeout)
		}
		c.Close()
		synctest.Wait()
		if n, dropped := g.hub.counts(); n != 0 || dropped["no answer"] != 1 {
			t.Errorf("%d pages are still counted, dropped %v; want one that gave no answer", n, dropped)
		}
	})
}

func TestLimitsOfConnections(t *testing.T) {
	for _, c := range []struct {
		name, from  string
		total, each int
		want        int
	}{
		{"from one address of the network", "192.0.2.7:1", 100, 3, 3},
		{"from this machine", "127.0.0.1:1", 100, 3, 10},
		{"in all", "127.0.0.1:1", 4, 100, 4},
	} {
		t.Run(c.name, func(t *testing.T) {
			p := newPipes(c.from)
			l := bound(p, c.total, c.each)
			got := make(chan net.Conn, 20)
			go func() {
				for {
					conn, err := l.Accept()
					if err != nil {
						close(got)
						return
					}
					got <- conn
				}
			}()
			var ends []net.Conn
			for range 10 {
				ends = append(ends, p.dial())
			}
			hungUp := 0
			for _, e := range ends {
				e.SetReadDeadline(time.Now().Add(20 * time.Millisecond))
				if _, err := e.Read(make([]byte, 1)); errors.Is(err, io.EOF) {
					hungUp++
				}
			}
			if hungUp != 10-c.want {
				t.Errorf("%d of 10 were hung up on, want %d", hungUp, 10-c.want)
			}
			first := <-got
			first.Close()
			first.Close() // gives its place back once
			// One place is free, and no more.
			for i, hungUp := range []bool{false, c.want < 10} {
				next := p.dial()
				next.SetReadDeadline(time.Now().Add(20 * time.Millisecond))
				if _, err := next.Read(make([]byte, 1)); errors.Is(err, io.EOF) != hungUp {
					t.Errorf("after one left, number %d more: %v, want it hung up on: %v", i+1, err, hungUp)
				}
			}
			l.Close()
			for range got {
			}
		})
	}
}

func TestRunSaysWhyItEnds(t *testing.T) {
	g := newRig(t)
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	at := l.Addr().String()
	l.Close()
	if err := g.Run(context.Background(), l); err == nil || !strings.Contains(err.Error(), at) {
		t.Errorf("Run on a closed listener: %v, want an error that names %s", err, at)
	}
	g.Close() // once more does no harm
}

func TestACrowdOnTheNetworkLocksNobodyHereOut(t *testing.T) {
	l := bound(newPipes("127.0.0.1:1"), 10, 3).(*limited)
	for i := range 100 {
		l.take(netip.AddrFrom4([4]byte{192, 0, 2, byte(i)}))
	}
	if l.take(netip.MustParseAddr("192.0.2.200")) {
		t.Error("an eleventh from the network is taken")
	}
	for _, here := range []string{"127.0.0.1", "::1"} {
		if !l.take(netip.MustParseAddr(here)) {
			t.Errorf("%s is locked out", here)
		}
	}
}

// A phone on the network, over TLS with the station's own certificate, from code to live page.
func TestPhoneOverTLS(t *testing.T) {
	a, err := cert.Open(t.TempDir(), []string{"boathouse.local"}, nil, nil)
	if err != nil {
		t.Fatal(err)
	}
	g := newRig(t, func(o *Options) { o.TLS, o.Root, o.Names = a.TLS(), a.Root(), []string{"boathouse.local"} })
	addr, _ := g.serve()
	_, port, _ := net.SplitHostPort(addr)
	pool := x509.NewCertPool()
	pool.AppendCertsFromPEM(a.Root())
	jar, _ := cookiejar.New(nil)
	// The name resolves to this machine; a loopback peer that uses a network name is no local one.
	phone := &http.Client{Jar: jar, Transport: &http.Transport{
		TLSClientConfig: &tls.Config{RootCAs: pool},
		DialContext: func(ctx context.Context, network, _ string) (net.Conn, error) {
			return new(net.Dialer).DialContext(ctx, network, addr)
		},
	}}
	t.Cleanup(phone.CloseIdleConnections)
	base := "https://boathouse.local:" + port
	do := func(method, path, body string) (*http.Response, string) {
		t.Helper()
		r, _ := http.NewRequest(method, base+path, strings.NewReader(body))
		r.Header.Set("Content-Type", "application/json")
		r.Header.Set("Origin", base)
		resp, err := phone.Do(r)
		if err != nil {
			t.Fatal(err)
		}
		defer resp.Body.Close()
		b, _ := io.ReadAll(resp.Body)
		return resp, string(b)
	}
	if resp, body := do("GET", "/api/v1/snapshot", ""); resp.StatusCode != 401 {
		t.Fatal("unpaired:", resp.StatusCode, body)
	}
	code, err := g.PairingCode(pairing.Maker)
	if err != nil {
		t.Fatal(err)
	}
	resp, body := do("POST", "/pair", `{"code":"`+code.Text+`","name":"Kitchen phone"}`)
	if set := resp.Header.Get("Set-Cookie"); resp.StatusCode != 200 || !strings.Contains(set, "__Host-meltstation=") || !strings.Contains(set, "; Secure") {
		t.Fatal("pairing:", resp.StatusCode, body, set)
	}
	if resp, body := do("POST", "/api/v1/pots/a/taps", `{"id":"tap-000001","kind":"heat-off"}`); resp.StatusCode != 200 {
		t.Error("tap:", resp.StatusCode, body)
	}
	if did := g.station.done(); len(did) != 1 || did[0] != "tap heat-off by Kitchen phone" {
		t.Errorf("noted %q", did)
	}
	live, _, err := websocket.Dial(context.Background(), "wss://boathouse.local:"+port+"/api/v1/live",
		&websocket.DialOptions{HTTPClient: phone, HTTPHeader: http.Header{"Origin": {base}}})
	if err != nil {
		t.Fatal(err)
	}
	if m := next(t, live); m.Type != "snapshot" || m.Role != "maker" {
		t.Errorf("live: %+v", m)
	}
	if resp, _ := do("DELETE", "/api/v1/me", ""); resp.StatusCode != 204 {
		t.Error("forgetting:", resp.StatusCode)
	}
	if e := closing(t, live); e.Code != 1008 {
		t.Errorf("after forgetting, the socket ended with %v", e)
	}
	if resp, _ := do("GET", "/api/v1/snapshot", ""); resp.StatusCode != 401 {
		t.Error("after forgetting:", resp.StatusCode)
	}
	// The same port without TLS says nothing but that.
	plain, err := http.Get("http://" + addr + "/api/v1/snapshot")
	if err != nil {
		t.Fatal(err)
	}
	plain.Body.Close()
	if plain.StatusCode != 400 {
		t.Errorf("over plain HTTP: %d", plain.StatusCode)
	}
	http.DefaultClient.CloseIdleConnections()
}

func TestMetricsAreNotForStrangers(t *testing.T) {
	g := newRig(t, func(o *Options) { o.MetricsToken = "a long random token of the maker's" })
	wantProblem(t, g.ask("GET", "/metrics", "", fromNetwork), 401, "unpaired")
	wantProblem(t, g.ask("GET", "/metrics", "", fromNetwork, header("Authorization", "Bearer wrong")), 401, "unpaired")
	good := header("Authorization", "Bearer a long random token of the maker's")
	for _, w := range []int{g.ask("GET", "/metrics", "").Code, g.ask("GET", "/metrics", "", fromNetwork, good).Code} {
		if w != 200 {
			t.Errorf("status %d, want 200", w)
		}
	}
	// The token opens nothing else.
	wantProblem(t, g.ask("GET", "/api/v1/snapshot", "", fromNetwork, good), 401, "unpaired")
	// Without a token in the settings an empty one is none.
	wantProblem(t, newRig(t).ask("GET", "/metrics", "", fromNetwork, header("Authorization", "Bearer ")), 401, "unpaired")
	if w := g.ask("GET", "/debug/pprof/", ""); strings.Contains(w.Body.String(), "goroutine") {
		t.Error("profiling is open")
	}
}

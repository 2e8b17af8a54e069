package notify

import (
	"bytes"
	"crypto/aes"
	"crypto/cipher"
	"crypto/ecdh"
	"crypto/ecdsa"
	"crypto/elliptic"
	"crypto/hkdf"
	"crypto/rand"
	"crypto/sha256"
	"crypto/tls"
	"crypto/x509"
	"crypto/x509/pkix"
	"encoding/base64"
	"encoding/binary"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"log"
	"math/big"
	"mime"
	"mime/quotedprintable"
	"net"
	"net/http"
	"net/http/httptest"
	netmail "net/mail"
	"os"
	"slices"
	"strings"
	"sync"
	"testing"
	"testing/synctest"
	"time"

	"github.com/emersion/go-sasl"
	"github.com/emersion/go-smtp"
	"github.com/golang-jwt/jwt/v5"
	"periph.io/x/conn/v3/gpio"
	"periph.io/x/conn/v3/gpio/gpiotest"

	"example.org/meltstation/alerts"
)

func message(n alerts.Notice) Message {
	return Message{ID: "m1", Station: "The Boathouse", Notice: n, Text: alerts.Words(n, alerts.Units{}), Made: time.Date(2026, 3, 1, 9, 0, 0, 0, time.UTC)}
}

const secret = "lantern-oar-tide-42"

// Webhook.

func TestWebhookIsSigned(t *testing.T) {
	now := time.Unix(1_770_000_000, 0)
	var status = http.StatusNoContent
	var body []byte
	var header http.Header
	s := httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		body, _ = io.ReadAll(r.Body)
		header = r.Header
		if status == http.StatusServiceUnavailable {
			w.Header().Set("Retry-After", "7")
		}
		if status == http.StatusFound {
			w.Header().Set("Location", "/elsewhere")
		}
		w.WriteHeader(status)
	}))
	defer s.Close()
	h, err := NewWebhook(WebhookConfig{URL: s.URL + "/hook?token=hush", Secret: secret}, nil, func() time.Time { return now })
	if err != nil {
		t.Fatal(err)
	}
	m := message(alarm("flash-margin", alerts.Unacked))
	if err := h.Send(t.Context(), m); err != nil {
		t.Fatal(err)
	}
	var p Payload
	if err := json.Unmarshal(body, &p); err != nil || p.ID != "m1" || p.Notice.Key != "flash-margin" || p.Title == "" || len(p.Do) == 0 {
		t.Errorf("body %s: %v", body, err)
	}
	if header.Get(HeaderID) != "m1" || header.Get("Content-Type") != "application/json" {
		t.Errorf("headers %v", header)
	}
	if err := Verify(secret, header, body, now.Add(time.Minute), 5*time.Minute); err != nil {
		t.Errorf("the signature: %v", err)
	}
	for name, err := range map[string]error{
		"another secret": Verify("not-the-secret-at-all", header, body, now, 5*time.Minute),
		"another body":   Verify(secret, header, append(body, ' '), now, 5*time.Minute),
		"an hour later":  Verify(secret, header, body, now.Add(time.Hour), 5*time.Minute),
		"no signature":   Verify(secret, http.Header{HeaderTime: header[HeaderTime]}, body, now, 5*time.Minute),
		"no time":        Verify(secret, http.Header{}, body, now, 5*time.Minute),
	} {
		if !errors.Is(err, ErrSignature) {
			t.Errorf("%s: %v", name, err)
		}
	}
	for code, again := range map[int]bool{500: true, 503: true, 429: true, 408: true, 404: false, 401: false, 302: false} {
		status = code
		err := h.Send(t.Context(), m)
		if err == nil || errors.Is(err, ErrRefused) == again {
			t.Errorf("%d: %v, want another try %v", code, err, again)
		}
		if strings.Contains(fmt.Sprint(err), "hush") || strings.Contains(fmt.Sprint(err), secret) {
			t.Errorf("a secret shows: %v", err)
		}
		var later *retryAfter
		if code == 503 && (!errors.As(err, &later) || later.wait != 7*time.Second) {
			t.Errorf("Retry-After was not kept: %v", err)
		}
	}
	s.Close()
	if err := h.Send(t.Context(), m); err == nil || strings.Contains(err.Error(), "hush") {
		t.Errorf("with nobody there: %v", err)
	}
}

// The signature is HMAC-SHA256 of time, full stop and body, as OpenSSL has it:
//
//	printf '1770000000.{"a":1}' | openssl dgst -sha256 -hmac lantern-oar-tide-42
func TestSignatureAgainstOpenSSL(t *testing.T) {
	got := fmt.Sprintf("%x", sign(secret, "1770000000", []byte(`{"a":1}`)))
	if want := "24ea7ece2b446f8fee1293d1358447547b73f7c422c48ff9e327b46c2f8af7b7"; got != want {
		t.Errorf("%s, want %s", got, want)
	}
}

// Mail.

// post is a mail server in memory.
type post struct {
	mu       sync.Mutex
	got      []string
	to       []string
	password string
	refuse   error
}

type session struct{ p *post }

func (p *post) NewSession(*smtp.Conn) (smtp.Session, error) { return &session{p}, nil }
func (s *session) Reset()                                   {}
func (s *session) Logout() error                            { return nil }
func (s *session) AuthMechanisms() []string                 { return []string{sasl.Plain} }
func (s *session) Auth(string) (sasl.Server, error) {
	return sasl.NewPlainServer(func(_, user, password string) error {
		if password != s.p.password {
			// A careless server that shows what it was sent.
			return &smtp.SMTPError{Code: 535, EnhancedCode: smtp.EnhancedCode{5, 7, 8}, Message: "no: " + password}
		}
		return nil
	}), nil
}
func (s *session) Mail(string, *smtp.MailOptions) error { return s.p.refuse }
func (s *session) Rcpt(to string, _ *smtp.RcptOptions) error {
	s.p.mu.Lock()
	defer s.p.mu.Unlock()
	s.p.to = append(s.p.to, to)
	return nil
}
func (s *session) Data(r io.Reader) error {
	b, err := io.ReadAll(r)
	s.p.mu.Lock()
	defer s.p.mu.Unlock()
	s.p.got = append(s.p.got, string(b))
	return err
}

// certificate is signed by itself, for localhost.
func certificate(t *testing.T) (tls.Certificate, *x509.CertPool) {
	t.Helper()
	key, err := ecdsa.GenerateKey(elliptic.P256(), rand.Reader)
	if err != nil {
		t.Fatal(err)
	}
	c := &x509.Certificate{SerialNumber: big.NewInt(1), Subject: pkix.Name{CommonName: "localhost"}, DNSNames: []string{"localhost"},
		NotBefore: time.Now().Add(-time.Hour), NotAfter: time.Now().Add(time.Hour), IsCA: true, BasicConstraintsValid: true, KeyUsage: x509.KeyUsageCertSign | x509.KeyUsageDigitalSignature}
	der, err := x509.CreateCertificate(rand.Reader, c, c, &key.PublicKey, key)
	if err != nil {
		t.Fatal(err)
	}
	leaf, err := x509.ParseCertificate(der)
	if err != nil {
		t.Fatal(err)
	}
	pool := x509.NewCertPool()
	pool.AddCert(leaf)
	return tls.Certificate{Certificate: [][]byte{der}, PrivateKey: key}, pool
}

func mailServer(t *testing.T, p *post, mode string) (port int, roots *x509.CertPool) {
	t.Helper()
	cert, pool := certificate(t)
	s := smtp.NewServer(p)
	s.Domain = "localhost"
	s.ErrorLog = log.New(io.Discard, "", 0)
	s.TLSConfig = &tls.Config{Certificates: []tls.Certificate{cert}}
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	port = l.Addr().(*net.TCPAddr).Port
	if mode == "tls" {
		l = tls.NewListener(l, s.TLSConfig)
	}
	done := make(chan struct{})
	go func() { defer close(done); _ = s.Serve(l) }()
	t.Cleanup(func() { s.Close(); <-done })
	return port, pool
}

func TestMailUnderTLS(t *testing.T) {
	for _, mode := range []string{"starttls", "tls"} {
		t.Run(mode, func(t *testing.T) {
			p := &post{password: secret}
			port, roots := mailServer(t, p, mode)
			c := MailConfig{Host: "localhost", Port: port, TLS: mode, User: "ada", Password: secret, From: "station@boathouse.example",
				To: []string{"ada@boathouse.example", "ben@boathouse.example"}, TLSConfig: &tls.Config{RootCAs: roots}}
			m, err := NewMail(c)
			if err != nil {
				t.Fatal(err)
			}
			if err := m.Send(t.Context(), message(alarm("flash-margin", alerts.Unacked))); err != nil {
				t.Fatal(err)
			}
			if len(p.got) != 1 || !slices.Equal(p.to, c.To) {
				t.Fatalf("%d mails to %v", len(p.got), p.to)
			}
			in, err := netmail.ReadMessage(strings.NewReader(p.got[0]))
			if err != nil {
				t.Fatal(err)
			}
			subject, err := new(mime.WordDecoder).DecodeHeader(in.Header.Get("Subject"))
			if err != nil || subject != "The Boathouse: TOO HOT: 95.0 °C. Heat off now" {
				t.Errorf("subject %q, %v", subject, err)
			}
			text, err := io.ReadAll(quotedprintable.NewReader(in.Body))
			if err != nil || !strings.Contains(string(text), "\n- Never put water on hot wax.") || !strings.Contains(string(text), "limit is 90.0 °C") {
				t.Errorf("text %s, %v", text, err)
			}

			// Somebody else's certificate is not taken.
			c.TLSConfig = &tls.Config{RootCAs: x509.NewCertPool()}
			m, _ = NewMail(c)
			if err := m.Send(t.Context(), message(alarm("flash-margin", alerts.Unacked))); err == nil || len(p.got) != 1 {
				t.Errorf("an unknown certificate was taken: %v", err)
			}
			// A wrong password stays out of the error, even when the server shows it.
			c.TLSConfig, c.Password = &tls.Config{RootCAs: roots}, "wrong-but-private"
			m, _ = NewMail(c)
			err = m.Send(t.Context(), message(alarm("flash-margin", alerts.Unacked)))
			if err == nil || strings.Contains(err.Error(), "wrong-but-private") {
				t.Errorf("a wrong password: %v", err)
			}
		})
	}
}

func TestMailWithoutTLSIsNotSent(t *testing.T) {
	p := &post{}
	cert := smtp.NewServer(p) // offers no STARTTLS
	cert.Domain = "localhost"
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	done := make(chan struct{})
	go func() { defer close(done); _ = cert.Serve(l) }()
	defer func() { cert.Close(); <-done }()
	m, err := NewMail(MailConfig{Host: "localhost", Port: l.Addr().(*net.TCPAddr).Port, From: "a@b.example", To: []string{"c@d.example"}})
	if err != nil {
		t.Fatal(err)
	}
	if err := m.Send(t.Context(), message(alarm("flash-margin", alerts.Unacked))); err == nil || len(p.got) > 0 {
		t.Errorf("sent over a line without encryption: %v", err)
	}
}

func TestMailThatTheServerRefuses(t *testing.T) {
	p := &post{refuse: &smtp.SMTPError{Code: 550, EnhancedCode: smtp.EnhancedCode{5, 1, 0}, Message: "unknown sender"}}
	port, roots := mailServer(t, p, "tls")
	m, err := NewMail(MailConfig{Host: "localhost", Port: port, TLS: "tls", From: "a@b.example", To: []string{"c@d.example"}, TLSConfig: &tls.Config{RootCAs: roots}})
	if err != nil {
		t.Fatal(err)
	}
	if err := m.Send(t.Context(), message(alarm("x", alerts.Unacked))); !errors.Is(err, ErrRefused) {
		t.Errorf("550: %v", err)
	}
	p.refuse = &smtp.SMTPError{Code: 451, EnhancedCode: smtp.EnhancedCode{4, 3, 0}, Message: "later"}
	if err := m.Send(t.Context(), message(alarm("x", alerts.Unacked))); err == nil || errors.Is(err, ErrRefused) {
		t.Errorf("451: %v", err)
	}
}

// Web Push.

type book struct {
	mu   sync.Mutex
	subs []Subscription
}

func (b *book) Subscriptions() ([]Subscription, error) {
	b.mu.Lock()
	defer b.mu.Unlock()
	return slices.Clone(b.subs), nil
}

func (b *book) Unsubscribe(endpoint string) error {
	b.mu.Lock()
	defer b.mu.Unlock()
	b.subs = slices.DeleteFunc(b.subs, func(s Subscription) bool { return s.Endpoint == endpoint })
	return nil
}

// decrypt is RFC 8291, section 3, and RFC 8188, section 2, from the receiver's
// side: written from the RFCs, and checked against the vector of RFC 8291's
// appendix A before it is used on what the library sends.
func decrypt(ua *ecdh.PrivateKey, auth, body []byte) ([]byte, error) {
	if len(body) < 21 {
		return nil, errors.New("too short")
	}
	salt, size, idLen := body[:16], binary.BigEndian.Uint32(body[16:20]), int(body[20])
	asPub := body[21 : 21+idLen]
	text := body[21+idLen:]
	if len(text) > int(size) {
		return nil, fmt.Errorf("%d bytes in a record of %d", len(text), size)
	}
	as, err := ecdh.P256().NewPublicKey(asPub)
	if err != nil {
		return nil, err
	}
	shared, err := ua.ECDH(as)
	if err != nil {
		return nil, err
	}
	info := "WebPush: info\x00" + string(ua.PublicKey().Bytes()) + string(asPub)
	ikm, err := hkdf.Key(sha256.New, shared, auth, info, 32)
	if err != nil {
		return nil, err
	}
	cek, err1 := hkdf.Key(sha256.New, ikm, salt, "Content-Encoding: aes128gcm\x00", 16)
	nonce, err2 := hkdf.Key(sha256.New, ikm, salt, "Content-Encoding: nonce\x00", 12)
	if err := errors.Join(err1, err2); err != nil {
		return nil, err
	}
	block, err := aes.NewCipher(cek)
	if err != nil {
		return nil, err
	}
	gcm, err := cipher.NewGCM(block)
	if err != nil {
		return nil, err
	}
	plain, err := gcm.Open(nil, nonce, text, nil)
	if err != nil {
		return nil, err
	}
	plain = bytes.TrimRight(plain, "\x00")
	if len(plain) == 0 || plain[len(plain)-1] != 2 {
		return nil, errors.New("no delimiter of a last record")
	}
	return plain[:len(plain)-1], nil
}

func b64(t *testing.T, s string) []byte {
	t.Helper()
	b, err := base64.RawURLEncoding.DecodeString(s)
	if err != nil {
		t.Fatal(err)
	}
	return b
}

func TestPushAgainstRFC8291(t *testing.T) {
	raw, err := os.ReadFile("../../testdata/checks/rfc8291_vector.json")
	if err != nil {
		t.Fatal(err)
	}
	var v struct{ Plaintext, UAPrivate, UAPublic, AuthSecret, Body string }
	fields := map[string]any{}
	if err := json.Unmarshal(raw, &fields); err != nil {
		t.Fatal(err)
	}
	v.Plaintext, v.UAPrivate, v.UAPublic = fields["plaintext"].(string), fields["ua_private"].(string), fields["ua_public"].(string)
	v.AuthSecret, v.Body = fields["auth_secret"].(string), fields["body"].(string)
	ua, err := ecdh.P256().NewPrivateKey(b64(t, v.UAPrivate))
	if err != nil {
		t.Fatal(err)
	}
	plain, err := decrypt(ua, b64(t, v.AuthSecret), b64(t, v.Body))
	if err != nil || string(plain) != v.Plaintext {
		t.Fatalf("the vector of RFC 8291 decrypts to %q, %v", plain, err)
	}

	// Now what is really sent, to the same receiver.
	private, public, err := NewPushKeys()
	if err != nil {
		t.Fatal(err)
	}
	var body []byte
	var header http.Header
	status := http.StatusCreated
	hits := map[string]int{}
	var mu sync.Mutex
	s := httptest.NewTLSServer(http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		mu.Lock()
		defer mu.Unlock()
		hits[r.URL.Path]++
		if r.URL.Path == "/gone" {
			w.WriteHeader(http.StatusGone)
			return
		}
		if r.URL.Path == "/busy" {
			w.WriteHeader(http.StatusServiceUnavailable)
			return
		}
		body, _ = io.ReadAll(r.Body)
		header = r.Header
		w.WriteHeader(status)
	}))
	defer s.Close()
	sub := func(path string) Subscription { return Subscription{s.URL + path, v.UAPublic, v.AuthSecret} }
	b := &book{subs: []Subscription{sub("/gone"), sub("/one")}}
	p, err := NewPush(PushConfig{Contact: "ada@boathouse.example", PublicKey: public, PrivateKey: private}, b, s.Client(), nil)
	if err != nil {
		t.Fatal(err)
	}
	if err := p.Send(t.Context(), message(alarm("flash-margin", alerts.Unacked))); err != nil {
		t.Fatal(err)
	}
	plain, err = decrypt(ua, b64(t, v.AuthSecret), body)
	if err != nil {
		t.Fatal(err)
	}
	var got PushPayload
	if err := json.Unmarshal(plain, &got); err != nil || got.Key != "flash-margin" || !strings.Contains(got.Body, "Turn the heat off now.") {
		t.Errorf("%s: %v", plain, err)
	}
	if len(body) > 4096 {
		t.Errorf("%d bytes: a service need not take more than 4096 (RFC 8030, 7.2)", len(body))
	}
	// RFC 8030: TTL is required (5.2), urgency from the list of 5.3.
	if header.Get("TTL") != "3600" || header.Get("Urgency") != "high" || header.Get("Content-Encoding") != "aes128gcm" {
		t.Errorf("headers %v", header)
	}
	// RFC 8030, 5.4: the topic is at most 32 characters of base64url; here one for
	// each alarm, so that a reminder takes the place of what was not delivered.
	if tp := header.Get("Topic"); len(tp) != 32 || len(b64(t, tp)) != 24 || tp != topic(message(alarm("flash-margin", alerts.Acked))) || tp == topic(message(alarm("scorch", alerts.Unacked))) {
		t.Errorf("topic %q", tp)
	}
	// RFC 8292: a token signed ES256 under the key, for the service's origin, at
	// most 24 h ahead, with a contact.
	var token, key string
	for _, part := range strings.Split(strings.TrimPrefix(header.Get("Authorization"), "vapid "), ",") {
		k, val, _ := strings.Cut(strings.TrimSpace(part), "=")
		if k == "t" {
			token = val
		} else if k == "k" {
			key = val
		}
	}
	if key != public {
		t.Errorf("k=%s, want %s", key, public)
	}
	claims := jwt.MapClaims{}
	_, err = jwt.ParseWithClaims(token, claims, func(*jwt.Token) (any, error) {
		return ecdsa.ParseUncompressedPublicKey(elliptic.P256(), b64(t, key))
	}, jwt.WithValidMethods([]string{"ES256"}), jwt.WithAudience(s.URL), jwt.WithExpirationRequired())
	exp, _ := claims.GetExpirationTime()
	if err != nil || claims["sub"] != "mailto:ada@boathouse.example" || time.Until(exp.Time) > 24*time.Hour {
		t.Errorf("token %v: %v", claims, err)
	}
	// The browser that is gone was forgotten.
	if len(b.subs) != 1 || b.subs[0].Endpoint != s.URL+"/one" {
		t.Errorf("subscriptions %v", b.subs)
	}
	// A second try does not call those who have it, and a cue is less urgent.
	b.subs = append(b.subs, sub("/busy"))
	m := message(cue("trim", alerts.Unacked))
	m.ID, m.Notice.Priority = "m2", alerts.Low
	for range 3 {
		if err := p.Send(t.Context(), m); err == nil || errors.Is(err, ErrRefused) || strings.Contains(err.Error(), "/busy") {
			t.Errorf("a busy service: %v", err)
		}
	}
	if hits["/one"] != 2 || hits["/busy"] != 3 || header.Get("Urgency") != "normal" || header.Get("TTL") != "600" {
		t.Errorf("hits %v, headers %v", hits, header)
	}
}

func TestPushRefusesBadSubscriptions(t *testing.T) {
	pub := "BCVxsr7N_eNgVRqvHtD0zTZsEc6-VV-JvLexhqUzORcxaOzi6-AYWXvTBHm4bjyPjs7Vd8pZGH6SRpkNtoIAiw4" // RFC 8291, appendix A
	good := Subscription{"https://push.example/1", pub, "BTBZMqHH6r4Tts7J_aSIgg"}
	if err := good.Validate(); err != nil {
		t.Errorf("a good one: %v", err)
	}
	for name, s := range map[string]Subscription{
		"plain http": {"http://push.example/1", pub, good.Auth}, "no address": {"", pub, good.Auth}, "no point": {good.Endpoint, pub[:40], good.Auth},
		"short secret": {good.Endpoint, pub, "BTBZ"}, "off the curve": {good.Endpoint, "BA" + strings.Repeat("A", 85), good.Auth},
	} {
		if s.Validate() == nil {
			t.Errorf("%s was taken", name)
		}
	}
}

// The pin.

// levels keeps what a pin did and when.
type levels struct {
	gpiotest.Pin
	begun time.Time
	mu    sync.Mutex
	log   []string
	fail  error
}

func (l *levels) Out(v gpio.Level) error {
	l.mu.Lock()
	defer l.mu.Unlock()
	if l.fail != nil {
		return l.fail
	}
	l.log = append(l.log, fmt.Sprintf("%v@%v", v, time.Since(l.begun)))
	return l.Pin.Out(v)
}

func TestPinSoundsUntilItIsAnswered(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		out := &levels{Pin: gpiotest.Pin{N: "GPIO17", Num: 17}, begun: time.Now()}
		out.L = gpio.High // somebody left it on
		p, err := NewPin(PinConfig{}, out)
		if err != nil {
			t.Fatal(err)
		}
		if out.Read() != gpio.Low {
			t.Error("a new pin is not silent")
		}
		d, stop := start(t, Options{Routes: []Route{{Channel: p}}})
		d.Post(alarm("flash-margin", alerts.Unacked))
		synctest.Wait()
		if out.Read() != gpio.High {
			t.Error("an urgent alarm does not sound at once")
		}
		ons := 0
		for range 100 {
			time.Sleep(100 * time.Millisecond)
			if out.Read() == gpio.High {
				ons++
			}
		}
		if ons < 40 || ons > 60 {
			t.Errorf("on for %d of 100 tenths of a second", ons)
		}
		d.Post(alarm("flash-margin", alerts.LatchedUnack)) // unseen: it goes on
		time.Sleep(2 * time.Second)
		out.mu.Lock()
		n := len(out.log)
		out.mu.Unlock()
		time.Sleep(2 * time.Second)
		out.mu.Lock()
		if len(out.log) == n {
			t.Error("it fell silent before anybody answered")
		}
		out.mu.Unlock()
		d.Post(alarm("flash-margin", alerts.LatchedAck))
		time.Sleep(time.Second)
		out.mu.Lock()
		n = len(out.log)
		out.mu.Unlock()
		time.Sleep(time.Minute)
		out.mu.Lock()
		if len(out.log) != n || out.Read() != gpio.Low {
			t.Error("it goes on though it was answered")
		}
		out.mu.Unlock()

		d.Post(cue("pour-now", alerts.Unacked)) // once
		time.Sleep(time.Minute)
		out.mu.Lock()
		if len(out.log) != n+2 {
			t.Errorf("a cue made %d switches, want on and off", len(out.log)-n)
		}
		out.mu.Unlock()

		d.Post(alarm("flash-margin", alerts.Unacked))
		time.Sleep(100 * time.Millisecond)
		stop()
		if out.Read() != gpio.Low {
			t.Error("it was left sounding at the end")
		}
	})
}

func TestPinActiveLowAndFaults(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		out := &levels{Pin: gpiotest.Pin{N: "GPIO4"}}
		p, err := NewPin(PinConfig{ActiveLow: true}, out)
		if err != nil {
			t.Fatal(err)
		}
		if out.Read() != gpio.High {
			t.Error("silent is high on an active-low pin")
		}
		if err := p.Send(t.Context(), Message{Test: true}); err != nil || out.Read() != gpio.High {
			t.Errorf("test: %v", err)
		}
		out.fail = errors.New("the line is taken")
		if err := p.Send(t.Context(), Message{Test: true}); err == nil {
			t.Error("a dead pin passed its test")
		}
		// A fault in the sounding shows on the channel.
		d, stop := start(t, Options{Routes: []Route{{Channel: p}}})
		defer stop()
		d.Post(alarm("flash-margin", alerts.Unacked))
		time.Sleep(10 * time.Second)
		d.Post(alarm("flash-margin", alerts.Unacked))
		time.Sleep(100 * time.Millisecond)
		if st := d.Status()[0]; st.OK {
			t.Errorf("status %+v", st)
		}
		out.mu.Lock()
		out.fail = nil
		out.mu.Unlock()
	})
}

func TestOpenPinSaysWhatIsMissing(t *testing.T) {
	if _, err := OpenPin(PinConfig{Pin: "NO-SUCH-PIN"}); err == nil || !strings.Contains(err.Error(), "NO-SUCH-PIN") {
		t.Errorf("%v", err)
	}
}

// Set-up.

func TestBadSetUpNamesFieldValueAndRule(t *testing.T) {
	private, public, err := NewPushKeys()
	if err != nil {
		t.Fatal(err)
	}
	_, other, _ := NewPushKeys()
	type v interface{ Validate() error }
	mail := MailConfig{Host: "mail.example", From: "a@b.example", To: []string{"c@d.example"}}
	with := func(f func(*MailConfig)) MailConfig { m := mail; m.To = slices.Clone(mail.To); f(&m); return m }
	for _, c := range []struct {
		name  string
		v     v
		field string // "" = good
	}{
		{"webhook", WebhookConfig{URL: "https://x.example/h", Secret: secret}, ""},
		{"webhook address", WebhookConfig{URL: "x.example", Secret: secret}, "url"},
		{"webhook password in address", WebhookConfig{URL: "https://a:b@x.example", Secret: secret}, "url"},
		{"webhook short secret", WebhookConfig{URL: "https://x.example/h", Secret: "short"}, "secret"},
		{"late by a day", WebhookConfig{Common: Common{After: Wait(24 * time.Hour)}, URL: "https://x.example/h", Secret: secret}, "after"},
		{"no such priority", WebhookConfig{Common: Common{Least: "loud"}, URL: "https://x.example/h", Secret: secret}, "least"},
		{"mail", mail, ""},
		{"mail host", with(func(m *MailConfig) { m.Host = "" }), "host"},
		{"mail port", with(func(m *MailConfig) { m.Port = 70000 }), "port"},
		{"mail tls", with(func(m *MailConfig) { m.TLS = "maybe" }), "tls"},
		{"mail without tls", with(func(m *MailConfig) { m.TLS = "none" }), "tls"},
		{"mail without tls here", with(func(m *MailConfig) { m.TLS, m.Host = "none", "localhost" }), ""},
		{"mail password in clear", with(func(m *MailConfig) { m.TLS, m.Host, m.User, m.Password = "none", "localhost", "ada", secret }), "password"},
		{"mail user alone", with(func(m *MailConfig) { m.User = "ada" }), "password"},
		{"mail from", with(func(m *MailConfig) { m.From = "nobody" }), "from"},
		{"mail to", with(func(m *MailConfig) { m.To = nil }), "to"},
		{"mail bad to", with(func(m *MailConfig) { m.To[0] = "@@" }), "to"},
		{"push", PushConfig{Contact: "a@b.example", PublicKey: public, PrivateKey: private}, ""},
		{"push contact", PushConfig{Contact: "me", PublicKey: public, PrivateKey: private}, "contact"},
		{"push keys of two pairs", PushConfig{Contact: "a@b.example", PublicKey: other, PrivateKey: private}, "public_key"},
		{"push key", PushConfig{Contact: "a@b.example", PublicKey: public, PrivateKey: "nonsense"}, "private_key"},
		{"pin", PinConfig{Pin: "GPIO17"}, ""},
		{"no pin", PinConfig{}, "pin"},
	} {
		err := c.v.Validate()
		if c.field == "" {
			if err != nil {
				t.Errorf("%s: %v", c.name, err)
			}
			continue
		}
		var f *FieldError
		if !errors.As(err, &f) || f.Field != c.field || f.Rule == "" {
			t.Errorf("%s: %v, want a fault of %s", c.name, err, c.field)
		}
		if err != nil && (strings.Contains(err.Error(), secret) || strings.Contains(err.Error(), private)) {
			t.Errorf("%s: a secret shows: %v", c.name, err)
		}
	}
	var w Wait
	if err := w.UnmarshalText([]byte("90 s")); err != nil || time.Duration(w) != 90*time.Second {
		t.Errorf("%v %v", time.Duration(w), err)
	}
	if err := w.UnmarshalText([]byte("soon")); err == nil {
		t.Error(`"soon" was taken`)
	}
}

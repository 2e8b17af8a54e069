package notify

import (
	"context"
	"crypto/ecdh"
	"crypto/sha256"
	"encoding/base64"
	"encoding/json"
	"errors"
	"fmt"
	"net/http"
	"net/url"
	"strings"
	"sync"
	"time"

	webpush "github.com/SherClockHolmes/webpush-go"

	"example.org/meltstation/alerts"
)

// PushConfig is Web Push (RFC 8030, 8291, 8292) as the maker sets it up. The key
// pair is made once by [NewPushKeys] and kept: browsers that subscribed under it
// know no other.
type PushConfig struct {
	Common
	Contact    string `toml:"contact"`     // a mail or https address that a push service may write to
	PublicKey  string `toml:"public_key"`  // base64url, uncompressed P-256 point
	PrivateKey string `toml:"private_key"` // base64url
}

// NewPushKeys makes a key pair for [PushConfig].
func NewPushKeys() (private, public string, err error) {
	private, public, err = webpush.GenerateVAPIDKeys()
	if err != nil {
		return "", "", fmt.Errorf("making push keys: %w", err)
	}
	return private, public, nil
}

// Validate returns every broken field, joined.
func (c PushConfig) Validate() error {
	p := problems{channel: c.title("push")}
	c.check(&p)
	if !strings.Contains(c.Contact, "@") && !strings.HasPrefix(c.Contact, "https://") {
		p.add("contact", c.Contact, "must be a mail address or an https address")
	}
	pub, err := base64.RawURLEncoding.DecodeString(c.PublicKey)
	if err == nil {
		_, err = ecdh.P256().NewPublicKey(pub)
	}
	if err != nil {
		p.add("public_key", c.PublicKey, "must be a key made by this program")
	}
	raw, err := base64.RawURLEncoding.DecodeString(c.PrivateKey)
	var priv *ecdh.PrivateKey
	if err == nil {
		priv, err = ecdh.P256().NewPrivateKey(raw)
	}
	switch {
	case err != nil:
		p.add("private_key", hidden(c.PrivateKey), "must be a key made by this program")
	case pub != nil && string(priv.PublicKey().Bytes()) != string(pub):
		p.add("public_key", c.PublicKey, "must belong to the private key")
	}
	return p.err()
}

// Subscription is one browser that wants to be called, as its own page got it.
type Subscription struct {
	Endpoint string `json:"endpoint"`
	P256dh   string `json:"p256dh"` // base64url
	Auth     string `json:"auth"`   // base64url
}

// Validate says why a subscription can't be used.
func (s Subscription) Validate() error {
	u, err := url.Parse(s.Endpoint)
	if err != nil || u.Scheme != "https" || u.Host == "" || len(s.Endpoint) > 2048 {
		return errors.New("the subscription's endpoint must be an https address")
	}
	key, err := base64.RawURLEncoding.DecodeString(strings.TrimRight(s.P256dh, "="))
	if err == nil {
		_, err = ecdh.P256().NewPublicKey(key)
	}
	if err != nil {
		return errors.New("the subscription's key is no P-256 point")
	}
	if a, err := base64.RawURLEncoding.DecodeString(strings.TrimRight(s.Auth, "=")); err != nil || len(a) != 16 {
		return errors.New("the subscription's secret must have 16 bytes")
	}
	return nil
}

// Subscriptions is where they are kept.
type Subscriptions interface {
	Subscriptions() ([]Subscription, error)
	Unsubscribe(endpoint string) error // the browser is gone
}

// Push calls every subscribed browser.
type Push struct {
	c      PushConfig
	subs   Subscriptions
	client *http.Client
	now    func() time.Time

	mu   sync.Mutex
	id   string          // the message that done is about
	done map[string]bool // endpoints that have it
}

var (
	_ Channel   = (*Push)(nil)
	_ Selective = (*Push)(nil)
)

// NewPush makes a push channel. A nil client means one that follows no redirects.
func NewPush(c PushConfig, subs Subscriptions, client *http.Client, now func() time.Time) (*Push, error) {
	if err := c.Validate(); err != nil {
		return nil, err
	}
	if client == nil {
		client = &http.Client{CheckRedirect: func(*http.Request, []*http.Request) error { return http.ErrUseLastResponse }}
	}
	if now == nil {
		now = time.Now
	}
	return &Push{c: c, subs: subs, client: client, now: now}, nil
}

// Name is the channel's name in the set-up.
func (p *Push) Name() string { return p.c.title("push") }

// Kind is "push".
func (p *Push) Kind() string { return "push" }

// Wants only calls.
func (p *Push) Wants(m Message) bool { return m.Calls() }

// PushPayload is what the service worker gets.
type PushPayload struct {
	Title    string `json:"title"`
	Body     string `json:"body"`
	Key      string `json:"key"`
	Pot      string `json:"pot"`
	Class    string `json:"class"`
	Priority string `json:"priority"`
	Test     bool   `json:"test,omitempty"`
}

// How long a push service keeps a call for a phone that can't be reached.
const (
	alarmTTL = 3600 // s
	cueTTL   = 600  // s
)

// Send calls every subscribed browser that has not had this message yet. Those
// that are gone (404 or 410) are unsubscribed.
func (p *Push) Send(ctx context.Context, m Message) error {
	subs, err := p.subs.Subscriptions()
	if err != nil {
		return fmt.Errorf("listing the subscribed browsers: %w", err)
	}
	n := m.Notice
	first := ""
	if len(m.Text.Do) > 0 {
		first = " " + m.Text.Do[0]
	}
	body, err := json.Marshal(PushPayload{Title: m.Text.Title, Body: m.Text.Body + first, Key: n.Key, Pot: n.Pot,
		Class: string(n.Class), Priority: string(n.Priority), Test: m.Test})
	if err != nil {
		return fmt.Errorf("writing the push: %w: %w", ErrRefused, err)
	}
	var errs []error
	refused := true
	for _, s := range subs {
		if p.has(m.ID, s.Endpoint) {
			continue
		}
		err := p.one(ctx, s, m, body)
		if err == nil {
			p.mark(m.ID, s.Endpoint)
			continue
		}
		refused = refused && errors.Is(err, ErrRefused)
		errs = append(errs, err)
	}
	if errs == nil {
		return nil
	}
	if !refused {
		// Those that refused will again; the others are worth another try.
		for i, e := range errs {
			errs[i] = plain{e}
		}
	}
	return errors.Join(errs...)
}

// plain is an error without the kinds behind it.
type plain struct{ error }

func (p *Push) one(ctx context.Context, s Subscription, m Message, body []byte) error {
	if err := s.Validate(); err != nil {
		return fmt.Errorf("%w: %w", err, ErrRefused)
	}
	u, _ := url.Parse(s.Endpoint)
	o := &webpush.Options{
		HTTPClient: p.client, Subscriber: p.c.Contact, TTL: cueTTL, Urgency: webpush.UrgencyNormal,
		Topic:          topic(m),
		VAPIDPublicKey: p.c.PublicKey, VAPIDPrivateKey: p.c.PrivateKey, RecordSize: pushRecord,
	}
	if m.Notice.Class == alerts.Alarm || m.Test {
		o.TTL, o.Urgency = alarmTTL, webpush.UrgencyHigh
	}
	if m.Notice.Priority != alerts.Low {
		o.Urgency = webpush.UrgencyHigh
	}
	res, err := webpush.SendNotificationWithContext(ctx, body, &webpush.Subscription{
		Endpoint: s.Endpoint, Keys: webpush.Keys{Auth: s.Auth, P256dh: s.P256dh}}, o)
	if err != nil {
		return netError(u.Hostname(), err)
	}
	defer res.Body.Close()
	if res.StatusCode == http.StatusNotFound || res.StatusCode == http.StatusGone {
		if err := p.subs.Unsubscribe(s.Endpoint); err != nil {
			return fmt.Errorf("forgetting a browser that is gone: %w", err)
		}
		return nil
	}
	return httpStatus(u.Hostname(), res, p.now())
}

// topic makes a later call about the same thing take the place of one that the
// service has not delivered yet (RFC 8030, 5.4: at most 32 characters of the URL
// and filename safe base64 alphabet).
func topic(m Message) string {
	k := nameOf(m.Notice)
	sum := sha256.Sum256([]byte(k.pot + "\x00" + k.key + "\x00" + k.batch))
	return base64.RawURLEncoding.EncodeToString(sum[:24])
}

// pushRecord is the record size: every push is padded to it, so that its length
// says nothing, and it stays below the 4096 bytes that services must take.
const pushRecord = 2048

func (p *Push) has(id, endpoint string) bool {
	p.mu.Lock()
	defer p.mu.Unlock()
	return p.id == id && p.done[endpoint]
}

func (p *Push) mark(id, endpoint string) {
	p.mu.Lock()
	defer p.mu.Unlock()
	if p.id != id {
		p.id, p.done = id, map[string]bool{}
	}
	p.done[endpoint] = true
}

package notify

import (
	"bytes"
	"context"
	"crypto/hmac"
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"net/http"
	"net/url"
	"strconv"
	"strings"
	"time"

	"example.org/meltstation/alerts"
)

// Headers of a webhook request. The signature is the hexadecimal HMAC-SHA256
// (RFC 2104, FIPS 180-4), under the shared secret, of the time, a full stop and
// the body. The time is in seconds since 1970; the id is the same when a message
// is sent again.
const (
	HeaderID        = "Meltstation-Id"
	HeaderTime      = "Meltstation-Time"
	HeaderSignature = "Meltstation-Signature"
)

// WebhookConfig is a webhook as the maker sets it up.
type WebhookConfig struct {
	Common
	URL    string `toml:"url"`
	Secret string `toml:"secret"` // signs every request
}

// Validate returns every broken field, joined.
func (c WebhookConfig) Validate() error {
	p := problems{channel: c.title("webhook")}
	c.check(&p)
	u, err := url.Parse(c.URL)
	switch {
	case err != nil || u.Host == "" || (u.Scheme != "https" && u.Scheme != "http"):
		p.add("url", hidden(c.URL), "must be a web address like https://example.org/hook")
	case u.User != nil:
		p.add("url", hidden(c.URL), "must not hold a name and a password")
	}
	if len(c.Secret) < 16 {
		p.add("secret", hidden(c.Secret), "must have at least 16 characters")
	}
	return p.err()
}

// Webhook posts every transition as JSON, signed.
type Webhook struct {
	c      WebhookConfig
	client *http.Client
	now    func() time.Time
}

var _ Channel = (*Webhook)(nil)

// NewWebhook makes a webhook. A nil client means one that follows no redirects;
// a nil now means time.Now.
func NewWebhook(c WebhookConfig, client *http.Client, now func() time.Time) (*Webhook, error) {
	if err := c.Validate(); err != nil {
		return nil, err
	}
	if client == nil {
		client = &http.Client{CheckRedirect: func(*http.Request, []*http.Request) error { return http.ErrUseLastResponse }}
	}
	if now == nil {
		now = time.Now
	}
	return &Webhook{c, client, now}, nil
}

// Name is the channel's name in the set-up.
func (h *Webhook) Name() string { return h.c.title("webhook") }

// Kind is "webhook".
func (h *Webhook) Kind() string { return "webhook" }

// Payload is the JSON body of a webhook request.
type Payload struct {
	ID      string        `json:"id"`
	Station string        `json:"station"`
	Sent    time.Time     `json:"sent"` // UTC
	Test    bool          `json:"test,omitempty"`
	Late    bool          `json:"late,omitempty"`
	Title   string        `json:"title"`
	Body    string        `json:"body"`
	Do      []string      `json:"do"`
	Notice  alerts.Notice `json:"notice"`
}

// Send posts one message.
func (h *Webhook) Send(ctx context.Context, m Message) error {
	now := h.now()
	body, err := json.Marshal(Payload{ID: m.ID, Station: m.Station, Sent: now.UTC(), Test: m.Test, Late: m.Late,
		Title: m.Text.Title, Body: m.Text.Body, Do: m.Text.Do, Notice: m.Notice})
	if err != nil {
		return fmt.Errorf("writing the request: %w: %w", ErrRefused, err)
	}
	req, err := http.NewRequestWithContext(ctx, http.MethodPost, h.c.URL, bytes.NewReader(body))
	if err != nil {
		return fmt.Errorf("the address can't be used: %w", ErrRefused)
	}
	t := strconv.FormatInt(now.Unix(), 10)
	req.Header.Set("Content-Type", "application/json")
	req.Header.Set("User-Agent", "meltstation")
	req.Header.Set(HeaderID, m.ID)
	req.Header.Set(HeaderTime, t)
	req.Header.Set(HeaderSignature, hex.EncodeToString(sign(h.c.Secret, t, body)))
	res, err := h.client.Do(req)
	if err != nil {
		return netError(req.URL.Hostname(), err)
	}
	defer res.Body.Close()
	_, _ = io.Copy(io.Discard, io.LimitReader(res.Body, 64<<10)) // so that the connection can be used again
	return httpStatus(req.URL.Hostname(), res, h.now())
}

func sign(secret, t string, body []byte) []byte {
	mac := hmac.New(sha256.New, []byte(secret))
	mac.Write([]byte(t))
	mac.Write([]byte{'.'})
	mac.Write(body)
	return mac.Sum(nil)
}

// ErrSignature is a request that was not signed with the secret, or too long ago.
var ErrSignature = errors.New("the signature does not hold")

// Verify checks a webhook request's headers against its body, as a receiver
// should, and refuses one signed more than tolerance away from now.
func Verify(secret string, header http.Header, body []byte, now time.Time, tolerance time.Duration) error {
	t := header.Get(HeaderTime)
	sec, err := strconv.ParseInt(t, 10, 64)
	if err != nil {
		return fmt.Errorf("%s: %w", HeaderTime, ErrSignature)
	}
	if now.Sub(time.Unix(sec, 0)).Abs() > tolerance {
		return fmt.Errorf("signed at another time: %w", ErrSignature)
	}
	got, err := hex.DecodeString(header.Get(HeaderSignature))
	if err != nil || !hmac.Equal(got, sign(secret, t, body)) {
		return fmt.Errorf("%s: %w", HeaderSignature, ErrSignature)
	}
	return nil
}

// netError says why a host could not be reached, without the address: its path
// and query may hold a secret.
func netError(host string, err error) error {
	var u *url.Error
	if errors.As(err, &u) {
		err = u.Err
	}
	if errors.Is(err, context.DeadlineExceeded) {
		return fmt.Errorf("%s did not answer in time", host)
	}
	return fmt.Errorf("reaching %s: %w", host, err)
}

// httpStatus turns an answer into an error: none for success; refused for what
// trying again can't mend.
func httpStatus(host string, res *http.Response, now time.Time) error {
	code := res.StatusCode
	if code >= 200 && code < 300 {
		return nil
	}
	err := fmt.Errorf("%s answered %d %s", host, code, strings.ToLower(http.StatusText(code)))
	switch {
	case code == http.StatusTooManyRequests, code == http.StatusServiceUnavailable:
		if wait, ok := parseRetryAfter(res.Header.Get("Retry-After"), now); ok {
			return &retryAfter{wait, err}
		}
		return err
	case code == http.StatusRequestTimeout, code == http.StatusTooEarly, code >= 500:
		return err
	}
	return fmt.Errorf("%w: %w", err, ErrRefused)
}

// parseRetryAfter reads seconds or a date (RFC 9110, 10.2.3).
func parseRetryAfter(s string, now time.Time) (time.Duration, bool) {
	if n, err := strconv.Atoi(s); err == nil && n >= 0 {
		return time.Duration(min(n, 86400)) * time.Second, true
	}
	if t, err := http.ParseTime(s); err == nil {
		return t.Sub(now), true
	}
	return 0, false
}

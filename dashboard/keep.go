package dashboard

import (
	"cmp"
	"context"
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"errors"
	"fmt"
	"net/http"
	"slices"
	"sync"
	"time"

	"example.org/meltstation/alerts/notify"
	"example.org/meltstation/dashboard/pairing"
	"example.org/meltstation/probe/trace"
)

// Documents keeps small things over a restart. A [trace.Store] is one.
type Documents interface {
	PutDoc(ctx context.Context, kind, id string, data []byte, who string) error
	DeleteDoc(ctx context.Context, kind, id, who string) error
	Doc(ctx context.Context, kind, id string) ([]byte, error) // trace.ErrNoDocument when there is none
	Docs(ctx context.Context, kind string) ([]trace.Document, error)
}

// The kinds of document that the server keeps.
const (
	docDevice      = "device"
	docPreferences = "preferences"
	docPush        = "push"
)

// memoryDocs forgets at the end.
type memoryDocs struct {
	mu   sync.Mutex
	docs map[[2]string]trace.Document
}

func (m *memoryDocs) PutDoc(_ context.Context, kind, id string, data []byte, who string) error {
	m.mu.Lock()
	defer m.mu.Unlock()
	if m.docs == nil {
		m.docs = make(map[[2]string]trace.Document)
	}
	m.docs[[2]string{kind, id}] = trace.Document{Kind: kind, ID: id, Data: data, Who: who}
	return nil
}

func (m *memoryDocs) DeleteDoc(_ context.Context, kind, id, _ string) error {
	m.mu.Lock()
	defer m.mu.Unlock()
	delete(m.docs, [2]string{kind, id})
	return nil
}

func (m *memoryDocs) Doc(_ context.Context, kind, id string) ([]byte, error) {
	m.mu.Lock()
	defer m.mu.Unlock()
	d, ok := m.docs[[2]string{kind, id}]
	if !ok {
		return nil, trace.ErrNoDocument
	}
	return d.Data, nil
}

func (m *memoryDocs) Docs(_ context.Context, kind string) ([]trace.Document, error) {
	m.mu.Lock()
	defer m.mu.Unlock()
	var list []trace.Document
	for k, d := range m.docs {
		if k[0] == kind {
			list = append(list, d)
		}
	}
	slices.SortFunc(list, func(a, b trace.Document) int { return cmp.Compare(a.ID, b.ID) })
	return list, nil
}

// DeviceStore keeps paired devices among the station's documents.
func DeviceStore(d Documents) pairing.Store { return deviceDocs{d} }

type deviceDocs struct{ docs Documents }

func (d deviceDocs) LoadDevices(ctx context.Context) ([]pairing.Device, error) {
	docs, err := d.docs.Docs(ctx, docDevice)
	if err != nil {
		return nil, err
	}
	var list []pairing.Device
	for _, doc := range docs {
		var v pairing.Device
		if json.Unmarshal(doc.Data, &v) == nil { // a damaged one must pair again
			list = append(list, v)
		}
	}
	return list, nil
}

func (d deviceDocs) SaveDevice(ctx context.Context, v pairing.Device) error {
	data, err := json.Marshal(v)
	if err != nil {
		return err
	}
	return d.docs.PutDoc(ctx, docDevice, v.ID, data, "")
}

func (d deviceDocs) DeleteDevice(ctx context.Context, id string) error {
	return d.docs.DeleteDoc(ctx, docDevice, id, "")
}

// Preferences are how one device shows things.
type Preferences struct {
	Units    string `json:"units"` // "C" or "F"
	Mass     string `json:"mass"`  // "g" or "oz"
	Clock    string `json:"clock"` // "24" or "12"
	Theme    string `json:"theme"` // "auto", "light" or "dark"
	Sound    bool   `json:"sound"`
	Language string `json:"language"` // BCP 47
}

func (p Preferences) check() error {
	for _, c := range []struct {
		field, value string
		may          []string
	}{
		{"units", p.Units, []string{"C", "F"}},
		{"mass", p.Mass, []string{"g", "oz"}},
		{"clock", p.Clock, []string{"24", "12"}},
		{"theme", p.Theme, []string{"auto", "light", "dark"}},
	} {
		if !slices.Contains(c.may, c.value) {
			return problemInvalid.with(fmt.Sprintf("%q can be one of %q.", c.field, c.may))
		}
	}
	if !okName(p.Language, 35) {
		return problemInvalid.with(`"language" must be a short tag like "en".`)
	}
	return nil
}

// preferencesID is whose preferences they are: the device's, or this machine's.
func preferencesID(r *http.Request) string { return cmp.Or(identityOf(r).deviceID(), "here") }

func (s *Server) preferences(w http.ResponseWriter, r *http.Request) error {
	snap := s.station.Snapshot()
	p := Preferences{Units: cmp.Or(snap.Units, "C"), Mass: cmp.Or(snap.Mass, "g"), Clock: "24", Theme: "auto", Sound: true, Language: "en"}
	data, err := s.docs.Doc(r.Context(), docPreferences, preferencesID(r))
	switch {
	case err == nil:
		kept := p
		if json.Unmarshal(data, &kept) == nil && kept.check() == nil {
			p = kept
		}
	case !errors.Is(err, trace.ErrNoDocument):
		s.log.Warn("preferences could not be read", "error", err) // the defaults will do
	}
	return writeJSON(w, http.StatusOK, p)
}

func (s *Server) setPreferences(w http.ResponseWriter, r *http.Request) error {
	var p Preferences
	if err := readJSON(w, r, 4<<10, &p); err != nil {
		return err
	}
	if err := p.check(); err != nil {
		return err
	}
	data, err := json.Marshal(p)
	if err != nil {
		return err
	}
	return s.done(w, r, s.docs.PutDoc(r.Context(), docPreferences, preferencesID(r), data, identityOf(r).name()))
}

// PushBook keeps which browsers want to be called by Web Push.
type PushBook struct{ docs Documents }

var _ notify.Subscriptions = (*PushBook)(nil)

// NewPushBook keeps them among the station's documents.
func NewPushBook(d Documents) *PushBook { return &PushBook{d} }

// pushEntry is one of them, with the device that asked.
type pushEntry struct {
	notify.Subscription
	Device string `json:"device"`
}

const (
	maxPush     = 100
	pushTimeout = 10 * time.Second
)

func pushID(endpoint string) string {
	sum := sha256.Sum256([]byte(endpoint))
	return hex.EncodeToString(sum[:16])
}

func (b *PushBook) entries(ctx context.Context) ([]pushEntry, error) {
	docs, err := b.docs.Docs(ctx, docPush)
	if err != nil {
		return nil, fmt.Errorf("reading who wants to be called: %w", err)
	}
	var list []pushEntry
	for _, d := range docs {
		var e pushEntry
		if json.Unmarshal(d.Data, &e) == nil && e.Endpoint != "" {
			list = append(list, e)
		}
	}
	return list, nil
}

// Subscriptions returns every browser that wants to be called.
func (b *PushBook) Subscriptions() ([]notify.Subscription, error) {
	ctx, cancel := context.WithTimeout(context.Background(), pushTimeout)
	defer cancel()
	entries, err := b.entries(ctx)
	list := make([]notify.Subscription, 0, len(entries))
	for _, e := range entries {
		list = append(list, e.Subscription)
	}
	return list, err
}

// Unsubscribe forgets a browser.
func (b *PushBook) Unsubscribe(endpoint string) error {
	ctx, cancel := context.WithTimeout(context.Background(), pushTimeout)
	defer cancel()
	return b.docs.DeleteDoc(ctx, docPush, pushID(endpoint), "")
}

func (b *PushBook) add(ctx context.Context, e pushEntry) error {
	list, err := b.entries(ctx)
	if err != nil {
		return err
	}
	if len(list) >= maxPush && !slices.ContainsFunc(list, func(o pushEntry) bool { return o.Endpoint == e.Endpoint }) {
		return problemNotNow.with("Too many browsers are called already; remove a device first.")
	}
	data, err := json.Marshal(e)
	if err != nil {
		return err
	}
	return b.docs.PutDoc(ctx, docPush, pushID(e.Endpoint), data, e.Device)
}

// forgetDevice takes away what a removed device had asked for.
func (b *PushBook) forgetDevice(ctx context.Context, device string) error {
	list, err := b.entries(ctx)
	if err != nil {
		return err
	}
	for _, e := range list {
		if e.Device == device {
			if err := b.docs.DeleteDoc(ctx, docPush, pushID(e.Endpoint), ""); err != nil {
				return err
			}
		}
	}
	return nil
}

func (s *Server) pushKey(w http.ResponseWriter, r *http.Request) error {
	if s.opts.PushKey == "" || s.opts.Push == nil {
		return problemNotFound.with("Push is not set up at this station.")
	}
	return writeJSON(w, http.StatusOK, map[string]string{"key": s.opts.PushKey})
}

func (s *Server) subscribe(w http.ResponseWriter, r *http.Request) error {
	var req struct {
		Endpoint   string   `json:"endpoint"`
		Expiration *float64 `json:"expirationTime"` // of PushSubscription.toJSON(); a push service says 410 anyway
		Keys       struct {
			P256dh string `json:"p256dh"`
			Auth   string `json:"auth"`
		} `json:"keys"`
	}
	if err := readJSON(w, r, 8<<10, &req); err != nil {
		return err
	}
	if s.opts.Push == nil {
		return problemNotFound.with("Push is not set up at this station.")
	}
	sub := notify.Subscription{Endpoint: req.Endpoint, P256dh: req.Keys.P256dh, Auth: req.Keys.Auth}
	if err := sub.Validate(); err != nil {
		return problemInvalid.with(sentence(err.Error()))
	}
	if err := checkEndpoint(req.Endpoint); err != nil {
		return err
	}
	return s.done(w, r, s.opts.Push.add(r.Context(), pushEntry{sub, identityOf(r).deviceID()}))
}

func (s *Server) unsubscribe(w http.ResponseWriter, r *http.Request) error {
	var req struct {
		Endpoint string `json:"endpoint"`
	}
	if err := readJSON(w, r, 8<<10, &req); err != nil {
		return err
	}
	if s.opts.Push == nil {
		return problemNotFound.with("Push is not set up at this station.")
	}
	return s.done(w, r, s.opts.Push.docs.DeleteDoc(r.Context(), docPush, pushID(req.Endpoint), identityOf(r).name()))
}

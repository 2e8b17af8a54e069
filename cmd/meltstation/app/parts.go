package app

import (
	"context"
	"crypto/tls"
	"encoding/json"
	"errors"
	"fmt"
	"time"

	"example.org/meltstation/alerts/notify"
	"example.org/meltstation/alerts/station"
	"example.org/meltstation/cmd/meltstation/config"
	"example.org/meltstation/dashboard"
	"example.org/meltstation/dashboard/metrics"
	"example.org/meltstation/dashboard/page"
	"example.org/meltstation/probe/trace"
)

// channels makes the ways to reach the maker. The open page is the first; the
// others follow as the settings say.
func channels(ctx context.Context, c *config.Config, store *trace.Store, pages func() int) ([]notify.Route, *notify.Push, error) {
	routes := []notify.Route{{
		Channel: notify.Func("page", "page", func(context.Context, notify.Message) error {
			if pages() == 0 {
				return errors.New("no page is open")
			}
			return nil
		}),
		Always: true,
	}}
	for _, w := range c.Webhooks {
		ch, err := notify.NewWebhook(w, nil, nil)
		if err != nil {
			return nil, nil, err
		}
		routes = append(routes, w.Route(ch))
	}
	for _, m := range c.Mails {
		ch, err := notify.NewMail(m)
		if err != nil {
			return nil, nil, err
		}
		routes = append(routes, m.Route(ch))
	}
	for _, p := range c.Pins {
		ch, err := notify.OpenPin(p)
		if err != nil {
			return nil, nil, fmt.Errorf("opening the buzzer's pin: %w", err)
		}
		routes = append(routes, p.Route(ch))
	}
	if c.Push == nil {
		return routes, nil, nil
	}
	keys, err := pushKeys(ctx, store)
	if err != nil {
		return nil, nil, err
	}
	set := *c.Push
	set.PublicKey, set.PrivateKey = keys.Public, keys.Private
	push, err := notify.NewPush(set, subscriptions{store}, nil, nil)
	if err != nil {
		return nil, nil, err
	}
	return append(routes, set.Route(push)), push, nil
}

// The documents that Web Push keeps in the trace's file.
const (
	docPushKeys = "push-keys"
	docPushSub  = "push-subscription"
)

type keyPair struct {
	Public  string `json:"public"`
	Private string `json:"private"`
}

// pushKeys returns the station's key pair, made at first use.
func pushKeys(ctx context.Context, store *trace.Store) (keyPair, error) {
	var k keyPair
	data, err := store.Doc(ctx, docPushKeys, "station")
	if err == nil {
		err = json.Unmarshal(data, &k)
		return k, err
	}
	if !errors.Is(err, trace.ErrNoDocument) {
		return k, fmt.Errorf("reading the push keys: %w", err)
	}
	if k.Private, k.Public, err = notify.NewPushKeys(); err != nil {
		return k, err
	}
	if data, err = json.Marshal(k); err == nil {
		err = store.PutDoc(ctx, docPushKeys, "station", data, "station")
	}
	if err != nil {
		return k, fmt.Errorf("keeping the push keys: %w", err)
	}
	return k, nil
}

// subscriptions keeps the browsers that asked for pushes in the trace's file.
type subscriptions struct{ store *trace.Store }

func (s subscriptions) Subscriptions() ([]notify.Subscription, error) {
	ctx, cancel := context.WithTimeout(context.Background(), 5*time.Second)
	defer cancel()
	docs, err := s.store.Docs(ctx, docPushSub)
	if err != nil {
		return nil, err
	}
	var out []notify.Subscription
	for _, d := range docs {
		var sub notify.Subscription
		if json.Unmarshal(d.Data, &sub) == nil {
			out = append(out, sub)
		}
	}
	return out, nil
}

func (s subscriptions) Unsubscribe(endpoint string) error {
	ctx, cancel := context.WithTimeout(context.Background(), 5*time.Second)
	defer cancel()
	return s.store.DeleteDoc(ctx, docPushSub, endpoint, "push service")
}

func channelViews(ss []notify.ChannelStatus) []station.ChannelView {
	out := make([]station.ChannelView, len(ss))
	for i, s := range ss {
		out[i] = station.ChannelView{Name: s.Name, Kind: s.Kind, OK: s.OK, Tried: s.Tried, Reason: s.Reason}
	}
	return out
}

// tlsFor returns how the page is secured; nil = it is not.
func tlsFor(c *config.Config, o Options) (*tls.Config, error) {
	switch c.Page.TLS {
	case "files":
		cert, err := tls.LoadX509KeyPair(c.Page.Certificate, c.Page.Key)
		if err != nil {
			return nil, fmt.Errorf("reading the page's certificate: %w", err)
		}
		return &tls.Config{Certificates: []tls.Certificate{cert}, MinVersion: tls.VersionTLS12}, nil
	}
	return nil, nil
}

func dashboardOptions(c *config.Config, o Options, st *station.Station, store *trace.Store, secure *tls.Config, push *notify.Push) dashboard.Options {
	return dashboard.Options{
		Station: st, Page: page.FS(), Log: o.Log, Now: o.Now, Names: c.Page.Hosts,
		Documents: store, Batches: store, TLS: secure,
		Ready: []dashboard.ReadyCheck{
			{Name: "trace", Check: func(context.Context) error { return store.Health().Err }},
		},
		Metrics: metrics.Sources{Version: o.Version},
	}
}

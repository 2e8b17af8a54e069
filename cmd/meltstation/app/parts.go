package app

import (
	"cmp"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"path/filepath"

	"example.org/meltstation/alerts"
	"example.org/meltstation/alerts/notify"
	"example.org/meltstation/alerts/station"
	"example.org/meltstation/cmd/meltstation/config"
	"example.org/meltstation/dashboard"
	"example.org/meltstation/probe/trace"
)

// channels makes the ways to reach the maker. The open page is the first; the
// others follow as the settings say.
func channels(ctx context.Context, c *config.Config, store *trace.Store, pages func() int) ([]notify.Route, error) {
	routes := []notify.Route{{
		Channel: notify.Func("page", "page", func(context.Context, notify.Message) error {
			if pages() == 0 {
				return fmt.Errorf("no page is open: %w", notify.ErrRefused)
			}
			return nil
		}),
		Always: true,
	}}
	for _, w := range c.Webhooks {
		ch, err := notify.NewWebhook(w, nil, nil)
		if err != nil {
			return nil, err
		}
		routes = append(routes, w.Route(ch))
	}
	for _, m := range c.Mails {
		ch, err := notify.NewMail(m)
		if err != nil {
			return nil, err
		}
		routes = append(routes, m.Route(ch))
	}
	for _, p := range c.Pins {
		ch, err := openPin(p)
		if err != nil {
			return nil, err
		}
		routes = append(routes, p.Route(ch))
	}
	if c.Push == nil {
		return routes, nil
	}
	keys, err := pushKeys(ctx, store)
	if err != nil {
		return nil, err
	}
	set := *c.Push
	set.PublicKey, set.PrivateKey = keys.Public, keys.Private
	push, err := notify.NewPush(set, dashboard.NewPushBook(store), nil, nil)
	if err != nil {
		return nil, err
	}
	return append(routes, set.Route(push)), nil
}

// openPin opens a buzzer or a lamp. One that this board does not have becomes a
// channel that fails, and shows so on the page: it must not keep the station
// from watching.
func openPin(c notify.PinConfig) (notify.Channel, error) {
	if err := c.Validate(); err != nil {
		return nil, err
	}
	ch, err := notify.OpenPin(c)
	if err != nil {
		return notify.Func(cmp.Or(c.Name, "pin"), "pin", func(context.Context, notify.Message) error { return err }), nil
	}
	return ch, nil
}

// CallAll sends a test over every channel of the settings but the page, and
// returns how each fared. The station may be running meanwhile.
func CallAll(ctx context.Context, c *config.Config) ([]notify.Result, error) {
	var store *trace.Store
	if c.Push != nil {
		var err error
		if store, err = trace.Open(filepath.Join(c.Data, TraceName), trace.Options{ReadOnly: true}); err != nil {
			return nil, fmt.Errorf("push needs the browsers that the station knows: %w; start the station once", err)
		}
		defer store.Close()
	}
	routes, err := channels(ctx, c, store, func() int { return 0 })
	if err != nil {
		return nil, err
	}
	routes = routes[1:] // the page is another program's
	if len(routes) == 0 {
		return nil, errors.New("the settings name no channel: add a [[webhook]], [[mail]], [push] or [[pin]]")
	}
	d, err := notify.New(notify.Options{Station: c.Name, Units: alerts.Units{Temperature: c.Units, Mass: c.Mass}, Routes: routes})
	if err != nil {
		return nil, err
	}
	return d.Test(ctx), nil
}

// docPushKeys is the kind of document that Web Push keeps in the trace's file.
const docPushKeys = "push-keys"

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

// channelViews are the channels as pages show them. The page's own is judged by
// whether one is open now: an earlier failure is over once somebody looks.
func channelViews(ss []notify.ChannelStatus, pages int) []station.ChannelView {
	out := make([]station.ChannelView, len(ss))
	for i, s := range ss {
		out[i] = station.ChannelView{Name: s.Name, Kind: s.Kind, OK: s.OK, Tried: s.Tried, Reason: s.Reason}
		if s.Kind == "page" && pages > 0 {
			out[i].OK, out[i].Reason = true, ""
		}
	}
	return out
}

package app

import (
	"context"
	"crypto/tls"
	"errors"
	"fmt"
	"net"
	"os"
	"path/filepath"
	"strings"
	"time"

	"example.org/meltstation/alerts/station"
	"example.org/meltstation/cmd/meltstation/config"
	"example.org/meltstation/dashboard"
	"example.org/meltstation/dashboard/cert"
	"example.org/meltstation/dashboard/metrics"
	"example.org/meltstation/dashboard/page"
	"example.org/meltstation/dashboard/recipes"
	"example.org/meltstation/probe"
	"example.org/meltstation/probe/trace"
)

// tlsFor returns how the page is secured, and the root that a phone may trust
// where the station made its own; nil = it is not.
func tlsFor(c *config.Config) (secure *tls.Config, root []byte, err error) {
	switch c.Page.TLS {
	case "own":
		a, err := cert.Open(filepath.Join(c.Data, "tls"), hostNames(c), dashboard.LANAddresses(), nil)
		if err != nil {
			return nil, nil, err
		}
		return a.TLS(), a.Root(), nil
	case "files":
		pair, err := tls.LoadX509KeyPair(c.Page.Certificate, c.Page.Key)
		if err != nil {
			return nil, nil, fmt.Errorf("reading the page's certificate: %w", err)
		}
		return &tls.Config{Certificates: []tls.Certificate{pair}, MinVersion: tls.VersionTLS12}, nil, nil
	}
	return nil, nil, nil
}

// hostNames are the names by which the network may address the station: this
// machine's own, also as multicast DNS has it, and those of the settings.
func hostNames(c *config.Config) []string {
	names := append([]string{}, c.Page.Hosts...)
	if h, err := os.Hostname(); err == nil && h != "" {
		names = append(names, h)
		if !strings.Contains(h, ".") {
			names = append(names, h+".local")
		}
	}
	return names
}

// publicURL is where a phone reaches the listener; "" when only this machine can.
func publicURL(l net.Listener, secure bool) string {
	tcp, ok := l.Addr().(*net.TCPAddr)
	if !ok || tcp.IP.IsLoopback() {
		return ""
	}
	host := tcp.IP.String()
	if tcp.IP.IsUnspecified() {
		lan := dashboard.LANAddresses()
		if len(lan) == 0 {
			return ""
		}
		host = lan[0].String()
	}
	scheme := "http"
	if secure {
		scheme = "https"
	}
	return fmt.Sprintf("%s://%s", scheme, net.JoinHostPort(host, fmt.Sprint(tcp.Port)))
}

func dashboardOptions(ctx context.Context, c *config.Config, o Options, st *station.Station, store *trace.Store, sup *probe.Supervisor, l net.Listener) (dashboard.Options, error) {
	opt := dashboard.Options{
		Station: st, Page: page.FS(), Log: o.Log, Now: o.Now,
		Names: hostNames(c), StationName: c.Name, ProbeNames: probeNames(c, o.Specs), Location: time.Local,
		Documents: store, Batches: store, Probes: sup.Status, Cooling: st.Cooling,
		Ready: []dashboard.ReadyCheck{
			{Name: "trace", Check: func(context.Context) error { return store.Health().Err }},
		},
		Metrics: metrics.Sources{Version: o.Version},
	}
	if c.Altitude != 0 {
		opt.Altitude = &c.Altitude
	}
	var err error
	if opt.TLS, opt.Root, err = tlsFor(c); err != nil {
		return opt, err
	}
	opt.PublicURL = publicURL(l, opt.TLS != nil)
	if opt.Recipes, err = recipes.Open(filepath.Join(c.Data, "recipes")); err != nil {
		return opt, err
	}
	if c.Page.MetricsKey != "" {
		b, err := os.ReadFile(c.Page.MetricsKey)
		if err != nil {
			return opt, fmt.Errorf("reading the metrics token: %w", err)
		}
		opt.MetricsToken = strings.TrimSpace(string(b))
		if len(opt.MetricsToken) < 16 {
			return opt, errors.New("the metrics token in " + c.Page.MetricsKey + " is shorter than 16 characters; put a long random one there")
		}
	}
	if c.Push != nil {
		k, err := pushKeys(ctx, store)
		if err != nil {
			return opt, err
		}
		opt.PushKey, opt.Push = k.Public, dashboard.NewPushBook(store)
	}
	return opt, nil
}

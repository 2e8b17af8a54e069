// Package app puts the station together from its parts and runs it: the daemon
// and the demo differ only in where their probes come from.
package app

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"net"
	"os"
	"path/filepath"
	"strings"
	"sync"
	"sync/atomic"
	"time"

	"example.org/meltstation/alerts"
	"example.org/meltstation/alerts/notify"
	"example.org/meltstation/alerts/station"
	"example.org/meltstation/cmd/meltstation/config"
	"example.org/meltstation/dashboard"
	"example.org/meltstation/probe"
	"example.org/meltstation/probe/calibrate"
	"example.org/meltstation/probe/trace"
)

// Options say what to run. Config is needed.
type Options struct {
	Config  *config.Config
	Version string
	Trace   string           // path of the trace; "" = trace.db in the data folder
	Now     func() time.Time // nil = time.Now
	Lapse   float64          // how many times faster than life Now runs; 0 = 1
	Demo    bool
	Log     *slog.Logger // nil = slog.Default()
	// Specs are the probes; nil = those of the settings, and without any there,
	// every 1-Wire probe that the kernel shows, as they come and go.
	Specs []probe.Spec
	// Ready is called once everything runs. It must return.
	Ready func(Running)
}

// Running is a station that runs.
type Running struct {
	Station *station.Station
	Probes  *probe.Supervisor
	Store   *trace.Store
	URL     string // where this machine reaches the page
	Trace   string // path of the trace
}

// Run runs the station until ctx ends, or until a part without which it would
// be useless fails. Everything recorded is on disk when it returns.
func Run(ctx context.Context, o Options) (err error) {
	c := o.Config
	if o.Log == nil {
		o.Log = slog.Default()
	}
	if o.Now == nil {
		o.Now = time.Now
	}
	if o.Lapse <= 0 {
		o.Lapse = 1
	}
	if err := os.MkdirAll(c.Data, 0o700); err != nil {
		return fmt.Errorf("making the data folder: %w", err)
	}
	if o.Trace == "" {
		o.Trace = filepath.Join(c.Data, TraceName)
	}

	store, err := trace.Open(o.Trace, trace.Options{Now: o.Now, Log: o.Log})
	if err != nil {
		return fmt.Errorf("opening the trace: %w", err)
	}
	defer func() { err = errors.Join(err, closing("the trace", store.Close)) }()

	listener, err := net.Listen("tcp", c.Page.Listen)
	if err != nil {
		return fmt.Errorf("opening the page's address %s: %w; another station may be running, or choose another in [page] listen", c.Page.Listen, err)
	}
	defer listener.Close()

	var st *station.Station
	var served atomic.Pointer[dashboard.Server] // set once the page is
	open := func() int {
		if p := served.Load(); p != nil {
			return p.Pages()
		}
		return 0
	}
	routes, err := channels(ctx, c, store, open)
	if err != nil {
		return err
	}
	names := probeNames(c, o.Specs)
	dispatcher, err := notify.New(notify.Options{
		Station: c.Name, Units: alerts.Units{Temperature: c.Units, Mass: c.Mass, Probes: names},
		Routes: routes, Quiet: c.Quiet, Pots: potNames(c), Log: o.Log,
		Changed: func() { st.ChannelsChanged() }, // no attempt is made before the station stands
	})
	if err != nil {
		return fmt.Errorf("setting up the ways to reach you: %w", err)
	}

	var slept func() time.Duration
	if o.Lapse == 1 {
		slept = asleep
	}
	st, err = station.New(ctx, station.Options{
		Asleep: slept,
		Name:   c.Name, Version: o.Version, Units: c.Units, Mass: c.Mass, Pots: pots(c), ProbeNames: names,
		Default: c.Sheet, Boiling: c.Sheet.Thresholds.BathCeiling, Store: store, Alarms: c.Alarms,
		Now: o.Now, Log: o.Log, Post: dispatcher.Post, Lapse: o.Lapse, Demo: o.Demo,
		Channels: func() []station.ChannelView { return channelViews(dispatcher.Status(), open()) },
		TestChannels: func(ctx context.Context) []station.ChannelView {
			dispatcher.Test(ctx)
			return channelViews(dispatcher.Status(), open())
		},
		DiskFree:  func() int64 { return store.Health().DiskFree },
		TickEvery: tickFor(o.Lapse),
	})
	if err != nil {
		return fmt.Errorf("starting the station: %w", err)
	}

	guide := calibrate.NewGuide(filepath.Join(c.Data, calibrate.FileName), 0, nil)
	supervisor := probe.NewSupervisor(probe.Options{Now: o.Now, Log: o.Log, Emit: func(r probe.Reading) {
		st.Take(r)
		guide.Take(r)
	}})
	find := finder(c, o, st, store, supervisor)

	pageOptions, err := dashboardOptions(ctx, c, o, st, store, supervisor, listener)
	if err != nil {
		return fmt.Errorf("setting up the page: %w", err)
	}
	pageOptions.Calibration = guide
	pages, err := dashboard.New(pageOptions)
	if err != nil {
		return fmt.Errorf("setting up the page: %w", err)
	}
	served.Store(pages)
	defer pages.Close()

	// The parts run until ctx ends; the first that fails ends the others. The
	// station stops last, so that what the others still say is written.
	inner, cancel := context.WithCancelCause(ctx)
	defer cancel(nil)
	var wg sync.WaitGroup
	start := func(what string, run func(context.Context) error) {
		wg.Go(func() {
			if err := run(inner); err != nil && inner.Err() == nil {
				cancel(fmt.Errorf("%s: %w", what, err))
			}
		})
	}
	stationCtx, stopStation := context.WithCancel(context.WithoutCancel(ctx))
	defer stopStation()
	stationDone := make(chan struct{})
	go func() {
		defer close(stationDone)
		if err := st.Run(stationCtx); err != nil {
			cancel(fmt.Errorf("the station: %w", err))
		}
	}()
	start("the ways to reach you", dispatcher.Run)
	start("looking for probes", find)
	start("the probes", supervisor.Run)
	start("the page", func(ctx context.Context) error { return pages.Run(ctx, listener) })
	start("the watchdog", func(ctx context.Context) error { return watchdog(ctx, st, o.Log) })

	if o.Ready != nil {
		o.Ready(Running{Station: st, Probes: supervisor, Store: store, URL: addressOf(listener, pageOptions.TLS != nil), Trace: o.Trace})
	}
	<-inner.Done()
	st.Drain("the station is stopping")
	wg.Wait()
	stopStation()
	<-stationDone
	if cause := context.Cause(inner); cause != nil && !errors.Is(cause, context.Canceled) {
		return cause
	}
	return nil
}

// TraceName is the trace's file in the data folder.
const TraceName = "trace.db"

func closing(what string, f func() error) error {
	if err := f(); err != nil {
		return fmt.Errorf("closing %s: %w", what, err)
	}
	return nil
}

// potNames are the pots' names by id, for messages.
func potNames(c *config.Config) map[string]string {
	out := map[string]string{}
	for _, p := range c.Pots {
		out[p.ID] = p.Name
	}
	return out
}

// probeNames are what the maker calls the probes, by id.
func probeNames(c *config.Config, specs []probe.Spec) map[string]string {
	out := map[string]string{}
	for _, p := range c.Probes {
		out[p.Spec.ID] = p.Spec.Name
	}
	for _, s := range specs {
		out[s.ID] = s.Name
	}
	return out
}

func pots(c *config.Config) []station.PotOptions {
	out := make([]station.PotOptions, len(c.Pots))
	for i, p := range c.Pots {
		out[i] = station.PotOptions{ID: p.ID, Name: p.Name, Jug: p.Jug}
	}
	return out
}

// tickFor keeps timers fine enough when time runs fast.
func tickFor(lapse float64) time.Duration {
	return max(time.Duration(float64(time.Second)/lapse), 100*time.Millisecond)
}

// addressOf is where this machine reaches the listener.
func addressOf(l net.Listener, secure bool) string {
	host, port, err := net.SplitHostPort(l.Addr().String())
	if err != nil {
		return l.Addr().String()
	}
	if ip := net.ParseIP(host); ip != nil && ip.IsUnspecified() {
		host = "127.0.0.1"
	}
	scheme := "http"
	if secure {
		scheme = "https"
	}
	return scheme + "://" + strings.TrimSuffix(net.JoinHostPort(host, port), ":") + "/"
}

//go:build unix

package main

import (
	"context"
	"fmt"
	"log/slog"
	"os"
	"path/filepath"
	"strings"
	"sync"
	"sync/atomic"
	"testing"
	"time"

	"example.org/meltstation/cmd/meltstation/app"
	"example.org/meltstation/cmd/meltstation/config"
	"example.org/meltstation/dashboard/page/browsertest"
	"example.org/meltstation/probe"
	"example.org/meltstation/sim"
)

// A whole batch is watched in a browser, from the cold wax to the cured candles:
// the daemon reads the kernel's 1-Wire files, the pot behind them is the
// simulator's, and only time is lapsed. Two weeks of curing go by while the
// daemon is down; the page that was left open comes back by itself each time.
// It takes a minute, so it runs where a browser is required.
func TestBatchInBrowser(t *testing.T) {
	if !browsertest.Required() {
		t.Skip("MELTSTATION_BROWSER is not \"require\"")
	}
	const lapse = 100
	d, err := newDemo(demoFlags{listen: "127.0.0.1:0", lapse: lapse, seed: 7, units: "C"})
	if err != nil {
		t.Fatal(err)
	}
	clock := sim.NewLapse(lapse)
	var skipped atomic.Int64 // ns that went by while nobody looked
	now := func() time.Time { return clock.Now().Add(time.Duration(skipped.Load())) }
	bench := sim.NewBench(d.scenario.Pot, clock.Now, sim.StandardSensors(7))
	celsius := func() float64 {
		c, err := bench.Read(probe.RolePot)
		if err != nil {
			return 0
		}
		return c
	}
	data := t.TempDir()
	path := filepath.Join(data, "station.toml")
	settings := fmt.Sprintf("[station]\nname = \"The Boathouse\"\ndata = %q\n[page]\nlisten = %q\n[[pot]]\nid = %q\nname = \"Melt pot\"\n[[probe]]\nid = \"wax\"\nevery = \"0.05 s\"\n%s",
		data, freePort(t, "127.0.0.1"), demoPot, kernelWire(t, celsius))
	if err := os.WriteFile(path, []byte(settings), 0o600); err != nil {
		t.Fatal(err)
	}

	// run starts the daemon; it goes on until the function returned is called.
	run := func() (app.Running, func()) {
		t.Helper()
		c, err := config.Load(path)
		if err != nil {
			t.Fatal(err)
		}
		c.Alarms.LostAfter, c.Alarms.StaleAfter = 2*time.Minute, 5*time.Minute // of lapsed time
		ctx, cancel := context.WithCancel(context.Background())
		ready, done := make(chan app.Running, 1), make(chan error, 1)
		go func() {
			done <- app.Run(ctx, app.Options{Config: c, Version: "test", Now: now, Lapse: lapse, Log: slog.New(slog.DiscardHandler), Ready: func(r app.Running) { ready <- r }})
		}()
		stop := sync.OnceFunc(func() {
			cancel()
			if err := <-done; err != nil {
				t.Errorf("the daemon ended with: %v", err)
			}
		})
		t.Cleanup(stop)
		select {
		case r := <-ready:
			return r, stop
		case <-time.After(30 * time.Second):
			t.Fatal("the daemon does not come up")
		}
		panic("not reached")
	}

	running, stop := run()
	browser := browsertest.Open(t)
	ctx, tired := context.WithCancel(context.Background())
	var work sync.WaitGroup
	hands := &stationHands{ctx: ctx, pot: demoPot, sheet: d.sheet, station: running.Station}
	work.Go(func() { d.work(ctx, bench, clock, hands) })
	base := strings.TrimSuffix(running.URL, "/")
	browser.Batch(t, base, 4*time.Minute)
	tired() // what is left to be done is tapped on the page
	work.Wait()

	p := browser.Page(t, browsertest.Phone, "light", true)
	p.BeforeLoad(`localStorage.setItem("meltstation.prefs", '{"sound":false,"clock":"24"}')`)
	p.Go(base + "/")
	p.WaitText(".stage", "Setting")
	away := func(d time.Duration) {
		t.Helper()
		stop()
		p.WaitText("#strips", "Nothing heard from the station since")
		skipped.Add(int64(d))
		_, stop = run()
		p.Wait("the page to be back", `document.documentElement.dataset.link === "live" && !document.querySelector('[data-strip="link"]')`)
	}
	away(4 * time.Hour)
	p.WaitText(".stage", "Ready to trim")
	p.Shot("batch-trim")
	p.Wait("the buttons to have stood for a while", `(window.since ??= performance.now()) && performance.now() - window.since > 800`)
	p.Click(`[data-tap="trimmed"]`)
	p.WaitText("#toasts", "kept at")
	p.WaitText(".stage", "Curing")
	p.Shot("batch-curing")
	away(15 * 24 * time.Hour)
	// The pot is free for the next batch; the candles rest on the shelf, done.
	p.WaitText(".stage", "Resting")
	p.Eval(`location.hash = "#/shelf"`, nil)
	p.WaitText(".shelf-row", "may be burnt or shipped")
	p.Shot("batch-cured")
	p.Click(`.shelf-row [data-key$=" cure"]`)
	p.WaitText("#toasts", "Cured")
	p.Wait("it to be off the shelf's list of what is due", `!document.querySelector('.shelf-row [data-key$=" cure"]')`)
	p.NoErrors()
	browser.Views(t, base, "station", browsertest.Phone, "light")
	browser.Views(t, base, "station", browsertest.Laptop, "dark")
}

//go:build unix

package main

import (
	"context"
	"encoding/json"
	"fmt"
	"io"
	"log/slog"
	"os"
	"path/filepath"
	"slices"
	"sync"
	"testing"
	"time"

	"example.org/meltstation/alerts/station"
	"example.org/meltstation/cmd/meltstation/app"
	"example.org/meltstation/cmd/meltstation/config"
	"example.org/meltstation/probe"
	"example.org/meltstation/sim"
	"example.org/meltstation/sim/hardware"
)

// wire puts a fake thermometer in the kitchen and returns the [[probe]] table
// that describes it to the daemon.
type wire func(t *testing.T, celsius func() float64) (probeTable string)

// needSerial skips a test where there are no pseudo-terminals, unless it is
// required.
func needSerial(t *testing.T, err error) {
	t.Helper()
	if os.Getenv("MELTSTATION_SERIAL") == "require" {
		t.Fatal(err)
	}
	t.Skipf("no pseudo-terminal here: %v", err)
}

func textWire(t *testing.T, celsius func() float64) string {
	path, unplug, err := hardware.TextLine(celsius, hardware.TextOptions{
		Every: 50 * time.Millisecond, Start: []byte("\x00\xffrubbish\r\nT=9"),
		Format: func(c float64) string { return fmt.Sprintf("T=%.2fF\r\n", c*1.8+32) },
	})
	if err != nil {
		needSerial(t, err)
	}
	t.Cleanup(func() { unplug() })
	return fmt.Sprintf("kind = \"serial-text\"\nport = %q\npattern = '^T=(?P<temp>[-0-9.]+)(?P<unit>[CF])$'\n", path)
}

func modbusWire(t *testing.T, celsius func() float64) string {
	path, unplug, err := hardware.ModbusSlave(hardware.ModbusOptions{Units: map[byte]hardware.Registers{3: hardware.Tenths(0, celsius)}})
	if err != nil {
		needSerial(t, err)
	}
	t.Cleanup(func() { unplug() })
	return fmt.Sprintf("kind = \"modbus\"\nport = %q\nslave = 3\nregister = 0\nscale = 0.1\nparity = \"none\"\n", path)
}

func kernelWire(t *testing.T, celsius func() float64) string {
	tree, err := hardware.NewTree(t.TempDir())
	if err != nil {
		t.Fatal(err)
	}
	const id = "28-0316a2794eff"
	if err := tree.Add(id, hardware.Steady(celsius)); err != nil {
		t.Fatal(err)
	}
	ctx, cancel := context.WithCancel(context.Background())
	done := make(chan struct{})
	go func() { defer close(done); tree.Run(ctx, 40*time.Millisecond) }()
	t.Cleanup(func() { cancel(); <-done })
	return fmt.Sprintf("device = %q\nroot = %q\n", id, tree.Dir())
}

// TestDaemon sees a batch go by over the websocket, from each kind of real
// input: text lines and Modbus frames on a pseudo-terminal, the kernel's 1-Wire
// files in a directory. Only time is lapsed, and the pot behind the wires is the
// simulator's.
func TestDaemon(t *testing.T) {
	if testing.Short() {
		t.Skip("a whole batch, even lapsed, takes most of a minute")
	}
	for name, w := range map[string]wire{"serial text": textWire, "modbus": modbusWire, "kernel 1-wire": kernelWire} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			seeBatch(t, w)
		})
	}
}

func seeBatch(t *testing.T, w wire) {
	const lapse = demoFastest
	f := demoFlags{listen: "127.0.0.1:0", lapse: lapse, seed: 7, units: "C"}
	d, err := newDemo(f)
	if err != nil {
		t.Fatal(err)
	}
	d.scenario.Pot.WaxStart, d.scenario.Pot.WaterStart = 60, 90 // the last of the melting is enough
	clock := sim.NewLapse(lapse)
	bench := sim.NewBench(d.scenario.Pot, clock.Now, sim.StandardSensors(7))
	celsius := func() float64 {
		c, err := bench.Read(probe.RolePot)
		if err != nil {
			return 0
		}
		return c
	}
	data := t.TempDir()
	text := fmt.Sprintf("[station]\nname = \"The Boathouse\"\ndata = %q\n[page]\nlisten = \"127.0.0.1:0\"\n[[pot]]\nid = %q\nname = \"Melt pot\"\n[[probe]]\nid = \"wax\"\nevery = \"0.05 s\"\n%s", data, demoPot, w(t, celsius))
	path := filepath.Join(data, "station.toml")
	if err := os.WriteFile(path, []byte(text), 0o600); err != nil {
		t.Fatal(err)
	}
	c, err := config.Load(path)
	if err != nil {
		t.Fatal(err)
	}
	c.Alarms.LostAfter, c.Alarms.StaleAfter = 2*time.Minute, 5*time.Minute // of lapsed time

	ctx, cancel := context.WithTimeout(context.Background(), 2*time.Minute)
	defer cancel()
	hands := &stationHands{ctx: ctx, pot: demoPot, sheet: d.sheet}
	ready := make(chan app.Running, 1)
	var wg sync.WaitGroup
	var runErr error
	wg.Go(func() {
		runErr = app.Run(ctx, app.Options{
			Config: c, Version: "test", Now: clock.Now, Lapse: lapse,
			Log:   slog.New(slog.NewTextHandler(io.Discard, nil)),
			Ready: func(r app.Running) { ready <- r },
		})
		cancel()
	})
	defer func() {
		cancel()
		wg.Wait()
		if runErr != nil {
			t.Errorf("the daemon ended with: %v", runErr)
		}
	}()
	var r app.Running
	select {
	case r = <-ready:
	case <-ctx.Done():
		t.Fatal("the daemon never became ready")
	}
	hands.station = r.Station
	wg.Go(func() { d.work(ctx, bench, clock, hands) })

	stages, cues := watchPage(ctx, t, r.URL)
	want := []string{"melting", "scent", "stirring", "cooling", "window", "pouring", "setting"}
	if !inOrder(stages, want) {
		t.Errorf("stages seen over the websocket: %v; want %v in this order", stages, want)
	}
	for _, key := range []string{"scent-now", "warm-jars", "window-opening", "pour-now"} {
		if !slices.Contains(cues, key) {
			t.Errorf("cue %s never came over the websocket; came: %v", key, cues)
		}
	}
}

// watchPage follows the station as a page does until the batch is setting, and
// returns the stages and the raised cues in order.
func watchPage(ctx context.Context, t *testing.T, url string) (stages, cues []string) {
	t.Helper()
	conn, err := openPage(ctx, url)
	if err != nil {
		t.Fatal(err)
	}
	defer conn.close()
	saw := func(p station.PotView) bool {
		if s := string(p.Stage); len(stages) == 0 || stages[len(stages)-1] != s {
			stages = append(stages, s)
		}
		return p.Stage == "setting"
	}
	for {
		data, err := conn.next(ctx)
		if err != nil {
			t.Errorf("the page heard no more after stages %v, cues %v: %v", stages, cues, err)
			return stages, cues
		}
		var u station.Update
		if err := json.Unmarshal(data, &u); err != nil {
			t.Fatalf("a message that is no update: %v", err)
		}
		switch u.Type {
		case "pot":
			if saw(*u.Pot) {
				return stages, cues
			}
		case "notice":
			if u.Notice.Why == "raised" {
				cues = append(cues, u.Notice.Key)
			}
		}
	}
}

// inOrder reports whether want is among got, in order, others between them.
func inOrder(got, want []string) bool {
	for _, g := range got {
		if len(want) > 0 && g == want[0] {
			want = want[1:]
		}
	}
	return len(want) == 0
}

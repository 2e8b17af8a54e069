package hardware_test

import (
	"context"
	"fmt"
	"math"
	"path/filepath"
	"sync"
	"testing"
	"time"

	"go.uber.org/goleak"
	"periph.io/x/conn/v3/onewire"

	"example.org/meltstation/probe"
	"example.org/meltstation/probe/serialtc"
	"example.org/meltstation/probe/w1"
	"example.org/meltstation/probe/w1/ds18b20"
	"example.org/meltstation/sim"
	"example.org/meltstation/sim/hardware"
)

func TestMain(m *testing.M) { goleak.VerifyTestMain(m) }

// ledger keeps the readings of each probe and wakes whoever waits for more.
type ledger struct {
	mu   sync.Mutex
	by   map[string][]probe.Reading
	more chan struct{}
}

func (l *ledger) add(r probe.Reading) {
	l.mu.Lock()
	l.by[r.Probe] = append(l.by[r.Probe], r)
	l.mu.Unlock()
	select {
	case l.more <- struct{}{}:
	default:
	}
}

func (l *ledger) of(id string) []probe.Reading {
	l.mu.Lock()
	defer l.mu.Unlock()
	return append([]probe.Reading(nil), l.by[id]...)
}

// until waits for a condition on the readings, at most half a minute.
func (l *ledger) until(t *testing.T, what string, ok func() bool) {
	t.Helper()
	limit := time.After(30 * time.Second)
	for !ok() {
		select {
		case <-l.more:
		case <-limit:
			t.Fatalf("waited in vain for %s", what)
		}
	}
}

func (l *ledger) good(id string) (n int) {
	for _, r := range l.of(id) {
		if r.OK() {
			n++
		}
	}
	return n
}

func (l *ledger) last(id string) probe.Quality {
	r := l.of(id)
	if len(r) == 0 {
		return ""
	}
	return r[len(r)-1].Quality
}

// The same pot of melting wax behind every wire format, read by every driver
// through one supervisor, at twenty times life: all agree with the pot. Then one
// plug after another is pulled, one line is flooded, and the rest reads on.
func TestSamePotBehindEveryWire(t *testing.T) {
	clock := sim.NewLapse(20)
	bench := sim.NewBench(sim.Boathouse(), clock.Now, nil)
	bench.Do(func(p *sim.Pot) { p.HeatOn() })
	bench.Do(func(p *sim.Pot) { p.Step(25 * time.Minute) }) // well on the way up
	truth := func() (c float64) {
		bench.Do(func(p *sim.Pot) { c = p.Wax() })
		return c
	}

	ctx, cancel := context.WithCancel(context.Background())
	var wg sync.WaitGroup
	defer wg.Wait()
	defer cancel()

	const id = "28-0316a2795bff"
	tree, err := hardware.NewTree(filepath.Join(t.TempDir(), "devices"))
	if err != nil {
		t.Fatal(err)
	}
	if err := tree.Add(id, hardware.Steady(truth)); err != nil {
		t.Fatal(err)
	}
	wg.Go(func() {
		if err := tree.Run(ctx, 20*time.Millisecond); err != nil {
			t.Error(err)
		}
	})
	bus := hardware.NewBus()
	addr := hardware.Address(0x95A2795BFF)
	sensor := bus.Add(addr, truth)
	oneWire := ds18b20.NewLine("fake", func() (onewire.Bus, error) { return bus, nil })
	textPath, unplugText, err := hardware.TextLine(truth, hardware.TextOptions{Every: 20 * time.Millisecond})
	if err != nil {
		t.Fatal(err)
	}
	defer unplugText()
	floodPath, unplugFlood, err := hardware.TextLine(truth, hardware.TextOptions{
		Every: time.Millisecond, Format: func(float64) string { return fmt.Sprintf("%01000d", 7) }}) // a megabyte a second, no line ever
	if err != nil {
		t.Fatal(err)
	}
	defer unplugFlood()
	modbusPath, unplugModbus, err := hardware.ModbusSlave(hardware.ModbusOptions{Units: map[byte]hardware.Registers{
		1: hardware.Tenths(0, truth), 2: hardware.Float(10, true, truth)}})
	if err != nil {
		t.Fatal(err)
	}
	defer unplugModbus()
	line, err := serialtc.NewLine(serialtc.LineConfig{Port: modbusPath, Baud: 115200, Timeout: 100 * time.Millisecond})
	if err != nil {
		t.Fatal(err)
	}

	got := &ledger{by: map[string][]probe.Reading{}, more: make(chan struct{}, 1)}
	sup := probe.NewSupervisor(probe.Options{Now: clock.Now, Emit: got.add})
	spec := func(id, kind string, open probe.Opener) probe.Spec {
		return probe.Spec{ID: id, Kind: kind, Role: probe.RolePot, Pot: "jug", Open: open, Every: 50 * time.Millisecond, Timeout: time.Second}
	}
	sup.Set([]probe.Spec{
		spec("w1", "w1", w1.Open(tree.Dir(), id, w1.Options{})),
		spec("onewire", "onewire", oneWire.Open(addr, ds18b20.Options{Resolution: 9})),
		spec("text", "serial-text", serialtc.OpenText(serialtc.TextConfig{Port: textPath, Baud: 115200})),
		spec("tenths", "modbus", serialtc.OpenModbus(serialtc.ModbusConfig{Line: line, Slave: 1, Scale: 0.1})),
		spec("float", "modbus", serialtc.OpenModbus(serialtc.ModbusConfig{Line: line, Slave: 2, Register: 10, Type: "float32-cdab"})),
		spec("dead", "modbus", serialtc.OpenModbus(serialtc.ModbusConfig{Line: line, Slave: 99})), // on the same line, and silent
		spec("flood", "serial-text", serialtc.OpenText(serialtc.TextConfig{Port: floodPath, Baud: 115200})),
	})
	wg.Go(func() {
		if err := sup.Run(ctx); err != nil {
			t.Error(err)
		}
	})

	// Half a digit of each format, and what the pot moves while a reading is under
	// way (0.05 °C/s at most, for a second of life at twenty times its pace).
	const moves = 1.0
	all := map[string]float64{"w1": 1. / 32, "onewire": 0.5, "text": 0.005, "tenths": 0.05, "float": 0}
	from := truth()
	got.until(t, "ten good readings of each probe", func() bool {
		for id := range all {
			if got.good(id) < 10 {
				return false
			}
		}
		return true
	})
	to := truth()
	if from < 30 || to <= from {
		t.Fatalf("the pot went from %.2f to %.2f °C: this proves nothing", from, to)
	}
	for id, digit := range all {
		for _, r := range got.of(id) {
			if r.OK() && (r.Celsius < from-digit-moves || r.Celsius > to+digit+moves) {
				t.Errorf("%s read %.4f °C while the pot went from %.4f to %.4f", id, r.Celsius, from, to)
			}
		}
	}

	// One plug after another: the fault is classed, and the others read on.
	others := func(but ...string) {
		t.Helper()
		before := map[string]int{}
		for id := range all {
			before[id] = got.good(id)
		}
		got.until(t, fmt.Sprintf("the others, while %v is out", but), func() bool {
		next:
			for id := range all {
				for _, b := range but {
					if id == b {
						continue next
					}
				}
				if got.good(id) < before[id]+3 {
					return false
				}
			}
			return true
		})
	}
	if err := tree.Remove(id); err != nil {
		t.Fatal(err)
	}
	got.until(t, "the kernel's sensor to be missed", func() bool { return got.last("w1") == probe.NoDevice })
	others("w1")
	if err := tree.Add(id, hardware.Steady(truth)); err != nil {
		t.Fatal(err)
	}
	got.until(t, "the kernel's sensor to be back", func() bool { return got.last("w1") == probe.Good })

	bus.Hang(true)
	got.until(t, "the hanging bus to be noticed", func() bool { return got.last("onewire") == probe.Stale })
	others("onewire")
	bus.Hang(false)
	got.until(t, "the bus to be back", func() bool { return got.last("onewire") == probe.Good })
	sensor.Restart()
	got.until(t, "the sensor's restart to be noticed", func() bool {
		for _, r := range got.of("onewire") {
			if r.Quality == probe.PowerOnReset {
				return true
			}
		}
		return false
	})

	unplugText()
	got.until(t, "the text line to be missed", func() bool { return got.last("text") == probe.NoDevice })
	others("text")
	unplugModbus()
	got.until(t, "the Modbus line to be missed", func() bool {
		return got.last("tenths") == probe.NoDevice && got.last("float") == probe.NoDevice
	})
	others("text", "tenths", "float")

	for _, r := range got.of("dead") {
		if r.Quality != probe.Stale && r.Quality != probe.NoDevice { // NoDevice once its line is unplugged
			t.Errorf("the dead slave: %+v", r)
		}
	}
	if n := got.good("flood"); n != 0 {
		t.Errorf("%d good readings out of a flood", n)
	}
	got.until(t, "the flood to be called rubbish", func() bool { return got.last("flood") == probe.Garbled })
	for _, st := range sup.Status() {
		if (st.Mend == "") != st.Last.OK() {
			t.Errorf("%s: %q needs the mend %q", st.ID, st.Last.Quality, st.Mend)
		}
		if math.IsNaN(st.RateHz) || st.RateHz > 21 {
			t.Errorf("%s: %v Hz", st.ID, st.RateHz)
		}
	}
}

// The tree shows what the kernel would.
func TestTreeText(t *testing.T) {
	tree, err := hardware.NewTree(filepath.Join(t.TempDir(), "devices"))
	if err != nil {
		t.Fatal(err)
	}
	// The kernel document's own number: 23.125 °C.
	if err := tree.Add("28-0316a2795bff", hardware.Steady(hardware.Fixed(23.125))); err != nil {
		t.Fatal(err)
	}
	found, err := w1.Discover(tree.Dir())
	if err != nil || len(found) != 1 {
		t.Fatalf("%v, %v", found, err)
	}
	src, err := w1.Open(tree.Dir(), found[0].ID, w1.Options{})(t.Context())
	if err != nil {
		t.Fatal(err)
	}
	if s, err := src.Read(t.Context()); err != nil || s.Celsius != 23.125 {
		t.Errorf("%v, %v", s, err)
	}
}

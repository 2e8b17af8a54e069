package ds18b20_test

import (
	"context"
	"encoding/binary"
	"errors"
	"strings"
	"sync"
	"testing"
	"testing/synctest"
	"time"

	"go.uber.org/goleak"
	"periph.io/x/conn/v3/onewire"
	"periph.io/x/conn/v3/onewire/onewiretest"

	"example.org/meltstation/probe"
	"example.org/meltstation/probe/w1/ds18b20"
	"example.org/meltstation/sim/hardware"
)

func TestMain(m *testing.M) { goleak.VerifyTestMain(m) }

func seal(b ...byte) []byte { return append(b, onewire.CalcCRC(b)) }

// The exact bytes on the bus, opening a sensor at 10 bits and reading it twice.
// ROM code, 30.0 °C scratchpad and the commands are those of a transaction
// recorded from a real DS18B20 (periph.io devices, ds18b20_test.go) and of the
// data sheet's table 3; conversion time 187.5 ms from its table 2.
func TestPlayback(t *testing.T) {
	rom := []byte{0x28, 0xAC, 0x41, 0x0E, 0x07, 0x00, 0x00, 0x74}
	addr := onewire.Address(binary.LittleEndian.Uint64(rom))
	match := func(b ...byte) []byte { return append(append([]byte{0x55}, rom...), b...) }
	fresh := seal(0x50, 0x05, 0x00, 0x00, 0x7F, 0xFF, 0x0C, 0x10)
	marked := seal(0x50, 0x05, 0x5A, 0x25, 0x3F, 0xFF, 0x0C, 0x10)
	at30 := seal(0xE0, 0x01, 0x5A, 0x25, 0x3F, 0xFF, 0x10, 0x10)
	at85 := seal(0x50, 0x05, 0x5A, 0x25, 0x3F, 0xFF, 0x0C, 0x10)
	synctest.Test(t, func(t *testing.T) {
		bus := &onewiretest.Playback{DontPanic: true, Ops: []onewiretest.IO{
			{W: match(0xB8)},               // recall what the EEPROM holds
			{W: match(0xBE), R: fresh},     // read it: freshly powered, 12 bits
			{W: match(0xB4), R: []byte{1}}, // powered by its own wire
			{W: match(0x4E, 0x5A, 0x25, 0x3F)},
			{W: match(0xBE), R: marked},
			{W: []byte{0xCC, 0x44}, Pull: onewire.StrongPullup}, // all convert
			{W: match(0xBE), R: at30},
			{W: []byte{0xCC, 0x44}, Pull: onewire.StrongPullup},
			{W: match(0xBE), R: at85}, // 85 °C and byte 6 at 0Ch, yet it kept its marker
			{W: []byte{0xCC, 0x44}, Pull: onewire.StrongPullup},
			{W: match(0xBE), R: fresh}, // the marker is gone: it restarted
			{W: match(0x4E, 0x5A, 0x25, 0x3F)},
			{W: []byte{0xCC, 0x44}, Pull: onewire.StrongPullup},
			{W: match(0xBE), R: at30},
		}}
		line := ds18b20.NewLine("playback", func() (onewire.Bus, error) { return bus, nil })
		src, err := line.Open(addr, ds18b20.Options{Resolution: 10})(t.Context())
		if err != nil {
			t.Fatal(err)
		}
		start := time.Now()
		if s, err := src.Read(t.Context()); err != nil || s.Celsius != 30 || s.MaybePowerOn {
			t.Errorf("first read: %+v, %v; want 30", s, err)
		}
		if d := time.Since(start); d != 187500*time.Microsecond {
			t.Errorf("a 10-bit conversion was given %v", d)
		}
		if s, err := src.Read(t.Context()); err != nil || s.Celsius != 85 || s.MaybePowerOn {
			t.Errorf("a true 85 of a chip with byte 6 at 0Ch: %+v, %v", s, err)
		}
		if s, err := src.Read(t.Context()); !errors.Is(err, probe.ErrPowerOn) {
			t.Errorf("after a restart: %+v, %v; want power-on", s, err)
		}
		if s, err := src.Read(t.Context()); err != nil || s.Celsius != 30 {
			t.Errorf("after it was set up again: %+v, %v", s, err)
		}
		if err := src.Close(); err != nil {
			t.Error(err)
		}
		if bus.Count != len(bus.Ops) {
			t.Errorf("%d of %d transactions", bus.Count, len(bus.Ops))
		}
	})
}

func TestID(t *testing.T) {
	a := onewire.Address(0x740000070E41AC28)
	if got := ds18b20.ID(a); got != "28-0000070e41ac" {
		t.Errorf("ID is %s", got)
	}
	if back, err := ds18b20.ParseID("28-0000070e41ac"); err != nil || back != a {
		t.Errorf("parsed %x, %v", uint64(back), err)
	}
	for _, s := range []string{"", "28", "28-0000070e41a", "28-0000070e41acff", "zz-0000070e41ac", "28:0000070e41ac"} {
		if _, err := ds18b20.ParseID(s); err == nil {
			t.Errorf("%q taken", s)
		}
	}
}

func TestConversionTime(t *testing.T) {
	for bits, want := range map[int]time.Duration{9: 93750 * time.Microsecond, 10: 187500 * time.Microsecond, 11: 375 * time.Millisecond, 12: 750 * time.Millisecond} {
		if got := ds18b20.ConversionTime(bits); got != want {
			t.Errorf("%d bits: %v, the data sheet says %v", bits, got, want)
		}
	}
}

// Every fault of a bus, each followed by recovery.
func TestFaults(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		bus := hardware.NewBus()
		addr := hardware.Address(0x070E41AC)
		temp := 57.2
		dev := bus.Add(addr, func() float64 { return temp })
		opened := 0
		line := ds18b20.NewLine("", func() (onewire.Bus, error) { opened++; return bus, nil })
		found, err := line.Find(t.Context())
		if err != nil || len(found) != 1 || found[0].Addr != addr || found[0].Model != "DS18B20" || found[0].ID != "28-0000070e41ac" {
			t.Fatalf("found %+v, %v", found, err)
		}
		open := line.Open(addr, ds18b20.Options{Resolution: 11})
		src, err := open(t.Context())
		if err != nil {
			t.Fatal(err)
		}
		if dev.Resolution() != 11 {
			t.Errorf("set to %d bits", dev.Resolution())
		}
		read := func(name string, want float64) {
			t.Helper()
			if s, err := src.Read(t.Context()); err != nil || s.Celsius != want || s.MaybePowerOn {
				t.Errorf("%s: %+v, %v; want %v", name, s, err, want)
			}
		}
		fails := func(name string, want error) {
			t.Helper()
			s, err := src.Read(t.Context())
			if !errors.Is(err, want) {
				t.Errorf("%s: %+v, %v; want %v", name, s, err, want)
			}
			if probe.Mend("onewire", probe.Classify(err), err) == "" {
				t.Errorf("%s: no mend", name)
			}
		}
		read("at first", 57.125)
		temp = 85
		read("a true 85", 85)
		dev.Clone(true)
		read("a true 85 of a clone", 85)
		dev.RestartAfterConvert(1)
		fails("restart between conversion and reading", probe.ErrPowerOn)
		read("after the restart", 85)
		dev.Restart()
		fails("restart between two readings", probe.ErrPowerOn)
		if dev.Resolution() != 11 {
			t.Errorf("after the restart it is at %d bits", dev.Resolution())
		}
		temp = 60
		read("after that", 60)
		dev.Damage(1)
		fails("damaged bytes", probe.ErrCRC)
		read("after damage", 60)
		bus.Short(true)
		fails("bus held low", probe.ErrShort)
		bus.Short(false)
		read("after the short", 60)
		other := bus.Add(hardware.Address(42), hardware.Fixed(20)) // keeps the presence pulse
		dev.Unplug(true)
		fails("unplugged, others still there", probe.ErrNoDevice)
		other.Unplug(true)
		fails("unplugged, nobody there", probe.ErrNoDevice)
		if _, err := open(t.Context()); !errors.Is(err, probe.ErrNoDevice) {
			t.Errorf("opened though unplugged: %v", err)
		}
		dev.Unplug(false)
		src.Close()
		if src, err = open(t.Context()); err != nil {
			t.Fatal(err)
		}
		read("plugged in again", 60)

		// A transaction that never comes back.
		bus.Hang(true)
		ctx, cancel := context.WithTimeout(t.Context(), 2*time.Second)
		if _, err := src.Read(ctx); !errors.Is(err, probe.ErrTimeout) {
			t.Errorf("hanging bus: %v", err)
		}
		cancel()
		n := opened
		for range 5 {
			if _, err := src.Read(t.Context()); !errors.Is(err, probe.ErrTimeout) {
				t.Errorf("still hanging: %v", err)
			}
		}
		if opened != n {
			t.Error("the bus was opened again while a transaction was stuck in it")
		}
		bus.Hang(false)
		synctest.Wait()
		read("after the hang", 60)
		src.Close()
		if _, err := src.Read(t.Context()); err == nil {
			t.Error("read after close")
		}
	})
}

// Ten sensors read at the same time need one conversion, not ten.
func TestConvertTogether(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		bus := hardware.NewBus()
		line := ds18b20.NewLine("", func() (onewire.Bus, error) { return bus, nil })
		var srcs []probe.Source
		for i := range 10 {
			a := hardware.Address(uint64(i + 1))
			bus.Add(a, hardware.Fixed(20+float64(i)))
			s, err := line.Open(a, ds18b20.Options{Resolution: 12})(t.Context())
			if err != nil {
				t.Fatal(err)
			}
			srcs = append(srcs, s)
		}
		start := time.Now()
		for range 4 {
			var wg sync.WaitGroup
			for i, s := range srcs {
				wg.Go(func() {
					if got, err := s.Read(t.Context()); err != nil || got.Celsius != 20+float64(i) {
						t.Errorf("sensor %d: %v, %v", i, got.Celsius, err)
					}
				})
			}
			wg.Wait()
		}
		if d := time.Since(start); d != 4*750*time.Millisecond {
			t.Errorf("four rounds of ten sensors took %v, want four conversions of 750 ms", d)
		}
		for _, s := range srcs {
			s.Close()
		}
	})
}

// A sensor without a supply wire needs the strong pull-up, which the driver asks
// for; a bus that can't give it starves the sensor, which then shows that it
// restarted rather than a wrong temperature.
func TestParasite(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		bus := hardware.NewBus()
		a := hardware.Address(7)
		bus.Add(a, hardware.Fixed(61)).Parasite(true)
		src, err := ds18b20.NewLine("", func() (onewire.Bus, error) { return bus, nil }).Open(a, ds18b20.Options{})(t.Context())
		if err != nil {
			t.Fatal(err)
		}
		if s, err := src.Read(t.Context()); err != nil || s.Celsius != 61 {
			t.Errorf("with the strong pull-up: %v, %v", s, err)
		}
		src.Close()
		src, err = ds18b20.NewLine("", func() (onewire.Bus, error) { return weak{bus}, nil }).Open(a, ds18b20.Options{})(t.Context())
		if err != nil {
			t.Fatal(err)
		}
		if s, err := src.Read(t.Context()); !errors.Is(err, probe.ErrPowerOn) {
			t.Errorf("without the strong pull-up: %v, %v", s, err)
		}
		src.Close()
	})
}

// weak is a bus that ignores the strong pull-up, as the kernel's netlink one does.
type weak struct{ *hardware.Bus }

func (w weak) Tx(a, b []byte, _ onewire.Pullup) error { return w.Bus.Tx(a, b, onewire.WeakPullup) }

func TestOpenRefused(t *testing.T) {
	line := ds18b20.NewLine("nowhere", func() (onewire.Bus, error) { return nil, errors.New("no such bus") })
	_, err := line.Find(t.Context())
	if !errors.Is(err, probe.ErrNoDevice) || !strings.Contains(probe.Mend("onewire", probe.Classify(err), err), "enable 1-Wire") {
		t.Errorf("no bus: %v", err)
	}
	if _, err := line.Open(1, ds18b20.Options{Resolution: 13})(t.Context()); err == nil {
		t.Error("13 bits taken")
	}
}

// Host without a bus says so, in bounded time.
func TestHost(t *testing.T) {
	ctx, cancel := context.WithTimeout(t.Context(), 5*time.Second)
	defer cancel()
	if _, err := ds18b20.Host("no-such-bus").Find(ctx); !errors.Is(err, probe.ErrNoDevice) {
		t.Errorf("got %v", err)
	}
}

package hardware

import (
	"bytes"
	"context"
	"fmt"
	"math"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"sync"
	"time"

	"periph.io/x/conn/v3/onewire"
)

// Mode is how a sensor in a [Tree] behaves.
type Mode int

// The ways a sensor answers.
const (
	ModeGood       Mode = iota
	ModeClone           // good, but byte 6 is always 0Ch, as on some clones
	ModeNO              // checksum failed, as kernels before 2020 show it
	ModeEmpty           // checksum failed or conversion pending, as newer kernels show it
	ModeMissing         // pulled out: its directory is gone
	ModeAllZero         // bus held low: the checksum of eight zeros is zero
	ModeAllOnes         // nobody drives the bus
	ModePowerOn         // restarted: 85.000 °C that was never measured
	ModeNoPower         // 127.94 °C: too little supply for a conversion
	ModeUnreadable      // the file may not be read
)

// Wire is what a sensor in a Tree shows at one moment.
type Wire struct {
	Celsius float64
	Mode    Mode
}

// Tree is a directory in the format of /sys/bus/w1/devices. The kernel makes the
// files' text when they are read; here they are plain files that Refresh (or
// Run, again and again) rewrites, each by a rename so that no reader sees half.
type Tree struct {
	dir string

	mu      sync.Mutex
	sensors map[string]*sensor
	bulk    int // refreshes since the bulk conversion was triggered; 0 = none
}

type sensor struct {
	wire    func() Wire
	latched *float64 // by a bulk conversion, until the tree is refreshed twice more
	good    [9]byte  // the last good bytes, which line 2 retains
	shown   string   // what w1_slave holds now, and its mode; "" = not there
}

// NewTree makes dir a 1-Wire device directory with one bus and no sensor.
func NewTree(dir string) (*Tree, error) {
	t := &Tree{dir: dir, sensors: map[string]*sensor{}}
	m := filepath.Join(dir, "w1_bus_master1")
	if err := os.MkdirAll(m, 0o755); err != nil {
		return nil, fmt.Errorf("make 1-Wire tree: %w", err)
	}
	return t, t.write(filepath.Join(m, "therm_bulk_read"), []byte("0\n"))
}

// Dir is the tree's directory.
func (t *Tree) Dir() string { return t.dir }

// Add plugs in a sensor: id is the family in hex, a dash and twelve hex digits,
// as "28-0316a2795bff".
func (t *Tree) Add(id string, wire func() Wire) error {
	t.mu.Lock()
	t.sensors[id] = &sensor{wire: wire, good: encode(0, 12)}
	t.mu.Unlock()
	return t.Refresh()
}

// Remove pulls a sensor out.
func (t *Tree) Remove(id string) error {
	t.mu.Lock()
	defer t.mu.Unlock()
	delete(t.sensors, id)
	return t.drop(id)
}

func (t *Tree) drop(id string) error {
	if err := os.Remove(filepath.Join(t.dir, id)); err != nil && !os.IsNotExist(err) {
		return err
	}
	return os.RemoveAll(filepath.Join(t.dir, "w1_bus_master1", id))
}

// Run refreshes the tree every so often until ctx ends.
func (t *Tree) Run(ctx context.Context, every time.Duration) error {
	tick := time.NewTicker(every)
	defer tick.Stop()
	for {
		select {
		case <-ctx.Done():
			return nil
		case <-tick.C:
			if err := t.Refresh(); err != nil {
				return err
			}
		}
	}
}

// Refresh writes what every sensor shows now.
func (t *Tree) Refresh() error {
	t.mu.Lock()
	defer t.mu.Unlock()
	if err := t.bulkStep(); err != nil {
		return err
	}
	for id, s := range t.sensors {
		if err := t.show(id, s); err != nil {
			return fmt.Errorf("1-Wire tree: sensor %s: %w", id, err)
		}
	}
	return nil
}

// bulkStep plays a bulk conversion: it was triggered (-1), is done and not read
// (1), and is over (0).
func (t *Tree) bulkStep() error {
	f := filepath.Join(t.dir, "w1_bus_master1", "therm_bulk_read")
	b, err := os.ReadFile(f)
	if err != nil {
		return err
	}
	switch {
	case strings.TrimSpace(string(b)) == "trigger":
		t.bulk = 1
		for _, s := range t.sensors {
			c := s.wire().Celsius
			s.latched = &c
		}
		return t.write(f, []byte("-1\n"))
	case t.bulk == 0:
		return nil
	case t.bulk == 1:
		t.bulk++
		return t.write(f, []byte("1\n"))
	default:
		t.bulk = 0
		for _, s := range t.sensors {
			s.latched = nil
		}
		return t.write(f, []byte("0\n"))
	}
}

func (t *Tree) show(id string, s *sensor) error {
	w := s.wire()
	if w.Mode == ModeMissing {
		s.shown = ""
		return t.drop(id)
	}
	dir := filepath.Join(t.dir, "w1_bus_master1", id)
	if err := os.MkdirAll(dir, 0o755); err != nil {
		return err
	}
	res := filepath.Join(dir, "resolution")
	bits := 12
	if b, err := os.ReadFile(res); err == nil {
		if n, err := strconv.Atoi(strings.TrimSpace(string(b))); err == nil && n >= 9 && n <= 12 {
			bits = n
		}
	} else if err := t.write(res, []byte("12\n")); err != nil {
		return err
	}
	if _, err := os.Stat(filepath.Join(dir, "ext_power")); err != nil {
		if err := t.write(filepath.Join(dir, "ext_power"), []byte("1\n")); err != nil {
			return err
		}
	}
	c := w.Celsius
	if s.latched != nil {
		c = *s.latched
	}
	sp := encode(c, bits)
	verdict, empty, mode := "YES", false, os.FileMode(0o644)
	switch w.Mode {
	case ModeGood:
	case ModeClone:
		sp[6] = 0x0C
		seal(&sp)
	case ModeNO:
		sp[0] ^= 0x04
		verdict = "NO"
	case ModeEmpty:
		empty = true
	case ModeAllZero:
		sp = [9]byte{}
	case ModeAllOnes:
		sp = [9]byte(bytes.Repeat([]byte{0xFF}, 9))
		verdict = "NO"
	case ModePowerOn:
		sp = PowerOnScratchpad()
	case ModeNoPower:
		sp = [9]byte{0xFF, 0x07, 0x4B, 0x46, 0x7F, 0xFF, 0x0C, 0x10}
		seal(&sp)
	case ModeUnreadable:
		mode = 0
	}
	if t.bulk == 1 {
		empty = true // a conversion is pending
	}
	if verdict == "YES" {
		s.good = sp
	}
	milli := int(int16(uint16(sp[1])<<8|uint16(sp[0]))) * 1000 / 16 // C's division, toward zero
	text := fmt.Sprintf("% x : crc=%02x %s\n% x t=%d\n", sp, onewire.CalcCRC(sp[:8]), verdict, s.good, milli)
	short := fmt.Sprintf("%d\n", milli)
	if empty {
		text, short = "", ""
	}
	if verdict == "NO" {
		short = ""
	}
	now := fmt.Sprint(mode, text)
	if now == s.shown {
		return nil
	}
	s.shown = now
	if err := t.writeMode(filepath.Join(dir, "w1_slave"), []byte(text), mode); err != nil {
		return err
	}
	if err := t.writeMode(filepath.Join(dir, "temperature"), []byte(short), mode); err != nil {
		return err
	}
	link := filepath.Join(t.dir, id)
	if _, err := os.Lstat(link); os.IsNotExist(err) {
		return os.Symlink(filepath.Join("w1_bus_master1", id), link)
	}
	return nil
}

func (t *Tree) write(name string, b []byte) error { return t.writeMode(name, b, 0o644) }

func (t *Tree) writeMode(name string, b []byte, mode os.FileMode) error {
	tmp := name + ".new"
	if err := os.WriteFile(tmp, b, mode); err != nil {
		return err
	}
	return os.Rename(tmp, name)
}

// Steady gives a Wire function of a healthy sensor at the temperature now.
func Steady(temp func() float64) func() Wire {
	return func() Wire { return Wire{Celsius: temp()} }
}

// Fixed is a temperature that does not change.
func Fixed(c float64) func() float64 { return func() float64 { return c } }

// finite guards the encoders of serial lines.
func finite(c float64) bool { return !math.IsNaN(c) && !math.IsInf(c, 0) }

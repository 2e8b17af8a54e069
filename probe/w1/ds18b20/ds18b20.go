// Package ds18b20 drives DS18B20-family thermometers on a 1-Wire bus through
// periph's onewire.Bus, where the kernel's own thermometer driver is not loaded or
// not wanted. Commands and registers are those of the Maxim data sheet "DS18B20
// Programmable Resolution 1-Wire Digital Thermometer".
//
// The kernel's files (package w1) are the first way on Linux. This one goes
// through the kernel's netlink interface or a bus master on the board, and takes
// the sensors' power-on value for what it is without guessing: it leaves a marker
// in the two alarm bytes of each sensor, which a restart wipes out.
package ds18b20

import (
	"context"
	"encoding/binary"
	"errors"
	"fmt"
	"sync"
	"time"

	"periph.io/x/conn/v3/onewire"
	"periph.io/x/conn/v3/onewire/onewirereg"
	"periph.io/x/host/v3"

	"example.org/meltstation/probe"
	"example.org/meltstation/probe/w1"
)

// Commands of the data sheet: ROM commands and function commands (table 3).
const (
	cmdMatchROM        = 0x55
	cmdSkipROM         = 0xCC
	cmdConvert         = 0x44
	cmdReadScratchpad  = 0xBE
	cmdWriteScratchpad = 0x4E
	cmdRecall          = 0xB8
	cmdReadPower       = 0xB4
)

// ConversionTime is the longest a conversion takes at 9 to 12 bits (data sheet,
// table 2).
func ConversionTime(bits int) time.Duration {
	return 750 * time.Millisecond >> (12 - min(12, max(9, bits)))
}

// Found is a thermometer on the bus.
type Found struct {
	ID     string // as the kernel writes it: "28-0316a2795bff"
	Model  string
	Family byte
	Addr   onewire.Address
}

// ID writes an address as the kernel does: family, dash, serial number in hex.
func ID(a onewire.Address) string {
	return fmt.Sprintf("%02x-%012x", byte(a), uint64(a)>>8&(1<<48-1))
}

// ParseID reads what ID writes.
func ParseID(id string) (onewire.Address, error) {
	var family byte
	var serial uint64
	if _, err := fmt.Sscanf(id, "%02x-%012x", &family, &serial); err != nil || len(id) != 15 {
		return 0, fmt.Errorf("1-Wire id %q is not two hex digits, a dash and twelve more", id)
	}
	var b [8]byte
	binary.LittleEndian.PutUint64(b[:], serial<<8|uint64(family))
	b[7] = onewire.CalcCRC(b[:7])
	return onewire.Address(binary.LittleEndian.Uint64(b[:])), nil
}

// Line is a bus with its thermometers. Their sources may be used from several
// goroutines: transactions take turns, and one conversion serves them all.
//
// A transaction that never comes back (a lost netlink answer) costs one
// goroutine. The bus is then opened anew, but no second time before that
// goroutine has ended.
type Line struct {
	name string
	open func() (onewire.Bus, error)

	turn  chan struct{} // one token: whoever has it uses what follows
	bus   onewire.Bus   // nil = not open
	stuck chan struct{} // closed when the abandoned transaction came back; nil = none
	round uint64        // conversions started so far
	done  time.Time     // when the last conversion ended
	bits  int           // the finest resolution any source asked for
	users int
}

// NewLine makes a line from a function that opens its bus.
func NewLine(name string, open func() (onewire.Bus, error)) *Line {
	l := &Line{name: name, open: open, turn: make(chan struct{}, 1), bits: 9}
	l.turn <- struct{}{}
	return l
}

var hostInit = sync.OnceValue(func() error { _, err := host.Init(); return err })

// Host makes a line on a bus of this computer, found by periph's host drivers;
// name "" takes the first bus. With the kernel's netlink interface a strong
// pull-up can't be had, so sensors need their own supply wire.
func Host(name string) *Line {
	return NewLine(name, func() (onewire.Bus, error) {
		if err := hostInit(); err != nil {
			return nil, err
		}
		if len(onewirereg.All()) == 0 {
			return nil, errors.New("this computer has no 1-Wire bus, or it may not be used")
		}
		return onewirereg.Open(name)
	})
}

func (l *Line) fault(op string, err error, hint string) error {
	where := "1-Wire bus"
	if l.name != "" {
		where += " " + l.name
	}
	return &probe.Fault{Op: op, Where: where, Err: err, Hint: hint}
}

// take waits for the line's turn and opens the bus if need be.
func (l *Line) take(ctx context.Context) error {
	select {
	case <-l.turn:
	case <-ctx.Done():
		return l.fault("use", fmt.Errorf("busy: %w", probe.ErrTimeout), "")
	}
	if l.bus != nil {
		return nil
	}
	if l.stuck != nil {
		select {
		case <-l.stuck:
			l.stuck = nil
		default:
			l.give()
			return l.fault("open", fmt.Errorf("an earlier transaction never came back: %w", probe.ErrTimeout),
				"the 1-Wire bus hangs: unplug the sensors; if that doesn't help, reload its kernel module or restart the computer")
		}
	}
	bus, err := l.open()
	if err != nil || bus == nil {
		l.give()
		return l.fault("open", fmt.Errorf("%w: %v", probe.ErrNoDevice, err),
			"no 1-Wire bus: enable 1-Wire in the board's settings and reboot; the kernel's bus needs root")
	}
	l.bus = bus
	return nil
}

func (l *Line) give() { l.turn <- struct{}{} }

// hangUp closes the bus; the caller has the turn.
func (l *Line) hangUp() {
	if c, ok := l.bus.(onewire.BusCloser); ok {
		c.Close()
	}
	l.bus = nil
}

// call runs one bus transaction, and abandons it (and the bus) when ctx ends
// first. The caller has the turn.
func (l *Line) call(ctx context.Context, f func(onewire.Bus) error) error {
	bus, done := l.bus, make(chan struct{})
	var err error
	go func() { defer close(done); err = f(bus) }()
	select {
	case <-done:
		return l.reason(err)
	case <-ctx.Done():
	}
	select {
	case <-done: // both at once
		return l.reason(err)
	default:
	}
	l.stuck, l.bus = done, nil
	if c, ok := bus.(onewire.BusCloser); ok {
		go c.Close() // may set the transaction free, or hang as well
	}
	return l.fault("use", fmt.Errorf("no answer from the bus: %w", probe.ErrTimeout), "")
}

// reason classes a bus error by what it is, not by its text.
func (l *Line) reason(err error) error {
	if err == nil {
		return nil
	}
	var short onewire.ShortedBusError
	var none onewire.NoDevicesError
	var bus onewire.BusError
	switch {
	case errors.As(err, &short) && short.IsShorted():
		return l.fault("use", fmt.Errorf("%w: %w", probe.ErrShort, err), "")
	case errors.As(err, &none) && none.NoDevices():
		return l.fault("use", fmt.Errorf("%w: %w", probe.ErrNoDevice, err), "")
	case errors.As(err, &bus) && bus.BusError():
		return l.fault("use", fmt.Errorf("%w: %w", probe.ErrCRC, err), "")
	}
	l.hangUp() // not the bus but the way to it: open it anew
	return l.fault("use", fmt.Errorf("%w: %w", probe.ErrNoDevice, err), "")
}

func (l *Line) tx(ctx context.Context, w, r []byte, pull onewire.Pullup) error {
	got := make([]byte, len(r)) // an abandoned transaction must not write into r
	err := l.call(ctx, func(b onewire.Bus) error { return b.Tx(w, got, pull) })
	if err == nil {
		copy(r, got)
	}
	return err
}

// Find searches the bus for thermometers, in the order the search gives.
func (l *Line) Find(ctx context.Context) ([]Found, error) {
	if err := l.take(ctx); err != nil {
		return nil, err
	}
	defer l.give()
	var addrs []onewire.Address
	err := l.call(ctx, func(b onewire.Bus) error {
		a, err := b.Search(false)
		if err == nil {
			addrs = a
		}
		return err
	})
	if err != nil {
		return nil, err
	}
	var found []Found
	for _, a := range addrs {
		var b [8]byte
		binary.LittleEndian.PutUint64(b[:], uint64(a))
		if m := w1.Model(b[0]); m != "" && onewire.CheckCRC(b[:]) {
			found = append(found, Found{ID: ID(a), Model: m, Family: b[0], Addr: a})
		}
	}
	if len(found) == 0 {
		return nil, l.fault("search", fmt.Errorf("no thermometer answers: %w", probe.ErrNoDevice), "")
	}
	return found, nil
}

// Options of one sensor.
type Options struct {
	Resolution int // bits, 9 to 12; 0 = as the sensor has it. It is not copied to EEPROM.
}

// Open gives the opener of the sensor at an address. Opening proves that it
// answers, reads how it is powered, and sets resolution and marker.
func (l *Line) Open(a onewire.Address, o Options) probe.Opener {
	return func(ctx context.Context) (probe.Source, error) {
		if o.Resolution != 0 && (o.Resolution < 9 || o.Resolution > 12) {
			return nil, l.fault("open", fmt.Errorf("resolution of %d bits: %w", o.Resolution, probe.ErrNoDevice), "the resolution is 9 to 12 bits")
		}
		d := &dev{line: l, addr: a, family: byte(a), o: o}
		if err := l.take(ctx); err != nil {
			return nil, err
		}
		defer l.give()
		if err := d.setUp(ctx); err != nil {
			return nil, err
		}
		l.users++
		return d, nil
	}
}

type dev struct {
	line   *Line
	addr   onewire.Address
	family byte
	o      Options

	// The rest belongs to whoever has the line's turn.
	marker   [2]byte
	cfg      byte
	bits     int
	parasite bool
	seen     uint64 // the last conversion read
	closed   bool
}

var _ probe.Source = (*dev)(nil)

func (d *dev) tx(ctx context.Context, w []byte, r []byte, pull onewire.Pullup) error {
	out := make([]byte, 9, 9+len(w))
	out[0] = cmdMatchROM
	binary.LittleEndian.PutUint64(out[1:], uint64(d.addr))
	return d.line.tx(ctx, append(out, w...), r, pull)
}

func (d *dev) scratchpad(ctx context.Context) (sp [9]byte, err error) {
	err = d.tx(ctx, []byte{cmdReadScratchpad}, sp[:], onewire.WeakPullup)
	return sp, err
}

// setUp brings a sensor, which may just have been plugged in, into our state.
func (d *dev) setUp(ctx context.Context) error {
	if err := d.tx(ctx, []byte{cmdRecall}, nil, onewire.WeakPullup); err != nil {
		return err
	}
	if err := sleep(ctx, 10*time.Millisecond); err != nil { // recall: at most a few ms
		return err
	}
	sp, err := d.scratchpad(ctx)
	if err != nil {
		return err
	}
	if _, err := w1.Decode(d.family, sp); err != nil && !errors.Is(err, probe.ErrRange) {
		return d.fault("open", err)
	}
	var power [1]byte
	if err := d.tx(ctx, []byte{cmdReadPower}, power[:], onewire.WeakPullup); err != nil {
		return err
	}
	d.parasite = power[0]&1 == 0 // a sensor without a supply of its own pulls the slot low
	// The marker must differ from what a restart recalls from EEPROM.
	d.marker = [2]byte{0x5A, 0x25}
	if sp[2] == d.marker[0] && sp[3] == d.marker[1] {
		d.marker = [2]byte{0x25, 0x5A}
	}
	d.cfg, d.bits = sp[4], 12
	if d.family != 0x10 {
		if d.o.Resolution != 0 {
			d.cfg = byte(d.o.Resolution-9)<<5 | sp[4]&0x1F
		}
		d.bits = int(d.cfg>>5)&3 + 9
	}
	d.line.bits = max(d.line.bits, d.bits)
	d.seen = d.line.round
	if err := d.mark(ctx); err != nil {
		return err
	}
	if sp, err = d.scratchpad(ctx); err != nil {
		return err
	}
	if !d.marked(sp) {
		return d.fault("open", fmt.Errorf("does not keep its settings: %w", probe.ErrGarbled))
	}
	return nil
}

// mark writes marker and resolution to the sensor's memory, not to its EEPROM.
func (d *dev) mark(ctx context.Context) error {
	w := []byte{cmdWriteScratchpad, d.marker[0], d.marker[1]}
	if d.family != 0x10 { // a DS18S20 has no configuration byte
		w = append(w, d.cfg)
	}
	return d.tx(ctx, w, nil, onewire.WeakPullup)
}

func (d *dev) marked(sp [9]byte) bool {
	return sp[2] == d.marker[0] && sp[3] == d.marker[1] && (d.family == 0x10 || sp[4] == d.cfg)
}

func (d *dev) fault(op string, err error) error {
	f := &probe.Fault{Op: op, Where: ID(d.addr), Err: err}
	if errors.Is(err, probe.ErrRange) && d.parasite {
		f.Hint = "the sensor is powered from the data line and gets too little: give it its third wire"
	}
	return f
}

func (d *dev) Read(ctx context.Context) (probe.Sample, error) {
	if err := d.line.take(ctx); err != nil {
		return probe.Sample{}, err
	}
	defer d.line.give()
	if d.closed {
		return probe.Sample{}, d.fault("read", fmt.Errorf("closed: %w", probe.ErrNoDevice))
	}
	if err := d.convert(ctx); err != nil {
		return probe.Sample{}, err
	}
	sp, err := d.scratchpad(ctx)
	if err != nil {
		return probe.Sample{}, err
	}
	s, err := w1.Decode(d.family, sp)
	if err != nil {
		return probe.Sample{}, d.fault("read", err)
	}
	if d.marked(sp) {
		// It has kept its memory, so it has measured: 85 °C is 85 °C.
		s.MaybePowerOn = false
		return s, nil
	}
	if err := d.mark(ctx); err != nil {
		return probe.Sample{}, err
	}
	return probe.Sample{}, d.fault("read", fmt.Errorf("it forgot its settings: %w", probe.ErrPowerOn))
}

// fresh is how long a conversion stands for the present temperature.
const fresh = 500 * time.Millisecond

// convert makes sure that there is a conversion this sensor has not read yet.
// All sensors of the line convert at once.
func (d *dev) convert(ctx context.Context) error {
	l := d.line
	if l.round > d.seen && time.Since(l.done) < fresh {
		d.seen = l.round
		return nil
	}
	// The strong pull-up feeds sensors without a supply wire, and does the others
	// no harm.
	if err := l.tx(ctx, []byte{cmdSkipROM, cmdConvert}, nil, onewire.StrongPullup); err != nil {
		return err
	}
	if err := sleep(ctx, ConversionTime(l.bits)); err != nil {
		return l.fault("wait for the conversion", fmt.Errorf("%w: %w", probe.ErrTimeout, err), "")
	}
	l.round++
	l.done = time.Now()
	d.seen = l.round
	return nil
}

// Close lets go of the line; the bus is closed with its last sensor.
func (d *dev) Close() error {
	// A stuck transaction gives the turn back when its context ends, so this does
	// not wait for ever.
	<-d.line.turn
	defer d.line.give()
	if d.closed {
		return nil
	}
	d.closed = true
	if d.line.users--; d.line.users == 0 && d.line.bus != nil {
		d.line.hangUp()
	}
	return nil
}

func sleep(ctx context.Context, d time.Duration) error {
	t := time.NewTimer(d)
	defer t.Stop()
	select {
	case <-t.C:
		return nil
	case <-ctx.Done():
		return ctx.Err()
	}
}

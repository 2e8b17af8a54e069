package hardware

import (
	"encoding/binary"
	"sync"

	"periph.io/x/conn/v3/onewire"
)

// Bus is a 1-Wire bus with fake DS18B20 sensors, for the driver that speaks to
// periph's onewire.Bus. Its exported methods may be called at any time from any
// goroutine.
type Bus struct {
	mu      sync.Mutex
	sensors map[onewire.Address]*BusSensor
	order   []onewire.Address
	short   bool
	hang    chan struct{} // non-nil: transactions block until it is closed

}

var _ onewire.BusCloser = (*Bus)(nil)

// BusSensor is one sensor on a Bus.
type BusSensor struct {
	bus      *Bus
	temp     func() float64
	sp       [9]byte
	eeprom   [3]byte
	parasite bool
	clone    bool // byte 6 is always 0Ch
	gone     bool
	flips    int // answers still to be damaged
	resets   int // restarts to come, each after a conversion
}

// NewBus makes an empty bus.
func NewBus() *Bus { return &Bus{sensors: map[onewire.Address]*BusSensor{}} }

// Address makes a ROM code of a DS18B20 from a 48-bit serial number.
func Address(serial uint64) onewire.Address {
	var b [8]byte
	binary.LittleEndian.PutUint64(b[:], serial<<8|0x28)
	b[7] = onewire.CalcCRC(b[:7])
	return onewire.Address(binary.LittleEndian.Uint64(b[:]))
}

// Add plugs a sensor in.
func (b *Bus) Add(a onewire.Address, temp func() float64) *BusSensor {
	b.mu.Lock()
	defer b.mu.Unlock()
	s := &BusSensor{bus: b, temp: temp, sp: PowerOnScratchpad(), eeprom: [3]byte{0x4B, 0x46, 0x7F}}
	b.sensors[a] = s
	b.order = append(b.order, a)
	return s
}

// Short holds the bus low, or lets it go.
func (b *Bus) Short(on bool) { b.mu.Lock(); b.short = on; b.mu.Unlock() }

// Hang makes every transaction block until it is called with false.
func (b *Bus) Hang(on bool) {
	b.mu.Lock()
	defer b.mu.Unlock()
	switch {
	case on && b.hang == nil:
		b.hang = make(chan struct{})
	case !on && b.hang != nil:
		close(b.hang)
		b.hang = nil
	}
}

// Restart cuts the sensor's supply for a moment: it shows its power-on value
// until it is told to convert, and forgets what was not copied to its EEPROM.
func (s *BusSensor) Restart() { s.bus.mu.Lock(); s.reset(); s.bus.mu.Unlock() }

// RestartAfterConvert restarts the sensor once more after each of its next n
// conversions: the power-on value is what is then read.
func (s *BusSensor) RestartAfterConvert(n int) { s.bus.mu.Lock(); s.resets = n; s.bus.mu.Unlock() }

// Unplug takes the sensor off the bus, or puts it back (freshly restarted).
func (s *BusSensor) Unplug(on bool) {
	s.bus.mu.Lock()
	defer s.bus.mu.Unlock()
	s.gone = on
	if !on {
		s.reset()
	}
}

// Damage flips a bit in each of the next n scratchpads that are read.
func (s *BusSensor) Damage(n int) { s.bus.mu.Lock(); s.flips = n; s.bus.mu.Unlock() }

// Parasite makes the sensor one that is powered from the data line.
func (s *BusSensor) Parasite(on bool) { s.bus.mu.Lock(); s.parasite = on; s.bus.mu.Unlock() }

// Clone makes byte 6 of every scratchpad 0Ch, as on some copies of the chip.
func (s *BusSensor) Clone(on bool) { s.bus.mu.Lock(); s.clone = on; s.bus.mu.Unlock() }

// Resolution is what the sensor is set to, in bits.
func (s *BusSensor) Resolution() int {
	s.bus.mu.Lock()
	defer s.bus.mu.Unlock()
	return int(s.sp[4]>>5) + 9
}

func (s *BusSensor) reset() {
	s.sp = PowerOnScratchpad()
	copy(s.sp[2:5], s.eeprom[:])
	seal(&s.sp)
}

func (b *Bus) String() string { return "fake 1-Wire bus" }

// Close implements onewire.BusCloser. The bus can be used again.
func (b *Bus) Close() error { return nil }

// Search implements onewire.Bus.
func (b *Bus) Search(bool) ([]onewire.Address, error) {
	if err := b.enter(); err != nil {
		return nil, err
	}
	defer b.mu.Unlock()
	var out []onewire.Address
	for _, a := range b.order {
		if !b.sensors[a].gone {
			out = append(out, a)
		}
	}
	return out, nil
}

// enter waits out a hang, takes the lock and does the reset pulse.
func (b *Bus) enter() error {
	for {
		b.mu.Lock()
		h := b.hang
		if h == nil {
			break
		}
		b.mu.Unlock()
		<-h
	}
	if b.short {
		b.mu.Unlock()
		return shorted{}
	}
	for _, s := range b.sensors {
		if !s.gone {
			return nil
		}
	}
	b.mu.Unlock()
	return nobody{}
}

// Tx implements onewire.Bus. A sensor that is not there leaves the bus high:
// every byte reads FFh.
func (b *Bus) Tx(w, r []byte, power onewire.Pullup) error {
	if err := b.enter(); err != nil {
		return err
	}
	defer b.mu.Unlock()
	for i := range r {
		r[i] = 0xFF
	}
	var to []*BusSensor
	switch {
	case len(w) >= 1 && w[0] == 0xCC: // skip ROM
		for _, a := range b.order {
			to = append(to, b.sensors[a])
		}
		w = w[1:]
	case len(w) >= 9 && w[0] == 0x55: // match ROM
		if s := b.sensors[onewire.Address(binary.LittleEndian.Uint64(w[1:9]))]; s != nil {
			to = append(to, s)
		}
		w = w[9:]
	default:
		return nil
	}
	for _, s := range to {
		if !s.gone && len(w) > 0 {
			s.do(w, r, power)
		}
	}
	return nil
}

func (s *BusSensor) do(w, r []byte, power onewire.Pullup) {
	switch w[0] {
	case 0x44: // convert T
		if s.parasite && power != onewire.StrongPullup {
			s.reset() // starved in mid-conversion
			return
		}
		keep := [3]byte(s.sp[2:5])
		s.sp = encode(s.temp(), int(s.sp[4]>>5)+9)
		copy(s.sp[2:5], keep[:])
		if s.clone {
			s.sp[6] = 0x0C
		}
		seal(&s.sp)
		if s.resets > 0 {
			s.resets--
			s.reset()
		}
	case 0xBE: // read scratchpad
		n := copy(r, s.sp[:])
		if s.flips > 0 && n > 0 {
			s.flips--
			r[0] ^= 0x10
		}
	case 0x4E: // write scratchpad
		if len(w) == 4 {
			s.sp[2], s.sp[3], s.sp[4] = w[1], w[2], w[3]&0x60|0x1F
			seal(&s.sp)
		}
	case 0x48: // copy scratchpad
		s.eeprom = [3]byte(s.sp[2:5])
	case 0xB8: // recall
		copy(s.sp[2:5], s.eeprom[:])
		seal(&s.sp)
	case 0xB4: // read power supply: a parasite-powered sensor pulls the bus low
		if s.parasite && len(r) > 0 {
			r[0] = 0
		}
	}
}

type shorted struct{}

func (shorted) Error() string   { return "fake 1-Wire bus: held low" }
func (shorted) IsShorted() bool { return true }
func (shorted) BusError() bool  { return true }

type nobody struct{}

func (nobody) Error() string   { return "fake 1-Wire bus: no presence pulse" }
func (nobody) NoDevices() bool { return true }

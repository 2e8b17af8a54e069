package w1

import (
	"fmt"

	"periph.io/x/conn/v3/onewire"

	"example.org/meltstation/probe"
)

// Decode turns the nine bytes of a scratchpad into a sample. The layout is that
// of the data sheets: "DS18B20 Programmable Resolution 1-Wire Digital
// Thermometer" (Maxim), memory map and tables 1 and 2, and the DS18S20's. The
// family is the first byte of the ROM code.
//
// The error wraps ErrShort for eight zeros (whose checksum is zero, so it
// matches), ErrNoDevice for nine FFh (nobody drives the bus), ErrCRC, ErrGarbled
// for bytes no such sensor has, and ErrRange.
func Decode(family byte, sp [9]byte) (probe.Sample, error) {
	if sp == [9]byte{} {
		return probe.Sample{}, fmt.Errorf("all nine bytes are zero: %w", probe.ErrShort)
	}
	if sp == [9]byte{0xFF, 0xFF, 0xFF, 0xFF, 0xFF, 0xFF, 0xFF, 0xFF, 0xFF} {
		return probe.Sample{}, fmt.Errorf("nobody drives the bus: %w", probe.ErrNoDevice)
	}
	if crc := onewire.CalcCRC(sp[:8]); crc != sp[8] {
		return probe.Sample{}, fmt.Errorf("scratchpad % x should end in %02x: %w", sp, crc, probe.ErrCRC)
	}
	raw := int16(uint16(sp[1])<<8 | uint16(sp[0]))
	switch family {
	case 0x10:
		return decodeS(raw, sp)
	case 0x22, 0x28, 0x42:
		// Byte 4 is 0 R1 R0 1 1 1 1 1.
		if sp[4]&0x9F != 0x1F {
			return probe.Sample{}, fmt.Errorf("configuration byte %02x: %w", sp[4], probe.ErrGarbled)
		}
	case 0x3B:
		// Byte 4 is 0 R1 R0 1 and four address pins; bit 7 is set on a thermocouple
		// converter of the same family, which has another layout.
		if sp[4]&0x90 != 0x10 {
			return probe.Sample{}, fmt.Errorf("configuration byte %02x: %w", sp[4], probe.ErrGarbled)
		}
	default:
		return probe.Sample{}, fmt.Errorf("family %02x is no thermometer this program knows: %w", family, probe.ErrGarbled)
	}
	// At fewer than 12 bits the low ones are undefined.
	masked := raw &^ (1<<(12-Bits(sp)) - 1)
	// The sign fills the five top bits: the register of a sensor can't hold more.
	if top := raw >> 11; top != 0 && top != -1 {
		return probe.Sample{}, fmt.Errorf("temperature register %04x: %w", uint16(raw), probe.ErrGarbled)
	}
	c := float64(masked) / 16
	if c < -55 || c > 125 {
		if raw == 0x07FF && sp[6] == 0x0C {
			return probe.Sample{}, fmt.Errorf("127.94 °C, the sign of too weak a supply: %w", probe.ErrRange)
		}
		return probe.Sample{}, fmt.Errorf("%.4f °C: %w", c, probe.ErrRange)
	}
	// 85 °C with byte 6 at 0Ch is what a sensor holds after a restart. The byte
	// is no proof: some clones always show it.
	return probe.Sample{Celsius: c, MaybePowerOn: raw == 0x0550 && sp[6] == 0x0C}, nil
}

// decodeS decodes a DS18S20: steps of half a degree, refined by COUNT_REMAIN and
// COUNT_PER_C (bytes 6 and 7) as its data sheet says.
func decodeS(raw int16, sp [9]byte) (probe.Sample, error) {
	if top := raw >> 8; top != 0 && top != -1 {
		return probe.Sample{}, fmt.Errorf("temperature register %04x: %w", uint16(raw), probe.ErrGarbled)
	}
	c := float64(raw) / 2
	if remain, per := float64(sp[6]), float64(sp[7]); per > 0 && remain <= per {
		c = float64(raw>>1) - 0.25 + (per-remain)/per
	}
	if c < -55.5 || c > 125.75 {
		return probe.Sample{}, fmt.Errorf("%.4f °C: %w", c, probe.ErrRange)
	}
	return probe.Sample{Celsius: c, MaybePowerOn: raw == 0x00AA && sp[6] == 0x0C}, nil
}

// Bits is the resolution a scratchpad's configuration byte asks for, 9 to 12.
func Bits(sp [9]byte) int { return int(sp[4]>>5)&3 + 9 }

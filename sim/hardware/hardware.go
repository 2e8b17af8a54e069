// Package hardware puts fake thermometers behind the real wire formats, so that
// every driver can be driven end to end without a sensor: a 1-Wire device tree
// in the Linux kernel's format ([Tree]), a 1-Wire bus ([Bus]), and a
// pseudo-terminal that sends text lines ([TextLine]) or answers Modbus RTU
// ([ModbusSlave]).
//
// What each measures comes from a function that gives the temperature now, in
// °C; it is called from the fake's own goroutine.
package hardware

import (
	"math"

	"periph.io/x/conn/v3/onewire"
)

// encode gives the scratchpad of a DS18B20 that measured c at a resolution of 9
// to 12 bits (data sheet, "Memory" and table 1). Byte 6 is what genuine chips
// show: 16 less the low digit of the temperature (common knowledge, no source).
func encode(c float64, bits int) [9]byte {
	raw := int16(math.Round(min(125, max(-55, c)) * 16))
	raw &^= 1<<(12-bits) - 1
	sp := [9]byte{byte(raw), byte(uint16(raw) >> 8), 0x4B, 0x46, byte(bits-9)<<5 | 0x1F, 0xFF, 0x10 - byte(raw&0x0F), 0x10}
	seal(&sp)
	return sp
}

func seal(sp *[9]byte) { sp[8] = onewire.CalcCRC(sp[:8]) }

// PowerOnScratchpad is what a DS18B20 holds after a restart, before its first
// conversion: 85 °C with byte 6 at 0Ch.
func PowerOnScratchpad() [9]byte {
	sp := [9]byte{0x50, 0x05, 0x4B, 0x46, 0x7F, 0xFF, 0x0C, 0x10}
	seal(&sp)
	return sp
}

package hardware

import (
	"encoding/binary"
	"errors"
	"math"
	"os"
	"time"
)

// Registers gives the register of a Modbus slave at an address, for function 3
// (holding) or 4 (input); ok is false for one that is not there.
type Registers func(function byte, address uint16) (value uint16, ok bool)

// ModbusOptions say how a ModbusSlave behaves.
type ModbusOptions struct {
	Units map[byte]Registers // by slave number, 1 to 247
	// Mangle changes the nth answer (from 0) before it is sent; nil = none, a nil
	// result sends nothing.
	Mangle func(n int, frame []byte) []byte
}

// ModbusSlave answers Modbus RTU on a pseudo-terminal, for one slave number or
// several on the same line. It returns the path to open as a serial port, and a
// function that pulls the plug.
//
// It follows "MODBUS over serial line", V1.02: a frame with a wrong checksum or
// for another slave gets no answer; and the application protocol V1.1b3,
// sections 6.3, 6.4 and 7: exceptions 1 (function), 2 (address), 3 (quantity).
func ModbusSlave(o ModbusOptions) (path string, unplug func() error, err error) {
	l, err := openLine()
	if err != nil {
		return "", nil, err
	}
	l.wg.Go(func() {
		var frame []byte
		buf := make([]byte, 256)
		answers := 0
		for {
			// A gap ends a frame. A pseudo-terminal has no speed, so the gap is a
			// generous 20 ms rather than 3.5 characters.
			if len(frame) > 0 {
				l.master.SetReadDeadline(time.Now().Add(20 * time.Millisecond))
			} else {
				l.master.SetReadDeadline(time.Time{})
			}
			n, err := l.master.Read(buf)
			if errors.Is(err, os.ErrDeadlineExceeded) {
				frame = frame[:0]
				continue
			}
			if err != nil {
				return
			}
			if frame = append(frame, buf[:n]...); len(frame) > 256 {
				frame = frame[:0]
			}
			if len(frame) < 8 {
				continue
			}
			answer := Answer(frame, o.Units)
			frame = frame[:0]
			if answer == nil {
				continue
			}
			if o.Mangle != nil {
				answer = o.Mangle(answers, answer)
			}
			answers++
			if len(answer) > 0 && l.send(answer) != nil {
				return
			}
		}
	})
	return l.slave.Name(), l.close, nil
}

// Answer gives a slave's answer to one request frame, nil for none.
func Answer(frame []byte, units map[byte]Registers) []byte {
	n := len(frame)
	if n < 4 || binary.LittleEndian.Uint16(frame[n-2:]) != CRC16(frame[:n-2]) {
		return nil
	}
	unit, function := frame[0], frame[1]
	regs := units[unit]
	if regs == nil {
		return nil
	}
	if function != 3 && function != 4 {
		return Seal([]byte{unit, function | 0x80, 1})
	}
	if n != 8 {
		return Seal([]byte{unit, function | 0x80, 3})
	}
	address, quantity := binary.BigEndian.Uint16(frame[2:]), binary.BigEndian.Uint16(frame[4:])
	if quantity < 1 || quantity > 125 {
		return Seal([]byte{unit, function | 0x80, 3})
	}
	out := []byte{unit, function, byte(2 * quantity)}
	for i := range int(quantity) {
		if int(address)+i > math.MaxUint16 {
			return Seal([]byte{unit, function | 0x80, 2})
		}
		v, ok := regs(function, address+uint16(i))
		if !ok {
			return Seal([]byte{unit, function | 0x80, 2})
		}
		out = binary.BigEndian.AppendUint16(out, v)
	}
	return Seal(out)
}

// Seal appends the checksum to a frame, low byte first.
func Seal(frame []byte) []byte {
	return binary.LittleEndian.AppendUint16(frame, CRC16(frame))
}

// CRC16 is the checksum of Modbus RTU ("MODBUS over serial line", V1.02,
// section 2.5.1.2 and appendix B).
func CRC16(b []byte) uint16 {
	crc := uint16(0xFFFF)
	for _, c := range b {
		crc ^= uint16(c)
		for range 8 {
			low := crc & 1
			crc >>= 1
			if low != 0 {
				crc ^= 0xA001
			}
		}
	}
	return crc
}

// Tenths is a slave that shows the temperature in tenths of a degree, signed, in
// both kinds of register at the given address; 7FFFh stands for an open sensor
// when the temperature is not a number.
func Tenths(address uint16, temp func() float64) Registers {
	return func(_ byte, a uint16) (uint16, bool) {
		if a != address {
			return 0, false
		}
		c := temp()
		if !finite(c) {
			return 0x7FFF, true
		}
		return uint16(int16(math.Round(c * 10))), true
	}
}

// Float is a slave that shows the temperature as a 32-bit float in two registers
// from the given address, high word first, or low word first when swapped.
func Float(address uint16, swapped bool, temp func() float64) Registers {
	var words [2]uint16 // latched with the first register, so that both are of one moment
	return func(_ byte, a uint16) (uint16, bool) {
		if a < address || a > address+1 {
			return 0, false
		}
		if a == address {
			bits := math.Float32bits(float32(temp()))
			words = [2]uint16{uint16(bits >> 16), uint16(bits)}
			if swapped {
				words[0], words[1] = words[1], words[0]
			}
		}
		return words[a-address], true
	}
}

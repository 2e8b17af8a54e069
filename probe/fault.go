package probe

import (
	"context"
	"errors"
	"io/fs"
)

// Fault is a failure that says where it happened and what the maker can do
// about it. Drivers return one when they know more than the bare reason.
type Fault struct {
	Op    string // what was being done: "open", "read"
	Where string // port, file or address
	Err   error  // wraps one of the reasons of this package
	Hint  string // the next step in plain words; "" = the general one for the reason
}

func (f *Fault) Error() string { return f.Op + " " + f.Where + ": " + f.Err.Error() }

// Unwrap gives the reason.
func (f *Fault) Unwrap() error { return f.Err }

// Classify turns the reason of a failed open or read into the quality its
// reading gets. An error that wraps none of the reasons counts as NoDevice: the
// thermometer can't be reached.
func Classify(err error) Quality {
	switch {
	case err == nil:
		return Good
	case errors.Is(err, ErrCRC):
		return BadCRC
	case errors.Is(err, ErrPowerOn):
		return PowerOnReset
	case errors.Is(err, ErrOpen):
		return OpenCircuit
	case errors.Is(err, ErrShort):
		return Shorted
	case errors.Is(err, ErrGarbled):
		return Garbled
	case errors.Is(err, ErrRange):
		return OutOfRange
	case errors.Is(err, ErrNoDevice), errors.Is(err, ErrPermission):
		return NoDevice
	case errors.Is(err, ErrTimeout), errors.Is(err, ErrNotReady),
		errors.Is(err, context.DeadlineExceeded):
		return Stale
	default:
		return NoDevice
	}
}

// Mend says in plain words what to do about a fault of a probe of the given
// kind ("w1", "onewire", "serial-text", "modbus", "sim"). The error may be nil
// for a fault that was found by looking at readings. "" means nothing to do.
func Mend(kind string, q Quality, err error) string {
	var f *Fault
	if errors.As(err, &f) && f.Hint != "" {
		return f.Hint
	}
	wire := kind == "w1" || kind == "onewire"
	switch {
	case errors.Is(err, ErrPermission) || errors.Is(err, fs.ErrPermission):
		if wire {
			return "permission denied on the 1-Wire files: run the station as a user who may read /sys/bus/w1, or as root to change the resolution"
		}
		return "permission denied on the port: add the user to group dialout (\"sudo usermod -aG dialout $USER\"), then log in again"
	}
	switch q {
	case Good:
		return ""
	case BadCRC:
		if wire {
			return "bytes damaged on the wire: shorten the cable or use twisted pair, check the joints and the 4.7 kΩ pull-up resistor"
		}
		return "bytes damaged on the line: check speed, parity and stop bits against the converter's sheet, twist the pair, terminate a long line"
	case PowerOnReset:
		return "the sensor lost its supply for a moment: check the red wire and the plug, and power it from 3.3 V rather than from the data line"
	case OutOfRange:
		if wire {
			return "a value this sensor can't measure: check its supply, and that it is not above 125 °C"
		}
		return "a value no melt pot has: check unit, register and scale, and the thermocouple's type and polarity"
	case ImpossibleRate:
		return "it jumped faster than wax can: if you moved the probe, wait a moment; else check the plug and keep the cable off mains leads"
	case Stuck:
		return "it has not moved a digit although it must: is the tip in the wax? unplug the probe and plug it in again"
	case OpenCircuit:
		return "the thermocouple is open: check its plug and screws; a broken junction needs a new thermocouple"
	case Shorted:
		if wire {
			return "the data line is held low: check for a short between data and ground, for swapped wires and for water in the plug"
		}
		return "the thermocouple is shorted to ground or supply: check bare wires at the plug"
	case Stale:
		switch {
		case wire:
			return "no fresh value came: check plug and wiring; too many sensors on one bus slow each other down"
		case kind == "modbus":
			return "no answer: check the slave number, speed and parity (8E1 is the standard's default, many converters use 8N1), and swap A and B once"
		default:
			return "no line came in time: check the converter's power, the speed set for the port, and that no other program has it open"
		}
	case NoDevice:
		if wire {
			return "no sensor answers: plug it in, check its three wires and the 4.7 kΩ pull-up resistor between data and 3.3 V"
		}
		return "the port is not there: plug the converter in and compare its name with \"meltstation probes\""
	case Garbled:
		if kind == "modbus" {
			return "the answer is not what was asked: check register, function and slave number (a register listed as 109 has the address 108)"
		}
		return "bytes came that are no reading: check the speed of the port and the pattern in the configuration"
	}
	return ""
}

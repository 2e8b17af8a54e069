// Package probe turns thermometers into readings that can be trusted or that
// say why they can't.
//
// A [Source] is one opened thermometer; drivers in the sub-packages (w1,
// serialtc) make them. A [Supervisor] opens, reads, checks and reopens sources,
// one goroutine each, and hands on a [Reading] for every attempt, good or
// suspect. Nothing in this package knows about batches, alarms or pages.
//
// Temperatures are degrees Celsius everywhere inside the program.
package probe

import (
	"context"
	"errors"
	"math"
	"time"
)

// Role says what a probe is in.
type Role string

// The places a probe can sit.
const (
	RolePot  Role = "pot"  // in the wax: the one that forecasts and alarms rest on
	RoleRoom Role = "room" // in the air where jugs cool
	RoleBath Role = "bath" // in the hot water
	RoleJar  Role = "jar"  // on a jar being warmed
)

// Quality says whether a reading may be used: Good, or the reason it is suspect.
type Quality string

// The qualities of a reading. Every one but Good is suspect: it is stored and
// shown, and never drives a forecast nor clears an alarm.
const (
	Good           Quality = "good"
	BadCRC         Quality = "crc"             // the bytes were damaged on the wire
	PowerOnReset   Quality = "power-on-reset"  // the sensor restarted: its 85 °C is not a measurement
	OutOfRange     Quality = "out-of-range"    // outside what the sensor or a melt pot can be
	ImpossibleRate Quality = "impossible-rate" // moved faster than wax can
	Stuck          Quality = "stuck"           // has not moved a digit for too long while it must
	OpenCircuit    Quality = "open"            // thermocouple broken or unplugged
	Shorted        Quality = "short"           // bus or thermocouple shorted
	Stale          Quality = "stale"           // the device repeats an old value, or none came in time
	NoDevice       Quality = "no-device"       // not attached, or gone
	Garbled        Quality = "garbled"         // bytes came that are no reading
)

// Reasons a read or an open fails. Drivers wrap one of these (with %w), so that
// the supervisor can class the fault without looking at text.
var (
	ErrNoDevice   = errors.New("no such device")                  // not attached, gone, or no bus
	ErrPermission = errors.New("permission denied")               // the port exists but may not be opened
	ErrCRC        = errors.New("checksum does not match")         // damaged on the wire
	ErrPowerOn    = errors.New("sensor restarted")                // power-on value instead of a measurement
	ErrOpen       = errors.New("thermocouple open")               // broken or unplugged
	ErrShort      = errors.New("bus or thermocouple shorted")     // held low, or shorted to ground or supply
	ErrTimeout    = errors.New("no answer in time")               // nothing came before the deadline
	ErrGarbled    = errors.New("bytes that are no reading")       // noise, wrong speed or wrong pattern
	ErrRange      = errors.New("outside the sensor's range")      // a value the sensor can't measure
	ErrNotReady   = errors.New("conversion not ready, ask again") // empty read of a busy kernel driver
)

// Sample is what a driver read: one temperature, before any check that needs
// the readings around it.
type Sample struct {
	Celsius float64 // as the device gave it, before calibration
	// MaybePowerOn is set when the value and the device's own bytes could be
	// the power-on value (85.000 °C on a DS18B20). The supervisor decides, from
	// the readings around it.
	MaybePowerOn bool
}

// Source is one opened thermometer.
//
// Read blocks until the next sample is there, ctx ends, or the device fails.
// An error wraps one of the reasons above. A Source is used by one goroutine;
// Close may be called from another to end a blocked Read, and more than once.
type Source interface {
	Read(ctx context.Context) (Sample, error)
	Close() error
}

// Opener opens a thermometer; the supervisor calls it again after a failure.
type Opener func(ctx context.Context) (Source, error)

// Reading is one attempt to know a temperature. It is a value: hand on copies.
type Reading struct {
	Probe   string    // the probe's id, unique in the station
	Role    Role      // what the probe is in
	Pot     string    // the pot it serves; "" for one that serves all (the room)
	At      time.Time // when it was taken; keeps its monotonic part
	Celsius float64   // calibrated; NaN when the device gave no number
	Raw     float64   // before calibration; NaN when the device gave no number
	Quality Quality
	Detail  string // for a suspect reading: what was seen, in plain words
}

// OK reports whether the reading may drive forecasts and clear alarms.
func (r Reading) OK() bool { return r.Quality == Good && !math.IsNaN(r.Celsius) }

// Package serialtc reads thermocouple converters on a serial line, of two kinds:
// those that write text lines ([OpenText]) and those that answer Modbus RTU
// ([OpenModbus]). A converter may give degrees, or millivolts that are turned into
// degrees by the ITS-90 reference functions with cold-junction compensation.
package serialtc

import (
	"cmp"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"slices"
	"strings"

	"go.bug.st/serial"

	"example.org/meltstation/probe"
	"example.org/meltstation/probe/its90"
)

// Port is a serial port of this computer.
type Port struct {
	Name   string // "/dev/ttyUSB0"
	Stable string // a name that stays when plugs change places, by maker and serial number; "" = none
}

// byID is where Linux keeps the stable names of USB ports.
const byID = "/dev/serial/by-id"

// Ports lists the serial ports, sorted by name. It doesn't tell whether they may
// be opened or who sits at the other end.
func Ports() ([]Port, error) {
	names, err := serial.GetPortsList()
	if err != nil {
		return nil, fmt.Errorf("list serial ports: %w", err)
	}
	stable := map[string]string{}
	if links, err := os.ReadDir(byID); err == nil {
		for _, l := range links {
			link := filepath.Join(byID, l.Name())
			if to, err := filepath.EvalSymlinks(link); err == nil {
				stable[to] = link
			}
		}
	}
	var out []Port
	for _, n := range names {
		out = append(out, Port{Name: n, Stable: stable[n]})
	}
	slices.SortFunc(out, func(a, b Port) int { return cmp.Compare(a.Name, b.Name) })
	return out, nil
}

// unit converts from "C", "F" or "K" to °C.
func unit(u string, v float64) (float64, error) {
	switch strings.ToUpper(u) {
	case "", "C":
		return v, nil
	case "F":
		return (v - 32) / 1.8, nil
	case "K":
		return v - 273.15, nil
	}
	return 0, fmt.Errorf("unit %q is not C, F or K", u)
}

// thermocouple is how millivolts become degrees.
type thermocouple struct {
	typ  its90.Type // 0 = the converter gives degrees
	cold *float64   // fixed cold junction, °C; nil = the converter tells it
}

func newThermocouple(typ string, cold *float64, told bool) (thermocouple, error) {
	if typ == "" {
		return thermocouple{}, nil
	}
	t, err := its90.ParseType(typ)
	if err != nil {
		return thermocouple{}, err
	}
	if cold == nil && !told {
		return thermocouple{}, errors.New("a converter that gives millivolts needs the temperature of its cold junction, fixed or read from it")
	}
	if cold != nil && (*cold < -40 || *cold > 85) {
		return thermocouple{}, fmt.Errorf("cold junction at %g °C: no converter works there", *cold)
	}
	return thermocouple{t, cold}, nil
}

func (t thermocouple) celsius(millivolts, cold float64) (float64, error) {
	c, err := t.typ.Compensate(millivolts, cold)
	if err != nil {
		return 0, fmt.Errorf("%w: %w", probe.ErrRange, err)
	}
	return c, nil
}

func parity(s, otherwise string) (string, error) {
	switch s = cmp.Or(strings.ToLower(s), otherwise); s {
	case "none", "even", "odd":
		return s, nil
	}
	return "", fmt.Errorf("parity %q is not none, even or odd", s)
}

// openFault explains why a port can't be opened.
func openFault(port string, err error) error {
	f := &probe.Fault{Op: "open", Where: port}
	var pe *serial.PortError
	code := serial.PortErrorCode(-1)
	if errors.As(err, &pe) {
		code = pe.Code()
	}
	switch {
	case errors.Is(err, fs.ErrPermission), code == serial.PermissionDenied:
		f.Err = fmt.Errorf("%w: %w", probe.ErrPermission, err)
	case errors.Is(err, fs.ErrNotExist), code == serial.PortNotFound:
		f.Err = probe.ErrNoDevice
	case code == serial.PortBusy:
		f.Err = fmt.Errorf("port in use: %w", probe.ErrNoDevice)
		f.Hint = "another program has the port open: the station itself, a terminal program or a modem manager; stop it first"
	case code == serial.InvalidSerialPort:
		f.Err = fmt.Errorf("%w: %w", probe.ErrNoDevice, err)
		f.Hint = "this is no serial port, or it refuses the settings: compare its name with \"meltstation probes\""
	default:
		f.Err = fmt.Errorf("%w: %w", probe.ErrNoDevice, err)
	}
	return f
}

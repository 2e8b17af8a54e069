// Package w1 reads DS18B20-family thermometers through the Linux kernel's 1-Wire
// files.
//
// The kernel's w1_therm driver gives each sensor a directory under
// /sys/bus/w1/devices with a file w1_slave, which holds the nine bytes of the
// sensor's scratchpad and whether their checksum matched. Those bytes are decoded
// here rather than the kernel's own number, because only they tell a true 85 °C
// from the power-on value and a true 0 °C from a shorted bus. The formats are
// those of the kernel's Documentation/w1/slaves/w1_therm.rst and
// Documentation/ABI/testing/sysfs-driver-w1_therm.
//
// The sub-package ds18b20 drives the same sensors on a bus without the kernel's
// driver.
package w1

import (
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"slices"
	"strings"

	"example.org/meltstation/probe"
)

// DefaultRoot is where Linux shows 1-Wire devices.
const DefaultRoot = "/sys/bus/w1/devices"

// Found is a thermometer on a 1-Wire bus.
type Found struct {
	ID     string // "28-0316a2795bff"
	Model  string // "DS18B20"
	Family byte
	Bus    string // "w1_bus_master1"
	Dir    string
}

// Model names the thermometer families this program can read.
func Model(family byte) string {
	switch family {
	case 0x10:
		return "DS18S20"
	case 0x22:
		return "DS1822"
	case 0x28:
		return "DS18B20"
	case 0x3B:
		return "DS1825"
	case 0x42:
		return "DS28EA00"
	}
	return ""
}

// ModelOf names the family of a sensor by its id, "" for none that is known.
func ModelOf(id string) string {
	family, ok := familyOf(id)
	if !ok {
		return ""
	}
	return Model(family)
}

// Discover lists the thermometers under root ("" = DefaultRoot), sorted by id.
// Its error wraps probe.ErrNoDevice, probe.ErrShort or probe.ErrPermission and
// carries what to do: there is no bus, or nothing on it.
func Discover(root string) ([]Found, error) {
	if root == "" {
		root = DefaultRoot
	}
	fault := func(err error, hint string) error {
		return &probe.Fault{Op: "look for 1-Wire sensors in", Where: root, Err: err, Hint: hint}
	}
	const enable = "no 1-Wire bus: enable 1-Wire in the board's settings (on many boards a line \"dtoverlay=w1-gpio\" in the boot configuration) and reboot"
	entries, err := os.ReadDir(root)
	switch {
	case errors.Is(err, fs.ErrNotExist):
		return nil, fault(fmt.Errorf("no 1-Wire bus: %w", probe.ErrNoDevice), enable)
	case errors.Is(err, fs.ErrPermission):
		return nil, fault(fmt.Errorf("%w: %w", probe.ErrPermission, err), "")
	case err != nil:
		return nil, fault(fmt.Errorf("%w: %w", probe.ErrNoDevice, err), enable)
	}
	var found []Found
	buses, phantoms := 0, 0
	for _, e := range entries {
		name := e.Name()
		if strings.HasPrefix(name, "w1_bus_master") {
			buses++
			continue
		}
		family, ok := familyOf(name)
		if !ok {
			continue
		}
		if family == 0 {
			phantoms++ // "00-…": a search over a floating or noisy line
			continue
		}
		if Model(family) == "" {
			continue // an iButton, a switch: no thermometer
		}
		f := Found{ID: name, Model: Model(family), Family: family, Dir: filepath.Join(root, name)}
		if real, err := filepath.EvalSymlinks(f.Dir); err == nil {
			f.Bus = filepath.Base(filepath.Dir(real))
		}
		found = append(found, f)
	}
	slices.SortFunc(found, func(a, b Found) int { return strings.Compare(a.ID, b.ID) })
	switch {
	case len(found) > 0:
		return found, nil
	case phantoms > 0:
		return nil, fault(fmt.Errorf("only phantom devices: %w", probe.ErrShort),
			"the bus answers with noise: fit the 4.7 kΩ pull-up resistor between data and 3.3 V, and check for a short or swapped wires")
	case buses > 0:
		return nil, fault(fmt.Errorf("the bus is there, but no thermometer answers: %w", probe.ErrNoDevice),
			"the 1-Wire bus works but no thermometer answers: plug it in, check its three wires and the 4.7 kΩ pull-up resistor between data and 3.3 V")
	default:
		return nil, fault(fmt.Errorf("no 1-Wire bus: %w", probe.ErrNoDevice), enable)
	}
}

// IsID reports whether s is written like a 1-Wire id: two hex digits of the family,
// a dash and twelve of the serial number.
func IsID(s string) bool {
	_, ok := familyOf(s)
	return ok
}

// familyOf takes the family from a kernel device name: two hex digits, a dash,
// twelve hex digits.
func familyOf(name string) (byte, bool) {
	if len(name) != 15 || name[2] != '-' {
		return 0, false
	}
	var v [2]byte
	for i := range 15 {
		if i == 2 {
			continue
		}
		d, ok := hexDigit(name[i])
		if !ok {
			return 0, false
		}
		if i < 2 {
			v[i] = d
		}
	}
	return v[0]<<4 | v[1], true
}

func hexDigit(c byte) (byte, bool) {
	switch {
	case c >= '0' && c <= '9':
		return c - '0', true
	case c >= 'a' && c <= 'f':
		return c - 'a' + 10, true
	case c >= 'A' && c <= 'F':
		return c - 'A' + 10, true
	}
	return 0, false
}

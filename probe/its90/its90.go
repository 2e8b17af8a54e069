// Package its90 turns thermocouple voltages into temperatures and back, by the
// reference functions of the International Temperature Scale of 1990 for types K,
// J, T and N (NIST Monograph 175; NIST Standard Reference Database 60).
//
// Voltages are millivolts with the reference junction at 0 °C; temperatures are
// °C. A thermocouple measures a difference, so the cold junction's temperature has
// to be made up for, in volts and not in degrees: see [Type.Compensate].
package its90

import (
	"errors"
	"fmt"
	"math"
	"strings"
)

// ErrRange comes back for a temperature or voltage outside the reference function.
var ErrRange = errors.New("outside the thermocouple's reference function")

// Type is a kind of thermocouple.
type Type byte

// The types known here.
const (
	K Type = 'K' // nickel-chromium / nickel-aluminium
	J Type = 'J' // iron / copper-nickel
	T Type = 'T' // copper / copper-nickel
	N Type = 'N' // nickel-chromium-silicon / nickel-silicon
)

func (t Type) String() string { return string(t) }

// ParseType reads "K", "J", "T" or "N", in either case.
func ParseType(s string) (Type, error) {
	if len(s) == 1 {
		if t := Type(strings.ToUpper(s)[0]); functions[t].forward != nil {
			return t, nil
		}
	}
	return 0, fmt.Errorf("thermocouple type %q is not K, J, T or N", s)
}

// piece is a power series and the range of its argument, ends included.
type piece struct {
	lo, hi float64
	c      []float64
}

func (p piece) at(x float64) float64 {
	var y float64
	for i := len(p.c) - 1; i >= 0; i-- {
		y = y*x + p.c[i]
	}
	return y
}

func (p piece) slope(x float64) float64 {
	var y float64
	for i := len(p.c) - 1; i >= 1; i-- {
		y = y*x + float64(i)*p.c[i]
	}
	return y
}

// function is a type's reference function (mV from °C) and the published
// approximate inverse (°C from mV), in rising order.
type function struct{ forward, inverse []piece }

// Range is the span of temperatures, in °C, over which a voltage can be turned
// back. It is that of the published inverse: below it the curves are too flat.
func (t Type) Range() (lo, hi float64) {
	f := functions[t].forward
	if f == nil {
		return math.NaN(), math.NaN()
	}
	lo = -200
	if t == J {
		lo = -210
	}
	return lo, f[len(f)-1].hi
}

// EMF is the voltage in mV at celsius with the reference junction at 0 °C.
func (t Type) EMF(celsius float64) (millivolts float64, err error) {
	e, _, err := t.emf(celsius)
	return e, err
}

// emf gives the voltage and its slope in mV/°C.
func (t Type) emf(celsius float64) (e, slope float64, err error) {
	for i, p := range functions[t].forward {
		// At 0 °C both pieces meet; the one above counts, as in the tables.
		last := i == len(functions[t].forward)-1
		if celsius >= p.lo && (celsius < p.hi || last && celsius <= p.hi) {
			e, slope = p.at(celsius), p.slope(celsius)
			if t == K && celsius >= 0 {
				// Above 0 °C type K has an exponential besides the series.
				const a0, a1, a2 = 0.1185976, -0.0001183432, 126.9686
				d := celsius - a2
				g := a0 * math.Exp(a1*d*d)
				e += g
				slope += 2 * a1 * d * g
			}
			return e, slope, nil
		}
	}
	return math.NaN(), math.NaN(), fmt.Errorf("type %v at %g °C: %w", t, celsius, ErrRange)
}

// approximate is the published inverse polynomial. Type K's is wrong by up to
// 0.05 °C, so it only gives the start for Temperature.
func (t Type) approximate(millivolts float64) (celsius float64, err error) {
	inv := functions[t].inverse
	for i, p := range inv {
		// The pieces' ends are rounded to a microvolt; the outermost are widened by
		// that much so that a table's own end values are taken.
		lo, hi := p.lo, p.hi
		if i == 0 {
			lo -= 0.001
		}
		if i == len(inv)-1 {
			hi += 0.001
		}
		if millivolts >= lo && millivolts <= hi {
			return p.at(millivolts), nil
		}
	}
	return math.NaN(), fmt.Errorf("type %v at %g mV: %w", t, millivolts, ErrRange)
}

// Temperature inverts the reference function: the temperature in °C at which EMF
// gives the voltage, to better than a millionth of a degree (Newton's method from
// the published inverse).
func (t Type) Temperature(millivolts float64) (celsius float64, err error) {
	c, err := t.approximate(millivolts)
	if err != nil {
		return c, err
	}
	lo, hi := functions[t].forward[0].lo, functions[t].forward[len(functions[t].forward)-1].hi
	for range 20 {
		c = min(hi, max(lo, c))
		e, slope, err := t.emf(c)
		if err != nil {
			return math.NaN(), err
		}
		d := (e - millivolts) / slope
		c -= d
		if math.Abs(d) < 1e-9 {
			break
		}
	}
	return c, nil
}

// Compensate gives the hot junction's temperature from the measured voltage and
// the cold junction's temperature: the voltage the cold junction lacks is added,
// and the sum inverted. Adding temperatures instead is the classic mistake; the
// curves are not straight.
func (t Type) Compensate(millivolts, coldCelsius float64) (celsius float64, err error) {
	e, err := t.EMF(coldCelsius)
	if err != nil {
		return math.NaN(), fmt.Errorf("cold junction: %w", err)
	}
	return t.Temperature(millivolts + e)
}

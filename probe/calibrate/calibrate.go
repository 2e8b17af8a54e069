// Package calibrate corrects a thermometer by what it shows in melting ice, in
// boiling water, or beside a thermometer that can be trusted.
//
// One [Point] gives an offset; two that lie far enough apart give a straight line
// through both ([Calibration]). Every point ever taken is kept in a [Book], with
// its date and who took it; the newest count. Temperatures are °C.
package calibrate

import (
	"errors"
	"fmt"
	"math"
	"time"
)

// Kind is what a point was taken in.
type Kind string

// The kinds of point.
const (
	Ice       Kind = "ice"       // melting ice, well stirred: 0 °C
	Boil      Kind = "boiling"   // boiling water, for the air pressure there and then
	Reference Kind = "reference" // beside a thermometer that is trusted
	None      Kind = "none"      // no measurement: from here on, earlier points don't count
)

// Point is one comparison of a probe with the truth. It is a value.
type Point struct {
	Probe  string    `toml:"probe"` // the probe's id
	Kind   Kind      `toml:"kind"`
	True   float64   `toml:"true_c"`             // what it should have shown, °C
	Raw    float64   `toml:"raw_c"`              // what it showed, uncalibrated, mean over the time watched, °C
	Spread float64   `toml:"spread_c"`           // standard deviation of the readings, °C
	Drift  float64   `toml:"drift_c_per_minute"` // slope of the readings, °C a minute
	At     time.Time `toml:"at"`                 // UTC
	By     string    `toml:"by"`                 // who took it
	Note   string    `toml:"note,omitempty"`     // as "at 1002 hPa"
}

// Limits of what is believed (rules of this project).
const (
	maxOff   = 10.0                // °C a probe may be off before the point is refused
	minApart = 20.0                // °C between the true values of two points of a line
	minGain  = 0.9                 // and the slope such a line may have
	maxGain  = 1.1                 //
	sameTime = 90 * 24 * time.Hour // two points of a line were taken within this
	maxAge   = 365 * 24 * time.Hour
)

// Check refuses a point that can't be a calibration.
func (p Point) Check() error {
	switch p.Kind {
	case Ice, Boil, Reference, None:
	default:
		return fmt.Errorf("kind %q is not ice, boiling, reference or none", p.Kind)
	}
	if p.Probe == "" {
		return errors.New("no probe named")
	}
	if p.At.IsZero() {
		return errors.New("no date")
	}
	if p.Kind == None {
		return nil
	}
	for _, v := range []float64{p.True, p.Raw, p.Spread, p.Drift} {
		if math.IsNaN(v) || math.IsInf(v, 0) {
			return errors.New("a value is not a number")
		}
	}
	if p.True < -40 || p.True > 400 {
		return fmt.Errorf("%g °C is no temperature to calibrate at", p.True)
	}
	if d := p.Raw - p.True; math.Abs(d) > maxOff {
		return fmt.Errorf("it shows %.2f °C where %.2f °C is right, %.1f °C off: no thermometer needs that much; was it in the right place?", p.Raw, p.True, math.Abs(d))
	}
	return nil
}

// Calibration turns what a probe shows into what is true. The zero value changes
// nothing. It is a value.
type Calibration struct {
	used [2]Point
	n    int
}

// From makes a calibration of the points of one probe, oldest first. The newest
// counts; a second counts as well if it is the newest that lies at least 20 °C
// from it, was taken within 90 days of it, and the line through both is credible.
func From(points []Point) Calibration {
	var c Calibration
	for i := len(points) - 1; i >= 0; i-- {
		p := points[i]
		if p.Kind == None {
			break
		}
		if p.Check() != nil {
			continue
		}
		if c.n == 0 {
			c.used[0], c.n = p, 1
			continue
		}
		first := c.used[0]
		if first.At.Sub(p.At).Abs() > sameTime || math.Abs(first.True-p.True) < minApart {
			continue
		}
		if g := (first.True - p.True) / (first.Raw - p.Raw); !(g >= minGain && g <= maxGain) {
			continue
		}
		c.used[1], c.n = p, 2
		break
	}
	return c
}

// Points are those in use, at most two, the newest first.
func (c Calibration) Points() []Point { return append([]Point(nil), c.used[:c.n]...) }

// Apply corrects one value.
func (c Calibration) Apply(raw float64) float64 {
	switch c.n {
	case 1:
		return raw + (c.used[0].True - c.used[0].Raw)
	case 2:
		a, b := c.used[0], c.used[1]
		return a.True + (raw-a.Raw)*(a.True-b.True)/(a.Raw-b.Raw)
	}
	return raw
}

// Adjust is Apply for a probe's settings, nil when there is nothing to correct.
func (c Calibration) Adjust() func(float64) float64 {
	if c.n == 0 {
		return nil
	}
	return c.Apply
}

// Warnings says in plain words what is doubtful: a calibration older than a year,
// or a probe further off than its class allows.
func (c Calibration) Warnings(now time.Time, class Class) []string {
	var out []string
	for _, p := range c.used[:c.n] {
		if d := p.Raw - p.True; math.Abs(d) > class.Tolerance(p.True)+1e-9 {
			way := "high"
			if d < 0 {
				way = "low"
			}
			out = append(out, fmt.Sprintf("at %.1f °C it read %.2f °C too %s, more than the ±%.1f °C that %s may be off: repeat the calibration, and replace the probe if it stays",
				p.True, math.Abs(d), way, class.Tolerance(p.True), class.Name))
		}
	}
	if c.n > 0 {
		if age := now.Sub(c.used[0].At); age > maxAge {
			out = append(out, fmt.Sprintf("the calibration is %d months old: repeat it", int(age.Hours()/24/30.44)))
		} else if age < -24*time.Hour {
			out = append(out, "the calibration is dated in the future: check the clock")
		}
	}
	return out
}

// Class is how far a kind of thermometer may be off by its maker's sheet.
type Class struct {
	Name string // with its article: "a DS18B20"
	// Tolerance in °C, either way, at a temperature in °C.
	Tolerance func(celsius float64) float64
}

// ClassOf gives the class of a sensor by its model ("DS18B20", "DS18S20",
// "DS1822") or thermocouple type ("K", "J", "T", "N"); for anything else that of a
// type K thermocouple, the commonest.
//
// DS18B20: Maxim data sheet, thermometer error and note 3. Thermocouples:
// standard tolerances as ASTM E230 gives them (K, J: 2.2 °C or 0.75 %; T: 1.0 °C
// or 0.75 %; N from memory as K). DS1822: from memory.
func ClassOf(model string) Class {
	switch model {
	case "DS18B20", "DS18S20", "DS28EA00", "DS1825":
		return Class{"a " + model, func(c float64) float64 {
			switch {
			case c >= -10 && c <= 85:
				return 0.5
			case c >= -30 && c <= 100:
				return 1
			}
			return 2
		}}
	case "DS1822":
		return Class{"a DS1822", func(float64) float64 { return 2 }}
	case "T":
		return Class{"a type T thermocouple", func(c float64) float64 { return max(1, 0.0075*math.Abs(c)) }}
	case "J", "N", "K":
		return Class{"a type " + model + " thermocouple", func(c float64) float64 { return max(2.2, 0.0075*math.Abs(c)) }}
	}
	return Class{"a thermocouple with its converter", func(c float64) float64 { return max(2.2, 0.0075*math.Abs(c)) }}
}

package units

import (
	"math"
	"strconv"
	"strings"
	"time"
)

// The units a maker may choose for the page and the sheet.
const (
	C      = "C"
	F      = "F"
	Grams  = "g"
	Ounces = "oz"
)

// Temperature writes a temperature given in °C in unit "C" or "F" with the given
// number of decimals: "135 °F".
func Temperature(celsius float64, unit string, decimals int) string {
	if unit == F {
		return fixed(Fahrenheit(celsius), decimals) + " °F"
	}
	return fixed(celsius, decimals) + " °C"
}

// Difference writes a difference given in kelvin in unit "C" or "F".
func Difference(kelvin float64, unit string, decimals int) string {
	if unit == F {
		return fixed(FahrenheitDifference(kelvin), decimals) + " °F"
	}
	return fixed(kelvin, decimals) + " °C"
}

// Mass writes a mass given in grams in unit "g" or "oz", with the decimals that
// a scale of the given step (in grams) can show: "907 g", "2 lb 3.1 oz". A step
// of zero means a tenth of a gram, or a hundredth of an ounce.
func Mass(grams float64, unit string, step float64) string {
	if unit != Ounces {
		return fixed(grams, decimals(step, 1)) + " g"
	}
	d := decimals(step/GramsPerOunce, 2)
	oz := grams / GramsPerOunce
	if math.Abs(oz) < 16-0.5*math.Pow10(-d) {
		return fixed(oz, d) + " oz"
	}
	sign := ""
	if oz < 0 {
		sign, oz = "-", -oz
	}
	scale := math.Pow10(d)
	oz = math.Round(oz*scale) / scale
	lb := math.Floor(oz / 16)
	oz -= 16 * lb
	if text := strings.TrimRight(strings.TrimRight(fixed(oz, d), "0"), "."); text == "" || text == "0" {
		return sign + fixed(lb, 0) + " lb"
	}
	return sign + fixed(lb, 0) + " lb " + fixed(oz, d) + " oz"
}

// ScaleUnit tells in which unit a scale of the given step (in grams) shows:
// ounces when the step is a round one in ounces and not in grams.
func ScaleUnit(step float64) string {
	round := func(v float64) bool {
		x := v * 1000
		return math.Abs(x-math.Round(x)) < 1e-6*math.Max(x, 1)
	}
	if step > 0 && !round(step) && round(step/GramsPerOunce) {
		return Ounces
	}
	return Grams
}

// decimals is how many decimals show a step, at most 3; fallback when it is zero.
func decimals(step float64, fallback int) int {
	if step <= 0 {
		return fallback
	}
	for d := range 3 {
		if x := step * math.Pow10(d); math.Abs(x-math.Round(x)) < 1e-6*math.Max(x, 1) && math.Round(x) > 0 {
			return d
		}
	}
	switch { // not a decimal step (grams shown in ounces): one more digit than the step's own
	case step >= 0.3:
		return 1
	case step >= 0.03:
		return 2
	}
	return 3
}

// Volume writes a volume given in millilitres in "ml", or in US fluid ounces
// where mass is shown in ounces.
func Volume(ml float64, massUnit string) string {
	if massUnit == Ounces {
		return trim(ml/MillilitresPerOz, 1) + " fl oz"
	}
	return trim(ml, 0) + " ml"
}

// Duration writes a time in words of the kitchen: "90 s", "10 min", "3 h",
// "1 h 20 min", "14 days". It rounds to what the words can say.
func Duration(d time.Duration) string {
	if d < 0 {
		return "-" + Duration(-d)
	}
	switch {
	case d < 2*time.Minute && d%time.Minute != 0:
		return strconv.Itoa(int(math.Round(d.Seconds()))) + " s"
	case d < time.Hour:
		return strconv.Itoa(int(math.Round(d.Minutes()))) + " min"
	case d < 48*time.Hour:
		m := int(math.Round(d.Minutes()))
		if m%60 == 0 {
			return strconv.Itoa(m/60) + " h"
		}
		return strconv.Itoa(m/60) + " h " + strconv.Itoa(m%60) + " min"
	}
	h := int(math.Round(d.Hours()))
	if h%24 == 0 {
		return strconv.Itoa(h/24) + " days"
	}
	return strconv.Itoa(h/24) + " days " + strconv.Itoa(h%24) + " h"
}

// Percent writes a percentage with up to two decimals: "6.25 %".
func Percent(p float64) string { return trim(p, 2) + " %" }

func fixed(v float64, d int) string {
	s := strconv.FormatFloat(v, 'f', d, 64)
	if strings.HasPrefix(s, "-") && strings.Trim(s, "-0.") == "" {
		return s[1:] // no "-0"
	}
	return s
}

func trim(v float64, d int) string {
	s := fixed(v, d)
	if strings.Contains(s, ".") {
		s = strings.TrimRight(strings.TrimRight(s, "0"), ".")
	}
	return s
}

// ExactTemperature writes a temperature given in °C so that [ParseTemperature]
// reads back the very same number, in the preferred unit where that is as short.
func ExactTemperature(celsius float64, prefer string) string {
	return exact(celsius, ParseTemperature, order(prefer == F,
		form{Fahrenheit, "°F"}, form{same, "°C"}))
}

// ExactDifference does the same for a difference in kelvin.
func ExactDifference(kelvin float64, prefer string) string {
	return exact(kelvin, ParseDifference, order(prefer == F,
		form{FahrenheitDifference, "°F"}, form{same, "°C"}))
}

// ExactMass does the same for grams, read back by [ParseMass].
func ExactMass(grams float64, prefer string) string {
	oz := []form{{per(GramsPerPound), "lb"}, {per(GramsPerOunce), "oz"}}
	g := []form{{same, "g"}, {per(1000), "kg"}}
	if prefer == Ounces {
		if grams < GramsPerPound {
			oz[0], oz[1] = oz[1], oz[0]
		}
		return exact(grams, ParseMass, append(oz, g...))
	}
	return exact(grams, ParseMass, append(g, oz...))
}

// ExactVolume does the same for millilitres, read back by [ParseVolume].
func ExactVolume(ml float64, massUnit string) string {
	return exact(ml, ParseVolume, order(massUnit == Ounces,
		form{per(MillilitresPerOz), "fl oz"}, form{same, "ml"}))
}

// ExactDuration writes a time so that [ParseDuration] reads back the same one.
func ExactDuration(d time.Duration) string {
	for _, u := range []struct {
		d    time.Duration
		name string
	}{{24 * time.Hour, "days"}, {time.Hour, "h"}, {time.Minute, "min"}} {
		if n := d / u.d; d%u.d == 0 && n > 0 && (u.name != "days" || n > 1) {
			return strconv.FormatInt(int64(n), 10) + " " + u.name
		}
	}
	return strconv.FormatFloat(d.Seconds(), 'f', -1, 64) + " s"
}

type form struct {
	to   func(float64) float64
	unit string
}

func same(v float64) float64 { return v }

func per(f float64) func(float64) float64 { return func(v float64) float64 { return v / f } }

func order(first bool, a, b form) []form {
	if first {
		return []form{a, b}
	}
	return []form{b, a}
}

// exact returns the first form that reads back exactly with at most three
// decimals; failing that the shortest exact one of any length.
func exact(v float64, parse func(string) (float64, error), forms []form) string {
	for d := range 4 {
		for _, f := range forms {
			text := trim(f.to(v), d) + " " + f.unit
			if back, err := parse(text); err == nil && back == v && d <= 3 {
				return text
			}
		}
	}
	best := ""
	for _, f := range forms {
		text := strconv.FormatFloat(f.to(v), 'f', -1, 64) + " " + f.unit
		if back, err := parse(text); err == nil && back == v && (best == "" || len(text) < len(best)) {
			best = text
		}
	}
	return best
}

// Nearest rounds to the nearest multiple of step; a step of zero or less leaves
// the value alone.
func Nearest(v, step float64) float64 {
	if step <= 0 {
		return v
	}
	return math.Round(v/step) * step
}

// Up rounds up to a multiple of step. What already is a multiple, give or take a
// billionth of a step, stays.
func Up(v, step float64) float64 {
	if step <= 0 {
		return v
	}
	return math.Ceil(v/step-1e-9) * step
}

// ExactDensity writes a density in g/ml that [ParseDensity] reads back exactly.
func ExactDensity(d float64) string { return strconv.FormatFloat(d, 'f', -1, 64) + " g/ml" }

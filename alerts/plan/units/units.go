// Package units turns what a maker writes ("185 °F", "2 lb 3 oz", "14 days")
// into the station's own units, and back into words.
//
// Inside the station masses are grams, temperatures degrees Celsius, volumes
// millilitres, densities grams per millilitre and times [time.Duration]. The
// factors are the exact ones of NIST SP 811, appendix B.8, and NIST Handbook 44,
// appendix C.
package units

import (
	"errors"
	"fmt"
	"math"
	"strconv"
	"strings"
	"time"
	"unicode"
	"unicode/utf8"
)

// The factors of NIST Handbook 44, appendix C. All are exact.
const (
	GramsPerPound    = 453.59237
	GramsPerOunce    = GramsPerPound / 16 // 28.349523125, avoirdupois
	MillilitresPerOz = 29.5735295625      // US fluid ounce: a volume, never a mass
)

// ErrUnit is returned, wrapped, when a quantity has no unit or an unknown one.
var ErrUnit = errors.New("unit missing or not known")

// ErrNumber is returned, wrapped, when a quantity has no number that can be read.
var ErrNumber = errors.New("not a number")

// Fahrenheit converts a temperature in °C to °F.
func Fahrenheit(celsius float64) float64 { return celsius*1.8 + 32 }

// Celsius converts a temperature in °F to °C.
func Celsius(fahrenheit float64) float64 { return (fahrenheit - 32) / 1.8 }

// FahrenheitDifference converts a difference in kelvin to one in °F: no 32 here.
func FahrenheitDifference(kelvin float64) float64 { return kelvin * 1.8 }

// KelvinDifference converts a difference in °F to one in kelvin: no 32 here.
func KelvinDifference(fahrenheit float64) float64 { return fahrenheit / 1.8 }

// ParseTemperature reads a temperature such as "185 °F", "185F" or "57.2 °C"
// and returns it in °C. A bare number is refused: it could be either.
func ParseTemperature(s string) (float64, error) {
	v, unit, err := single(s, "a temperature", "185 °F or 85 °C")
	if err != nil {
		return 0, err
	}
	switch temperatureUnit(unit) {
	case "C":
		if v < -273.15 {
			return 0, fmt.Errorf("%q is below absolute zero", s)
		}
		return v, nil
	case "F":
		if v < -459.67 {
			return 0, fmt.Errorf("%q is below absolute zero", s)
		}
		return Celsius(v), nil
	}
	return 0, fmt.Errorf("%q: %w; write °F or °C after the number, like 185 °F or 85 °C", s, ErrUnit)
}

// ParseDifference reads a difference of temperatures such as "18 °F" or "10 °C"
// (or "10 K") and returns it in kelvin. It must not be negative.
func ParseDifference(s string) (float64, error) {
	v, unit, err := single(s, "a difference of temperatures", "18 °F or 10 °C")
	if err != nil {
		return 0, err
	}
	if v < 0 {
		return 0, fmt.Errorf("%q is below zero", s)
	}
	switch u := temperatureUnit(unit); {
	case u == "C", strings.EqualFold(unit, "K"):
		return v, nil
	case u == "F":
		return KelvinDifference(v), nil
	}
	return 0, fmt.Errorf("%q: %w; write °F or °C after the number, like 18 °F or 10 °C", s, ErrUnit)
}

func temperatureUnit(u string) string {
	u = strings.TrimSpace(strings.TrimPrefix(strings.TrimPrefix(u, "°"), "º"))
	u = strings.TrimSpace(strings.TrimPrefix(strings.ToLower(u), "deg"))
	switch u {
	case "c", "celsius", "℃":
		return "C"
	case "f", "fahrenheit", "℉":
		return "F"
	}
	return ""
}

// ParseMass reads a mass such as "250 g", "1.5 kg", "6 oz" or "2 lb 3 oz" and
// returns grams. Fluid ounces are refused: they measure volume.
func ParseMass(s string) (float64, error) {
	return sum(s, "a mass", "250 g, 6 oz or 2 lb 3 oz", func(unit string) (float64, error) {
		switch unit {
		case "g", "gram", "grams", "gr":
			return 1, nil
		case "kg", "kilo", "kilos", "kilogram", "kilograms":
			return 1000, nil
		case "mg":
			return 0.001, nil
		case "oz", "ounce", "ounces":
			return GramsPerOunce, nil
		case "lb", "lbs", "pound", "pounds":
			return GramsPerPound, nil
		case "fl oz", "floz", "fl. oz", "fl. oz.", "ml", "l":
			return 0, fmt.Errorf("%w: fluid ounces and millilitres measure volume; weigh it and write g or oz", ErrUnit)
		}
		return 0, fmt.Errorf("%w; write g, kg, oz or lb after the number", ErrUnit)
	})
}

// ParseVolume reads a volume such as "250 ml", "1.9 l" or "8 fl oz" (US) and
// returns millilitres.
func ParseVolume(s string) (float64, error) {
	return sum(s, "a volume", "250 ml or 8 fl oz", func(unit string) (float64, error) {
		switch unit {
		case "ml", "millilitre", "millilitres", "milliliter", "milliliters", "cm3", "cm³", "cc":
			return 1, nil
		case "cl":
			return 10, nil
		case "l", "litre", "litres", "liter", "liters":
			return 1000, nil
		case "fl oz", "floz", "fl. oz", "fl. oz.":
			return MillilitresPerOz, nil
		case "oz", "g":
			return 0, fmt.Errorf("%w: that is a mass; write ml or fl oz", ErrUnit)
		}
		return 0, fmt.Errorf("%w; write ml, l or fl oz after the number", ErrUnit)
	})
}

// ParseDuration reads a time such as "3 h", "14 days", "90 s" or "1 h 30 min".
func ParseDuration(s string) (time.Duration, error) {
	sec, err := sum(s, "a time", "2 min, 3 h or 14 days", func(unit string) (float64, error) {
		switch unit {
		case "s", "sec", "second", "seconds":
			return 1, nil
		case "m", "min", "mins", "minute", "minutes":
			return 60, nil
		case "h", "hr", "hrs", "hour", "hours":
			return 3600, nil
		case "d", "day", "days":
			return 86400, nil
		case "w", "wk", "week", "weeks":
			return 7 * 86400, nil
		}
		return 0, fmt.Errorf("%w; write s, min, h, days or weeks after the number", ErrUnit)
	})
	if err != nil {
		return 0, err
	}
	if sec > 100*366*86400 {
		return 0, fmt.Errorf("%q is longer than a hundred years", s)
	}
	if sec >= 1e6 { // beyond that a float64 no longer holds every nanosecond
		return time.Duration(math.Round(sec*1000)) * time.Millisecond, nil
	}
	return time.Duration(math.Round(sec * float64(time.Second))), nil
}

// ParseDensity reads a density such as "0.86 g/ml" or "860 kg/m3" and returns g/ml.
func ParseDensity(s string) (float64, error) {
	v, unit, err := single(s, "a density", "0.86 g/ml")
	if err != nil {
		return 0, err
	}
	if v <= 0 {
		return 0, fmt.Errorf("%q: a density must be above zero", s)
	}
	switch strings.ReplaceAll(strings.ToLower(unit), " ", "") {
	case "g/ml", "g/cm3", "g/cm³", "kg/l":
		return v, nil
	case "kg/m3", "kg/m³", "g/l":
		return v / 1000, nil
	case "oz/floz":
		return v * GramsPerOunce / MillilitresPerOz, nil
	}
	return 0, fmt.Errorf("%q: %w; write g/ml after the number, like 0.86 g/ml", s, ErrUnit)
}

// ParsePercent reads "6.25 %" or "6.25" and returns 6.25.
func ParsePercent(s string) (float64, error) {
	v, unit, err := single(s, "a percentage", "6.25 %")
	if err != nil {
		return 0, err
	}
	switch strings.ToLower(unit) {
	case "", "%", "percent", "per cent":
		if v < 0 {
			return 0, fmt.Errorf("%q is below zero", s)
		}
		return v, nil
	}
	return 0, fmt.Errorf("%q: %w; write a percentage, like 6.25 %%", s, ErrUnit)
}

// single reads one number and what follows it.
func single(s, what, example string) (float64, string, error) {
	if strings.TrimSpace(s) == "" {
		return 0, "", fmt.Errorf("%w: empty; write %s like %s", ErrNumber, what, example)
	}
	v, rest, err := number(strings.TrimSpace(s))
	if err != nil {
		return 0, "", fmt.Errorf("%q: %w; write %s like %s", s, err, what, example)
	}
	return v, strings.TrimSpace(rest), nil
}

// sum reads one or more "number unit" pairs and adds them up; none may be negative.
func sum(s, what, example string, factor func(unit string) (float64, error)) (float64, error) {
	rest := strings.TrimSpace(s)
	if rest == "" {
		return 0, fmt.Errorf("%w: empty; write %s like %s", ErrNumber, what, example)
	}
	var total float64
	for rest != "" {
		v, after, err := number(rest)
		if err != nil {
			return 0, fmt.Errorf("%q: %w; write %s like %s", s, err, what, example)
		}
		if v < 0 {
			return 0, fmt.Errorf("%q is below zero", s)
		}
		after = strings.TrimLeftFunc(after, unicode.IsSpace)
		end := strings.IndexFunc(after, func(r rune) bool { return unicode.IsDigit(r) && r < utf8.RuneSelf && r != '³' })
		// "cm3" ends in a digit that belongs to the unit.
		if lower := strings.ToLower(after); strings.HasPrefix(lower, "cm3") {
			end = len("cm3")
		}
		unit := after
		rest = ""
		if end >= 0 {
			unit, rest = after[:end], after[end:]
		}
		unit = strings.ToLower(strings.TrimRight(unit, " \t,+&"))
		unit = strings.TrimSpace(strings.TrimSuffix(unit, " and"))
		f, err := factor(unit)
		if err != nil {
			return 0, fmt.Errorf("%q: %w, like %s", s, err, example)
		}
		total += v * f
	}
	if math.IsInf(total, 0) {
		return 0, fmt.Errorf("%q: %w: too big", s, ErrNumber)
	}
	return total, nil
}

// number reads the number at the start of s. A comma is a decimal comma, unless
// three digits follow it: "1,500" could mean two things and is refused.
func number(s string) (v float64, rest string, err error) {
	i := 0
	if i < len(s) && (s[i] == '-' || s[i] == '+') {
		i++
	} else if strings.HasPrefix(s, "\u2212") { // a true minus sign
		s = "-" + strings.TrimPrefix(s, "\u2212")
		i = 1
	}
	digits, points, pointAt := 0, 0, -1
	for ; i < len(s); i++ {
		switch c := s[i]; {
		case c >= '0' && c <= '9':
			digits++
			continue
		case (c == '.' || c == ',') && i+1 < len(s) && s[i+1] >= '0' && s[i+1] <= '9':
			points++
			pointAt = i
			continue
		}
		break
	}
	text := s[:i]
	if digits == 0 {
		return 0, "", ErrNumber
	}
	if points > 1 {
		return 0, "", fmt.Errorf("%w: more than one decimal point", ErrNumber)
	}
	if points == 1 && text[pointAt] == ',' {
		if len(text)-pointAt-1 == 3 {
			return 0, "", fmt.Errorf("%w: is the comma in %s a decimal comma? write %s or %s", ErrNumber, text,
				strings.Replace(text, ",", ".", 1), strings.Replace(text, ",", "", 1))
		}
		text = strings.Replace(text, ",", ".", 1)
	}
	v, err = strconv.ParseFloat(text, 64)
	if err != nil || math.IsInf(v, 0) || math.IsNaN(v) {
		return 0, "", ErrNumber
	}
	return v, s[i:], nil
}

package page_test

import (
	"math"
	"strconv"
)

// ratio is the contrast of two colours "#rrggbb": WCAG 2.2, "contrast ratio".
func ratio(a, b string) float64 {
	la, lb := luminance(a), luminance(b)
	if la < lb {
		la, lb = lb, la
	}
	return (la + 0.05) / (lb + 0.05)
}

func luminance(hex string) float64 {
	v, err := strconv.ParseUint(hex[1:], 16, 32)
	if err != nil {
		return math.NaN()
	}
	channel := func(c uint64) float64 {
		s := float64(c&0xff) / 255
		if s <= 0.04045 {
			return s / 12.92
		}
		return math.Pow((s+0.055)/1.055, 2.4)
	}
	return 0.2126*channel(v>>16) + 0.7152*channel(v>>8) + 0.0722*channel(v)
}

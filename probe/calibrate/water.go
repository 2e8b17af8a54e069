package calibrate

import (
	"fmt"
	"math"
)

// Boiling is the temperature in °C at which water boils under a pressure in hPa:
// the saturation temperature of IAPWS-IF97, region 4 (release R7-97(2012),
// section 8.2, equation 31). It is the pressure at the pot that counts, not the
// one weather reports reduce to sea level. Pressures from 500 to 1100 hPa are
// taken, which is every kitchen.
func Boiling(hPa float64) (celsius float64, err error) {
	if !(hPa >= 500 && hPa <= 1100) {
		return 0, fmt.Errorf("%g hPa is no air pressure of a kitchen: 500 to 1100", hPa)
	}
	return saturation(hPa/1e4) - 273.15, nil
}

// saturation is the saturation temperature in K at a pressure in MPa.
func saturation(p float64) float64 {
	const (
		n1  = 0.11670521452767e4
		n2  = -0.72421316703206e6
		n3  = -0.17073846940092e2
		n4  = 0.12020824702470e5
		n5  = -0.32325550322333e7
		n6  = 0.14915108613530e2
		n7  = -0.48232657361591e4
		n8  = 0.40511340542057e6
		n9  = -0.23855557567849
		n10 = 0.65017534844798e3
	)
	b := math.Sqrt(math.Sqrt(p))
	e := b*b + n3*b + n6
	f := n1*b*b + n4*b + n7
	g := n2*b*b + n5*b + n8
	d := 2 * g / (-f - math.Sqrt(f*f-4*e*g))
	return (n10 + d - math.Sqrt((n10+d)*(n10+d)-4*(n9+n10*d))) / 2
}

// Pressure is the mean air pressure in hPa at an altitude in metres, by the
// International Standard Atmosphere. Weather moves the true one by 20 to 30 hPa,
// and the boiling point with it by 0.6 to 0.8 °C: a barometer is better.
func Pressure(metres float64) (hPa float64, err error) {
	if !(metres >= -450 && metres <= 5000) {
		return 0, fmt.Errorf("%g m is no altitude of a kitchen: -450 to 5000", metres)
	}
	return 1013.25 * math.Pow(1-0.0065*metres/288.15, 5.255876), nil
}

package sim

import "math"

// Water near its boiling point (handbook values at 100 °C).
const (
	waterHeat    = 4186.0  // J/(kg K), mean from 20 to 100 °C
	waterDensity = 970.0   // kg/m³
	vaporisation = 2.257e6 // J/kg
)

// The saturation line of IAPWS-IF97, region 4 (R7-97(2012), section 8, equations
// 29 to 31). Package calibrate has it too, for real probes; this copy is kept
// apart on purpose, so that a slip in the one is seen by the other.
var region4 = [10]float64{
	0.11670521452767e4, -0.72421316703206e6, -0.17073846940092e2, 0.12020824702470e5, -0.32325550322333e7,
	0.14915108613530e2, -0.48232657361591e4, 0.40511340542057e6, -0.23855557567849, 0.65017534844798e3,
}

// BoilingPoint is the temperature at which water boils under a pressure, °C.
// Holds from 6.12 hPa (0 °C) to 220,640 hPa.
func BoilingPoint(hPa float64) float64 {
	n := &region4
	b := root4(hPa / 1e4) // 1 MPa = 10,000 hPa
	e := b*b + n[2]*b + n[5]
	f := n[0]*b*b + n[3]*b + n[6]
	g := n[1]*b*b + n[4]*b + n[7]
	d := 2 * g / (-f - math.Sqrt(f*f-4*e*g))
	return (n[9]+d-math.Sqrt((n[9]+d)*(n[9]+d)-4*(n[8]+n[9]*d)))/2 - kelvin
}

// saturation is the vapour pressure of water at a temperature in °C, kPa.
func saturation(celsius float64) float64 {
	n := &region4
	t := celsius + kelvin
	th := t + n[8]/(t-n[9])
	a := th*th + n[0]*th + n[1]
	b := n[2]*th*th + n[3]*th + n[4]
	c := n[5]*th*th + n[6]*th + n[7]
	x := 2 * c / (-b + math.Sqrt(b*b-4*a*c))
	return x * x * x * x * 1000
}

// Pressure is that of the International Standard Atmosphere at a geopotential
// altitude up to 11 km, hPa (ISO 2533).
func Pressure(metres float64) float64 {
	return 1013.25 * math.Pow(1-0.0065*metres/288.15, 9.80665*0.0289644/(8.31432*0.0065))
}

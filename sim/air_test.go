package sim

import (
	"math"
	"testing"
)

// The simplified films of air are the laminar correlations Nu = 0.54 Ra^(1/4)
// (hot plate facing up) and Nu = 0.59 Ra^(1/4) (vertical wall) of the textbooks
// (Incropera, equations 9.30 and section 9.6; Holman, tables of chapter 7), with
// the properties of air put in: at 300 K nu 15.89e-6 and alpha 22.5e-6 m²/s,
// k 26.3e-3 W/(m K); at 350 K 20.92e-6, 29.9e-6 and 30.0e-3 (Incropera, table
// A.4). A jug's size and temperatures must come out alike.
func TestAirFilmsAgainstCorrelations(t *testing.T) {
	film := func(c, dT, length, room float64) float64 {
		mean := room + kelvin + dT/2
		x := (mean - 300) / 50
		nu, alpha, k := (15.89+5.03*x)*1e-6, (22.5+7.4*x)*1e-6, (26.3+3.7*x)*1e-3
		ra := 9.81 / mean * dT * length * length * length / (nu * alpha)
		if ra < 1e4 || ra > 1e9 {
			t.Fatalf("Ra %.2g is outside the laminar range", ra)
		}
		return c * math.Pow(ra, 0.25) * k / length
	}
	for _, room := range []float64{15, 22, 32} {
		for _, dT := range []float64{20, 40, 65} {
			for _, length := range []float64{0.10, 0.13, 0.18} {
				r := root4(dT / length)
				if got, want := convectionUp*r, film(0.54, dT, length, room); math.Abs(got/want-1) > 0.06 {
					t.Errorf("facing up, %g K over %g m at %g °C: %.2f W/(m² K), correlation %.2f", dT, length, room, got, want)
				}
				if got, want := convectionWall*r, film(0.59, dT, length, room); math.Abs(got/want-1) > 0.08 {
					t.Errorf("wall, %g K over %g m at %g °C: %.2f W/(m² K), correlation %.2f", dT, length, room, got, want)
				}
			}
		}
	}
}

// Vapour pressures of water, kPa, of a table independent of IF97: 85 °C 57.815,
// 90 °C 70.117, 95 °C 84.529, 100 °C 101.32.
func TestSaturationAgainstTable(t *testing.T) {
	for c, want := range map[float64]float64{85: 57.815, 90: 70.117, 95: 84.529, 100: 101.32} {
		if got := saturation(c); math.Abs(got/want-1) > 1.5e-3 {
			t.Errorf("%g °C: %.3f kPa, table %.3f", c, got, want)
		}
		if back := BoilingPoint(saturation(c) * 10); math.Abs(back-c) > 1e-6 {
			t.Errorf("the two equations of the saturation line differ: %g °C comes back as %.7f", c, back)
		}
	}
}

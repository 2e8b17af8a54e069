package forecast_test

import (
	"math"
	"testing"

	"example.org/meltstation/alerts/forecast"
)

// TestSlowPot: a big pot that takes hours, by Newton's law in closed form, read
// every five seconds to a hundredth of a degree. Its rate hardly stands out
// between two readings.
func TestSlowPot(t *testing.T) {
	for _, tau := range []float64{10_000, 20_000, 30_000} { // s
		e := forecast.New(forecast.Known{})
		const target = 57.2
		cross := tau * math.Log(63/(target-22))
		for at := 0.0; at < cross/2; at += 5 {
			e.Add(at, math.Round((22+63*math.Exp(-at/tau))*100)/100)
		}
		left := cross - math.Ceil(cross/2/5)*5 + 5
		f := e.Crossing(target, forecast.Cooling)
		if f.Status != forecast.OK || math.Abs(f.Eta-left) > 0.05*left {
			t.Errorf("tau %.0f s, half way: %+v; %.0f s are left", tau, f, left)
		}
	}
}

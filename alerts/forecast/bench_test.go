package forecast_test

import (
	"math"
	"math/rand/v2"
	"testing"

	"example.org/meltstation/alerts/forecast"
)

// endless is a pot that never cools to its target for as long as the benchmark
// runs: a slow swing well above it.
func endless(r *rand.Rand, i int) (t, c float64) {
	t = float64(i)
	return t, 60 + 25*math.Exp(-t/1500) + 0.05*r.NormFloat64()
}

func BenchmarkAdd(b *testing.B) {
	r := rand.New(rand.NewPCG(1, 2))
	e := forecast.New(forecast.Known{})
	e.Room(0, 21)
	for i := range 600 {
		e.Add(endless(r, i))
	}
	b.ReportAllocs()
	b.ResetTimer()
	for i := range b.N {
		t := float64(600 + i)
		e.Add(t, 40+35*math.Exp(-float64(i%3000)/1500)+0.05*r.NormFloat64())
	}
}

func BenchmarkCrossing(b *testing.B) {
	r := rand.New(rand.NewPCG(1, 2))
	e := forecast.New(forecast.Known{})
	e.Room(0, 21)
	for i := range 600 {
		e.Add(endless(r, i))
	}
	b.ReportAllocs()
	b.ResetTimer()
	for range b.N {
		e.Crossing(50, forecast.Cooling)
	}
}

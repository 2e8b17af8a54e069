package calibrate

import (
	"math"
	"slices"
	"time"
)

// Steady watches raw readings until they hold still. Its zero value is not ready:
// set Window.
type Steady struct {
	Window time.Duration // how long they must hold still

	at  []time.Time
	raw []float64
}

// What counts as still (rules of this project): all readings of the window within
// 0.3 °C of each other, or within one digit of a coarse sensor, and a slope of at
// most 0.15 °C a minute.
const (
	maxRange    = 0.3
	maxDrift    = 0.15
	minReadings = 10
)

// Verdict is what the window held.
type Verdict struct {
	Steady   bool
	Mean     float64       // °C
	Spread   float64       // standard deviation, °C
	Range    float64       // highest less lowest, °C
	Drift    float64       // °C a minute, by least squares
	Span     time.Duration // from the first reading to the last
	Readings int
}

// Add takes a reading; times don't go back.
func (s *Steady) Add(at time.Time, raw float64) {
	s.at, s.raw = append(s.at, at), append(s.raw, raw)
	i := 0
	for i < len(s.at)-1 && at.Sub(s.at[i+1]) >= s.Window {
		i++
	}
	s.at, s.raw = slices.Delete(s.at, 0, i), slices.Delete(s.raw, 0, i)
}

// Reset forgets all readings.
func (s *Steady) Reset() { s.at, s.raw = s.at[:0], s.raw[:0] }

// Verdict judges the window as it is.
func (s *Steady) Verdict() Verdict {
	n := len(s.raw)
	if n == 0 {
		return Verdict{}
	}
	v := Verdict{Readings: n, Span: s.at[n-1].Sub(s.at[0]), Range: slices.Max(s.raw) - slices.Min(s.raw)}
	var mt float64
	for i, r := range s.raw {
		v.Mean += r
		mt += s.at[i].Sub(s.at[0]).Minutes()
	}
	v.Mean /= float64(n)
	mt /= float64(n)
	var ss, st, sr float64
	step := math.Inf(1) // the sensor's digit, as far as it shows
	for i, r := range s.raw {
		dt := s.at[i].Sub(s.at[0]).Minutes() - mt
		ss += (r - v.Mean) * (r - v.Mean)
		st += dt * dt
		sr += dt * (r - v.Mean)
		if i > 0 && r != s.raw[i-1] {
			step = min(step, math.Abs(r-s.raw[i-1]))
		}
	}
	if n > 1 {
		v.Spread = math.Sqrt(ss / float64(n-1))
	}
	if st > 0 {
		v.Drift = sr / st
	}
	wide := maxRange
	if !math.IsInf(step, 1) {
		wide = max(wide, min(step, 1)+1e-9)
	}
	drift := maxDrift
	if step > maxRange && !math.IsInf(step, 1) { // one coarse digit that flips says little of the slope
		drift = max(drift, min(step, 1)/max(v.Span.Minutes(), 1e-9)*1.5)
	}
	v.Steady = n >= minReadings && v.Span >= s.Window && v.Range <= wide && math.Abs(v.Drift) <= drift
	return v
}

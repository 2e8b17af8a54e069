package probe

import (
	"fmt"
	"math"
	"slices"
	"time"
)

// Defaults of the checks. They are rules of this project, chosen to let every
// real event through; see [Checker].
const (
	// DefaultMin and DefaultMax bound what is plausible, in °C. Hot wax far over
	// its flash point must still count as true, so the upper end is generous.
	DefaultMin = -40.0
	DefaultMax = 400.0
	// DefaultMaxRate is in °C/s. A bare sensor (time constant about 4 s) plunged
	// from a room into 100 °C moves by 20 °C/s at first.
	DefaultMaxRate = 20.0

	jumpFloor   = 2.0              // °C that noise and coarse digits may jump at any speed
	jumpCap     = 30.0             // °C: a larger step has to hold for a moment however long the gap was
	confirmSpan = time.Second      // a new level must hold this long before it is believed,
	confirmN    = 3                // and for so many samples;
	confirmLong = 10 * time.Second // of a slow probe two that lie this far apart will do
	stuckAfter  = 10 * time.Minute // station time, for a pot or bath that was moving
	stuckRuns   = 8                // digit changes that must have come in step before a stop
)

// Checker classes the samples of one probe in sequence. It has no clock and
// does no input or output: what it says follows from what it was given.
//
//   - A sample that could be the sensor's power-on value (85.000 °C, which is
//     also 185 °F, a true scent-add temperature) is believed when the readings
//     before it lead there, and is a power-on reset otherwise.
//   - A jump faster than Spec.MaxRate, or of more than 30 °C after a gap, is
//     suspect until the new level has held for a second and for three samples (or
//     for two that lie ten seconds apart): a spike is not believed, and a probe that
//     was really moved is, after a moment.
//   - A probe is stuck when its digits, which came in even steps until then, stop
//     dead for ten minutes. Only fine digits (0.3 °C or less) in a pot or bath are
//     judged that way: a room, or a pot in equilibrium, may well sit still.
//
// Time differences are taken from the times given, so a time-lapse is judged by
// its own clock.
type Checker struct {
	spec Spec

	has    bool // a last believed sample exists
	last   float64
	lastAt time.Time

	cand      bool // a new level that waits to be believed
	candAt    time.Time
	candFirst time.Time
	candV     float64
	candN     int // samples at it so far

	runOn    bool // runs of equal digits
	runV     float64
	runStart time.Time
	runs     []run // completed ones, oldest first, at most stuckRuns
}

type run struct {
	dur  time.Duration
	step float64 // signed, from the run's value to the next
}

// NewChecker makes the checker of one probe from its Spec: ID, Role, Pot, Min,
// Max, MaxRate, StuckAfter and Adjust are used.
func NewChecker(spec Spec) *Checker {
	c := &Checker{}
	c.Use(spec)
	return c
}

// Use changes limits and calibration without forgetting the readings so far.
func (c *Checker) Use(spec Spec) {
	if spec.Min == 0 && spec.Max == 0 {
		spec.Min, spec.Max = DefaultMin, DefaultMax
	}
	if spec.MaxRate <= 0 {
		spec.MaxRate = DefaultMaxRate
	}
	c.spec = spec
}

// Check classes one attempt made at the given time: a sample, or the error that
// came instead.
func (c *Checker) Check(at time.Time, s Sample, err error) Reading {
	r := Reading{
		Probe: c.spec.ID, Role: c.spec.Role, Pot: c.spec.Pot, At: at,
		Celsius: math.NaN(), Raw: math.NaN(), Quality: Good,
	}
	if err != nil {
		r.Quality, r.Detail = Classify(err), err.Error()
		return r
	}
	v := s.Celsius
	if math.IsNaN(v) || math.IsInf(v, 0) {
		r.Quality, r.Detail = Garbled, "the device gave no number"
		return r
	}
	r.Raw, r.Celsius = v, v
	if c.spec.Adjust != nil {
		r.Celsius = c.spec.Adjust(v)
		if math.IsNaN(r.Celsius) || math.IsInf(r.Celsius, 0) {
			r.Celsius = math.NaN()
			r.Quality, r.Detail = Garbled, "the calibration gives no number here"
			return r
		}
	}
	// The sensor's own digits are judged, not the calibrated value: the limits,
	// the power-on value and the digits' steps belong to the sensor.
	if v < c.spec.Min || v > c.spec.Max {
		r.Quality = OutOfRange
		r.Detail = fmt.Sprintf("%.2f °C is outside %.0f to %.0f °C", v, c.spec.Min, c.spec.Max)
		return r
	}
	if s.MaybePowerOn && !c.leadsTo(at, v) {
		r.Quality = PowerOnReset
		r.Detail = fmt.Sprintf("%.3f °C is what the sensor shows after a restart, and the readings before it don't lead there", v)
		return r
	}
	if c.jumped(at, v) {
		r.Quality = ImpossibleRate
		r.Detail = fmt.Sprintf("jumped from %.2f to %.2f °C in %.1f s", c.last, v, at.Sub(c.lastAt).Seconds())
		return r
	}
	c.has, c.last, c.lastAt = true, v, at
	if d, stuck := c.stuck(at, v); stuck {
		r.Quality = Stuck
		r.Detail = fmt.Sprintf("exactly %.4g °C for %s", v, d.Round(time.Second))
	}
	return r
}

// leadsTo reports whether the last believed reading makes v a natural next one:
// within half a degree plus 0.1 °C/s, twice what a pot on a high flame does
// (5 °F a minute is 0.05 °C/s), at most 3 °C.
func (c *Checker) leadsTo(at time.Time, v float64) bool {
	if !c.has {
		return false
	}
	dt := max(0, at.Sub(c.lastAt).Seconds())
	return math.Abs(v-c.last) <= min(3, 0.5+0.1*dt)
}

func (c *Checker) jumped(at time.Time, v float64) bool {
	if !c.has || c.within(v, c.last, at.Sub(c.lastAt)) {
		c.cand = false
		return false
	}
	if c.cand && c.within(v, c.candV, at.Sub(c.candAt)) {
		c.candV, c.candAt = v, at
		c.candN++
		if held := at.Sub(c.candFirst); c.candN >= confirmN && held >= confirmSpan || held >= confirmLong {
			c.cand = false
			c.runs, c.runOn = c.runs[:0], false // another place: its digits say nothing of the old
			return false
		}
		return true
	}
	c.cand, c.candV, c.candAt, c.candFirst, c.candN = true, v, at, at, 1
	return true
}

func (c *Checker) within(a, b float64, dt time.Duration) bool {
	return math.Abs(a-b) <= min(max(jumpCap, jumpFloor+c.spec.MaxRate), jumpFloor+c.spec.MaxRate*max(0, dt.Seconds()))
}

func (c *Checker) stuck(at time.Time, v float64) (time.Duration, bool) {
	if !c.runOn || v != c.runV {
		if c.runOn {
			if len(c.runs) == stuckRuns {
				c.runs = slices.Delete(c.runs, 0, 1)
			}
			c.runs = append(c.runs, run{at.Sub(c.runStart), v - c.runV})
		}
		c.runOn, c.runV, c.runStart = true, v, at
		return 0, false
	}
	d := at.Sub(c.runStart)
	switch {
	case c.spec.StuckAfter < 0:
		return d, false
	case c.spec.StuckAfter > 0: // asked for: plain
		return d, d >= c.spec.StuckAfter
	case d < stuckAfter, c.spec.Role != RolePot && c.spec.Role != RoleBath, len(c.runs) < stuckRuns:
		return d, false
	}
	// A body that nears its equilibrium slows down first: its last run is several
	// times the median. One that stops dead from an even pace is a fault.
	durs := make([]time.Duration, 0, stuckRuns)
	for _, r := range c.runs {
		if (r.step > 0) != (c.runs[0].step > 0) || math.Abs(r.step) > 0.3 {
			return d, false
		}
		durs = append(durs, r.dur)
	}
	slices.Sort(durs)
	median := durs[len(durs)/2]
	even := float64(c.runs[len(c.runs)-1].dur) <= 1.5*float64(median)
	return d, even && d >= 20*median
}

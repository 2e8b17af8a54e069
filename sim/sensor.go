package sim

import (
	"fmt"
	"math"
	"math/rand/v2"
	"time"

	"example.org/meltstation/probe"
)

// SensorConfig is how a thermometer falls short of the truth. The zero value is
// a perfect one.
type SensorConfig struct {
	Lag     time.Duration // time constant in liquid (first order)
	AirLag  time.Duration // time constant in air; 0 = eight times Lag
	Noise   float64       // K, standard deviation, white
	Quantum float64       // K, smallest step it can show; 0 = none
	Offset  float64       // K, always added
	Gain    float64       // of every degree, added; 0.01 reads 101 at 100

	// Chances for each read, 0 to 1.
	DropOut float64 // no number: the checksum fails, nothing comes, or the device is gone
	PowerOn float64 // 85.000 °C that is no measurement
	// Run is how many reads a drop-out lasts on average; below 1 = 1.
	Run float64

	Seed uint64
}

// DS18B20 is a digital thermometer in a steel sleeve: steps of 1/16 °C at 12 bit
// (data sheet), some seconds of lag in a stirred liquid (of the order makers of
// sleeves state), a little noise below its step.
func DS18B20(seed uint64) SensorConfig {
	return SensorConfig{Lag: 5 * time.Second, Noise: 0.03, Quantum: 1.0 / 16, Seed: seed}
}

// Sensor is a thermometer with its own small history. One goroutine at a time.
type Sensor struct {
	c     SensorConfig
	rng   *rand.Rand
	has   bool    // it has been in something
	truth float64 // what it was last in, °C
	tip   float64 // where its own tip stands, °C
	air   bool
	stuck bool
	shown float64
	down  int // reads the present drop-out still lasts
	cause error
}

// NewSensor returns a sensor that will stand at the first temperature it meets.
func NewSensor(c SensorConfig) *Sensor {
	return &Sensor{c: c, rng: rand.New(rand.NewPCG(c.Seed, 0x736e7372))}
}

// Lift takes the sensor out of the liquid: it follows slowly, as in air. What it
// is in is still the caller's to say.
func (s *Sensor) Lift(on bool) { s.air = on }

// move puts the sensor into something else, at once.
func (s *Sensor) move(trueC float64) {
	if s.has {
		s.truth = trueC
	}
}

// Stick makes the sensor repeat its last number.
func (s *Sensor) Stick(on bool) { s.stuck = on }

// Unplug makes every read fail until undone.
func (s *Sensor) Unplug(on bool) {
	s.down, s.cause = 0, nil
	if on {
		s.down, s.cause = math.MaxInt, probe.ErrNoDevice
	}
}

// Read lets dt go by, in which the truth moved evenly to trueC, and returns what
// the sensor shows. An error wraps one of package probe's reasons. A power-on
// value comes back as 85 with no error, as from the real device.
func (s *Sensor) Read(dt time.Duration, trueC float64) (float64, error) {
	s.follow(dt, trueC)
	// The same draws for every read, so that one fault does not shift the rest.
	noise, fault, power, which, run := s.rng.NormFloat64(), s.rng.Float64(), s.rng.Float64(), s.rng.IntN(3), s.rng.ExpFloat64()
	if s.down > 0 {
		if !s.unplugged() {
			s.down--
		}
		return math.NaN(), fmt.Errorf("simulated sensor: %w", s.cause)
	}
	if fault < s.c.DropOut {
		s.cause = [...]error{probe.ErrCRC, probe.ErrTimeout, probe.ErrNoDevice}[which]
		if s.c.Run > 1 {
			s.down = int(run * (s.c.Run - 1))
		}
		return math.NaN(), fmt.Errorf("simulated sensor: %w", s.cause)
	}
	if power < s.c.PowerOn {
		return 85, nil
	}
	if s.stuck {
		return s.shown, nil
	}
	v := s.tip*(1+s.c.Gain) + s.c.Offset + noise*s.c.Noise
	if s.c.Quantum > 0 {
		v = math.Round(v/s.c.Quantum) * s.c.Quantum
	}
	s.shown = v
	return v, nil
}

// Tip is the temperature of the sensor's own tip, °C: what it would show without
// noise, steps and offset.
func (s *Sensor) Tip() float64 { return s.tip }

// follow moves the tip by the exact answer of a first-order lag to a ramp.
func (s *Sensor) follow(dt time.Duration, trueC float64) {
	lag := s.c.Lag
	if s.air {
		lag = s.c.AirLag
		if lag == 0 {
			lag = 8 * s.c.Lag
		}
	}
	if !s.has {
		s.has, s.truth, s.tip = true, trueC, trueC
		return
	}
	was := s.truth
	s.truth = trueC
	if lag <= 0 {
		s.tip = trueC
		return
	}
	if dt <= 0 {
		return
	}
	tau := lag.Seconds()
	slope := (trueC - was) / dt.Seconds()
	s.tip = trueC - slope*tau + (s.tip-was+slope*tau)*math.Exp(-dt.Seconds()/tau)
}

// unplugged reports whether Unplug holds.
func (s *Sensor) unplugged() bool { return s.down == math.MaxInt }

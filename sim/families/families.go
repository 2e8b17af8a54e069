// Package families makes seeded batches of simulated pots for judging
// forecasts: the readings a probe would have given, what the maker told, and the
// truth behind them.
//
// There are two sets, with different seeds and different physics:
//
//   - [Tuning] is what the forecast engine was tuned on. One lumped body of wax,
//     convection that goes with a power of the temperature difference, and
//     radiation; heat capacity that rises toward the congealing point of some;
//     small cups of other liquids.
//   - [Scoring] is scored on; its results were seen while the engine was built, so
//     it is no blind test. Wax, jug wall and table top as separate
//     bodies, convection by laminar and turbulent laws, a skin that forms on
//     the wax, a warm table, air that cycles with a heater, sensors of second
//     order and scatter that hangs together; beakers of water that evaporates.
//
// It is not the station's simulator (package sim), which speaks the wire formats
// of real probes: this one is made to be quick and to differ from batch to batch.
package families

import (
	"fmt"
	"math"
	"math/rand/v2"
)

// Direction says which way the target is crossed, as package forecast does.
type Direction int8

// The directions of a target.
const (
	Cooling Direction = -1
	Heating Direction = +1
)

// Known is what the station would have been told of the pot; zero is not known.
type Known struct {
	WaxGrams, OilGrams, OilCelsius float64
	Boiling                        float64 // °C
}

// Sample is one reading.
type Sample struct {
	T    float64 // s
	C    float64 // °C
	Room float64 // °C, what a room probe read then; NaN when none is asked for
}

// Tap is something the maker told.
type Tap struct {
	T    float64 // s, when it was told
	Kind string  // as package forecast names it
}

// Batch is one pot from its first reading to a little after the target.
type Batch struct {
	Name   string
	Family string
	Seed   uint64

	Samples []Sample
	Taps    []Tap
	Known   Known

	Target float64 // °C
	Dir    Direction
	// Truth is when the probe, freed of noise and digits, came through the
	// target; NaN when it never does.
	Truth float64 // s
	// From is when the pot has been in its last regime for two and a half
	// minutes: nobody can forecast a change that is still to come.
	From float64 // s
	// Newton is set where the truth is Newton's law with white noise.
	Newton *Newton
}

// Newton holds the parameters of a curve that is exactly Newton's.
type Newton struct{ Ta, A, K, Sigma float64 }

type maker struct {
	family string
	share  int
	make   func(*rand.Rand) Batch
}

// Tuning returns n batches of the set that the engine is tuned on.
func Tuning(n int) []Batch {
	return set(n, 1_000_000, []maker{
		{"bench", 4, tuneBench},
		{"lifted", 3, tuneLifted},
		{"scent", 3, tuneScent},
		{"cup", 3, tuneCup},
		{"heating", 3, tuneHeating},
		{"newton", 2, newton},
		{"unreachable", 2, tuneUnreachable},
	})
}

// Scoring returns n batches of the set that is only scored on.
func Scoring(n int) []Batch {
	return set(n, 9_000_000, []maker{
		{"bench", 4, scoreBench},
		{"lifted", 3, scoreLifted},
		{"scent", 3, scoreScent},
		{"draught", 2, scoreDraught},
		{"poor-sensor", 2, scorePoor},
		{"cup", 3, scoreBeaker},
		{"heating", 3, scoreHeating},
		{"newton", 2, newton},
		{"unreachable", 2, scoreUnreachable},
	})
}

func set(n int, seed uint64, makers []maker) []Batch {
	var order []maker
	for _, m := range makers {
		for range m.share {
			order = append(order, m)
		}
	}
	out := make([]Batch, n)
	for i := range out {
		m := order[i*13%len(order)] // 13 is prime to the lengths used
		s := seed + uint64(i)
		r := rand.New(rand.NewPCG(s, s^0x9e3779b97f4a7c15))
		b := m.make(r)
		for math.IsNaN(b.Truth) && m.family != "unreachable" {
			b = m.make(r) // one that took longer than the simulation runs
		}
		b.Family, b.Seed = m.family, s
		b.Name = fmt.Sprintf("%s-%d", m.family, i)
		out[i] = b
	}
	return out
}

func between(r *rand.Rand, lo, hi float64) float64 { return lo + (hi-lo)*r.Float64() }

func logBetween(r *rand.Rand, lo, hi float64) float64 {
	return math.Exp(between(r, math.Log(lo), math.Log(hi)))
}

func pick(r *rand.Rand, v ...float64) float64 { return v[r.IntN(len(v))] }

// pot is a body of physics: it is moved a second at a time.
type pot interface {
	step(t float64) (wax, room float64)
}

// sensor turns a curve into readings.
type sensor struct {
	lag, lag2  float64 // s
	sigma      float64 // K, white
	wander     float64 // K, scatter that hangs together over wanderTime
	wanderTime float64 // s
	digit      float64 // K
	period     float64 // s
	jitter     float64 // share of the period
	drop       float64 // chance that a reading is lost
	gap        float64 // chance per reading that a pause of minutes begins
	wild       float64 // chance of a wild value
	double     float64 // chance that a reading comes twice
}

func goodSensor(r *rand.Rand) sensor {
	return sensor{
		lag: between(r, 1, 15), sigma: logBetween(r, 0.01, 0.1),
		digit: pick(r, 0, 0.0625, 0.0625, 0.1), period: pick(r, 0.5, 1, 1, 1, 2, 5),
		jitter: between(r, 0, 0.3), drop: pick(r, 0, 0, 0.01), wild: pick(r, 0, 0, 0.0005),
	}
}

func poorSensor(r *rand.Rand) sensor {
	return sensor{
		lag: between(r, 5, 30), lag2: between(r, 0, 8), sigma: logBetween(r, 0.03, 0.25),
		wander: logBetween(r, 0.01, 0.06), wanderTime: logBetween(r, 4, 30),
		digit: pick(r, 0.0625, 0.1, 0.25, 0.5), period: pick(r, 0.1, 0.25, 1, 1, 3, 5),
		jitter: between(r, 0, 0.8), drop: between(r, 0, 0.15), gap: 1e-4, wild: 0.001, double: 0.01,
	}
}

// change is a thing that happens to a pot.
type change struct {
	t float64
	f func()
}

// run moves p until it has come through target in direction dir (or for limit
// seconds), and reads it with s. settled is when its last change of regime was.
func run(r *rand.Rand, p pot, s sensor, target float64, dir Direction, limit, settled float64, roomSigma float64) Batch {
	b := Batch{Target: target, Dir: dir, Truth: math.NaN(), From: settled}
	wax, room := p.step(0)
	l1, l2 := wax, wax
	plume, w := 0.0, 0.0
	next := 0.0
	gapUntil := -1.0
	roomRead := room
	end := limit
	prev := wax
	for t := 0.0; t < end; t++ {
		// Readings that fall in this second see the curve between its ends.
		wax, room = p.step(t)
		prev = l2
		l1 += (wax - l1) * (1 - math.Exp(-1/math.Max(s.lag, 1e-3)))
		if s.lag2 > 0 {
			l2 += (l1 - l2) * (1 - math.Exp(-1/s.lag2))
		} else {
			l2 = l1
		}
		if math.IsNaN(b.Truth) && t > settled && (l2-target)*float64(dir) >= 0 && (prev-target)*float64(dir) < 0 {
			b.Truth = t + (target-prev)/(l2-prev)
			end = math.Min(end, t+120)
		}
		if s.wander > 0 {
			a := math.Exp(-1 / s.wanderTime)
			plume = plume*a + s.wander*math.Sqrt(1-a*a)*r.NormFloat64()
			w += (plume - w) * (1 - math.Exp(-1/math.Max(s.lag, 1))) // through the sleeve
		}
		if int(t)%15 == 0 {
			roomRead = math.Round((room+roomSigma*r.NormFloat64())*16) / 16
		}
		for next < t+1 {
			at := next
			next += s.period * (1 + s.jitter*(r.Float64()-0.5))
			if at < gapUntil || r.Float64() < s.drop {
				continue
			}
			if r.Float64() < s.gap {
				gapUntil = at + between(r, 30, 240)
			}
			c := prev + (l2-prev)*(at-t) + w + s.sigma*r.NormFloat64()
			if r.Float64() < s.wild {
				c = pick(r, 85, 0, -127, 127.94, c+20, c-15)
			}
			if s.digit > 0 {
				c = math.Round(c/s.digit) * s.digit
			}
			b.Samples = append(b.Samples, Sample{at, c, roomRead})
			if r.Float64() < s.double {
				b.Samples = append(b.Samples, Sample{at, c, roomRead})
			}
		}
	}
	return b
}

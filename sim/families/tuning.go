package families

import (
	"fmt"
	"math"
	"math/rand/v2"
)

const stefanBoltzmann = 5.670374419e-8 // W/(m² K⁴), CODATA 2018

// lump is the tuning set's pot: one body of wax, in a bath or in air.
type lump struct {
	heat     float64 // J/K
	area     float64 // m², to the air
	h, p     float64 // W/(m² K) at 50 K, and how it goes with the difference
	emit     float64
	wax      float64 // °C
	room     float64
	drift    float64 // K/s
	wave     float64 // K, slow swing of the room
	waveTime float64 // s
	gust     float64 // relative change of h now
	gustVar  float64
	gustTime float64
	rng      *rand.Rand

	inBath   bool
	bath     float64 // °C
	bathHeat float64 // J/K
	bathLoss float64 // W/K
	power    float64 // W
	boil     float64
	hold     float64 // °C, thermostat; 0 = none
	couple   float64 // W/K, wax to bath
	latent   float64 // J, of all the wax
	meltLo   float64
	meltHi   float64
	// Toward its congealing point a wax begins to crystallise, which takes the
	// place of a growing share of the cooling: apparent heat rises by onset at
	// congeal, and by e less for every onsetWidth above it. Broad onsets are what
	// calorimetry of blended waxes shows (common practice, no source).
	onset, congeal, onsetWidth float64

	plan []change
}

func (l *lump) step(t float64) (float64, float64) {
	for len(l.plan) > 0 && t >= l.plan[0].t {
		l.plan[0].f()
		l.plan = l.plan[1:]
	}
	room := l.room + l.drift*t
	if l.wave > 0 {
		room += l.wave * math.Sin(2*math.Pi*t/l.waveTime)
	}
	if l.gustTime > 0 {
		a := math.Exp(-1 / l.gustTime)
		l.gust = l.gust*a + l.gustVar*math.Sqrt(1-a*a)*l.rng.NormFloat64()
	}
	d := l.wax - room
	loss := l.h * (1 + l.gust) * math.Copysign(math.Pow(math.Abs(d)/50, l.p), 1) * d
	loss += l.emit * stefanBoltzmann * (math.Pow(l.wax+273.15, 4) - math.Pow(room+273.15, 4))
	loss *= l.area
	var in float64
	if l.inBath {
		loss *= 0.3 // only the top of the jug is in the air
		in = l.couple * (l.bath - l.wax)
		p := l.power
		if l.hold > 0 && l.bath >= l.hold {
			p = 0
		}
		l.bath += (p - l.bathLoss*(l.bath-room) - in) / l.bathHeat
		l.bath = math.Min(l.bath, l.boil)
	}
	c := l.heat
	if l.latent > 0 && l.wax > l.meltLo && l.wax < l.meltHi {
		c += l.latent / (l.meltHi - l.meltLo)
	}
	if l.onset > 0 {
		c *= 1 + l.onset*math.Exp(-math.Max(l.wax-l.congeal, 0)/l.onsetWidth)
	}
	l.wax += (in - loss) / c
	return l.wax, room
}

func newLump(r *rand.Rand) (*lump, float64) {
	mass := logBetween(r, 0.5, 10)
	l := &lump{rng: r}
	glass := r.Float64() < 0.3
	wall := mass * between(r, 0.2, 0.5)
	cw := 500.0
	l.emit = between(r, 0.1, 0.3)
	if glass {
		wall *= 2
		cw = 840
		l.emit = 0.9
	}
	l.heat = mass*between(r, 2000, 2500) + wall*cw
	l.area = 0.062 * math.Pow(mass, 2.0/3) * between(r, 0.85, 1.2)
	l.h = between(r, 4, 9)
	l.p = between(r, 0, 0.33)
	if r.Float64() < 0.15 {
		l.h *= between(r, 0.5, 0.8) // a lid
	}
	l.room = between(r, 15, 32)
	l.drift = pick(r, 0, 0, 1, -1) * between(r, 0, 2) / 3600
	l.wave, l.waveTime = pick(r, 0, 0, 0.5), between(r, 600, 2400)
	if r.Float64() < 0.4 {
		l.gustVar, l.gustTime = between(r, 0.01, 0.06), logBetween(r, 30, 900)
	}
	l.couple = between(r, 40, 120) * l.area
	l.bathHeat = between(r, 1.5, 3) * math.Sqrt(mass) * 4180
	l.bathLoss = between(r, 0.8, 2) * math.Sqrt(mass)
	l.boil = between(r, 94, 100)
	if r.Float64() < 0.5 {
		l.onset, l.congeal, l.onsetWidth = between(r, 0.1, 0.8), between(r, 46, 54), between(r, 2, 5)
	}
	return l, mass
}

func known(l *lump, mass float64, r *rand.Rand) Known {
	return Known{WaxGrams: mass * 1000, OilGrams: mass * 60, OilCelsius: 21, Boiling: l.boil}
}

func pourTarget(r *rand.Rand) float64 { return pick(r, 57.2, 57.2, 60, 65, 54.4) }

func tuneBench(r *rand.Rand) Batch {
	l, _ := newLump(r)
	l.wax = between(r, 78, 88)
	return run(r, l, goodSensor(r), pourTarget(r), Cooling, 4*3600, 60, 0.1)
}

func tuneLifted(r *rand.Rand) Batch {
	l, _ := newLump(r)
	l.wax = between(r, 82, 87)
	l.inBath = true
	l.bath = l.wax + between(r, -1, 4)
	lift := between(r, 240, 900)
	l.plan = []change{{lift, func() { l.inBath = false }}}
	b := run(r, l, goodSensor(r), math.Min(pourTarget(r), l.wax-10), Cooling, 4*3600, lift+150, 0.1)
	if r.Float64() < 0.4 {
		b.Taps = append(b.Taps, Tap{lift + between(r, -10, 60), "jug-out"})
	}
	return b
}

func tuneScent(r *rand.Rand) Batch {
	l, mass := newLump(r)
	l.wax = between(r, 83, 87)
	l.inBath = true
	l.bath = l.wax + between(r, 0, 4)
	scent := between(r, 180, 400)
	lift := scent + between(r, 120, 300)
	oil := mass * between(r, 0.04, 0.1)
	l.plan = []change{
		{scent, func() {
			l.wax -= oil * 1900 * (l.wax - 21) / (l.heat + oil*1900)
			l.heat += oil * 1900
			l.gust = 0.3
		}},
		{lift, func() { l.inBath = false }},
	}
	b := run(r, l, goodSensor(r), math.Min(pourTarget(r), 65), Cooling, 4*3600, lift+150, 0.1)
	if r.Float64() < 0.5 {
		b.Known = known(l, mass, r)
		b.Known.OilGrams = oil * 1000
		b.Taps = append(b.Taps, Tap{scent + between(r, -15, 45), "scent-in"}, Tap{lift + between(r, -10, 60), "jug-out"})
	}
	return b
}

func tuneHeating(r *rand.Rand) Batch {
	if r.Float64() < 0.25 { // a bath that doesn't move
		return run(r, steadyBath(r, between(r, 89, 100)), goodSensor(r), pick(r, 85, 82, 80), Heating, 4*3600, 60, 0.1)
	}
	l, mass := newLump(r)
	l.wax = l.room
	l.inBath = true
	l.bath = pick(r, l.room+30, 90, l.boil)
	l.power = between(r, 700, 1800) * math.Sqrt(mass)
	l.latent = mass * between(r, 120e3, 200e3)
	l.meltLo = between(r, 38, 48)
	l.meltHi = l.meltLo + between(r, 6, 14)
	if r.Float64() < 0.4 {
		l.hold = between(r, 90, l.boil)
	}
	if r.Float64() < 0.6 { // the recording begins with the wax melted
		l.latent = 0
		l.wax = between(r, 50, 62)
		l.bath = between(r, l.wax, l.boil)
	}
	b := run(r, l, goodSensor(r), pick(r, 85, 82, 80), Heating, 4*3600, 60, 0.1)
	if r.Float64() < 0.5 {
		b.Known.Boiling = l.boil
	}
	return b
}

// steadyBath is wax in a bath that stays at one temperature.
func steadyBath(r *rand.Rand, bath float64) pot {
	l, _ := newLump(r)
	l.inBath = true
	l.wax = between(r, 20, 60)
	l.bath = bath
	l.bathHeat = 1e12
	return l
}

func tuneUnreachable(r *rand.Rand) Batch {
	if r.Float64() < 0.3 {
		return run(r, steadyBath(r, between(r, 70, 84)), goodSensor(r), 85, Heating, 4000, 60, 0.1)
	}
	l, _ := newLump(r)
	if r.Float64() < 0.6 { // a bath too cool for the fragrance
		l.inBath = true
		l.wax = between(r, 45, 60)
		l.hold = between(r, 72, 83)
		l.bath = pick(r, l.hold, l.wax+5)
		l.power = between(r, 700, 1800) * 1.5
		b := run(r, l, goodSensor(r), 85, Heating, 4000, 60, 0.1)
		return b
	}
	l.wax = between(r, 75, 86)
	if r.Float64() < 0.5 {
		l.inBath = true // kept warm over the target
		l.hold = between(r, 62, 70)
		l.bath = l.hold
		l.power = 2000
		return run(r, l, goodSensor(r), 57.2, Cooling, 5000, 60, 0.1)
	}
	return run(r, l, goodSensor(r), l.room-between(r, 0.5, 4), Cooling, 5000, 60, 0.1)
}

// newton is Newton's law and white noise, nothing else.
func newton(r *rand.Rand) Batch {
	n := Newton{Ta: between(r, 17, 28), K: logBetween(r, 2.5e-4, 1.2e-3), Sigma: pick(r, 0.03, 0.05, 0.1)}
	n.A = between(r, 78, 88) - n.Ta
	return NewtonBatch(r, n, 57.2, 1)
}

// NewtonBatch is the curve n read every period seconds until a little after it
// has come to target.
func NewtonBatch(r *rand.Rand, n Newton, target, period float64) Batch {
	b := Batch{Target: target, Dir: Cooling, From: 60, Newton: &n}
	b.Truth = math.Log(n.A/(target-n.Ta)) / n.K
	for t := 0.0; t < b.Truth+60; t += period {
		b.Samples = append(b.Samples, Sample{t, n.Ta + n.A*math.Exp(-n.K*t) + n.Sigma*r.NormFloat64(), n.Ta})
	}
	return b
}

// cup is a small vessel of any liquid: k that falls with the difference by a
// power, a wall that has to be warmed first, and plumes past the probe.
type cup struct {
	wax, wall, room float64
	k, p            float64 // 1/s at 40 K
	share, tie      float64 // heat of the wall over that of the liquid; 1/s
}

func (c *cup) step(float64) (float64, float64) {
	d := c.wall - c.room
	loss := c.k * (1 + c.share) * math.Pow(math.Max(d, 0)/40, c.p) * d
	flow := c.tie * (c.wax - c.wall)
	c.wax -= flow
	c.wall += (flow - loss) / c.share
	return c.wax, c.room
}

func plumes(r *rand.Rand, s sensor) sensor {
	s.wander, s.wanderTime = logBetween(r, 0.02, 0.3), logBetween(r, 10, 90)
	return s
}

func tuneCup(r *rand.Rand) Batch {
	c := &cup{wax: between(r, 70, 95), room: between(r, 17, 27), k: logBetween(r, 3e-4, 2.5e-3), p: between(r, 0, 1.3)}
	c.share, c.tie = between(r, 0.05, 0.3), between(r, 0.003, 0.02)
	c.wall = c.wax
	if r.Float64() < 0.4 {
		c.wall = c.room
	}
	s := goodSensor(r)
	if r.Float64() < 0.6 {
		s = plumes(r, s)
	}
	return run(r, c, s, math.Min(pick(r, 60, 50, 45, 55), c.wax-12), Cooling, 3*3600, 60, 0.2)
}

// Shops returns n shops of three batches each: the same jug with a little more or
// less wax in another air, set down hot at the first reading.
func Shops(n int) [][]Batch {
	out := make([][]Batch, n)
	for i := range out {
		r := rand.New(rand.NewPCG(uint64(5_000_000+i), 11))
		p, mass := newBodies(r)
		p.cycle, p.trend = 0, 0
		for j := range 3 {
			q := *p
			f := between(r, 0.85, 1.15)
			q.cWax *= f
			q.room = p.room + between(r, -3, 3)
			q.table = q.room
			q.start(between(r, 82, 87))
			b := run(r, &q, goodSensor(r), 57.2, Cooling, 6*3600, 0, 0.1)
			b.Known.WaxGrams = mass * f * 1000
			b.Name, b.Family, b.Seed = fmt.Sprintf("shop-%d-%d", i, j), "shop", uint64(i)
			out[i] = append(out[i], b)
		}
	}
	return out
}

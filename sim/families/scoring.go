package families

import (
	"math"
	"math/rand/v2"
)

// bodies is the scoring set's pot: wax, the jug's wall and the table top it
// stands on, or the bath it hangs in.
type bodies struct {
	rng                 *rand.Rand
	wax, wall, table    float64 // °C
	cWax, cWall, cTable float64 // J/K
	inner               float64 // W/K, wax to wall
	side, top           float64 // m²
	height              float64 // m
	emitWall, emitTop   float64
	draught             float64 // m/s over the jug
	lid                 float64 // share of the top's loss that a lid leaves, 1 = none
	base                float64 // W/K, wall to table, 0 while in the bath
	skin                float64 // °C below which a skin slows the top's loss
	room                float64 // °C, mean
	cycle, cycleTime    float64 // K, s: a heater switching
	trend               float64 // K per hour
	bath                float64
	inBath              bool
	cBath, bathLoss     float64
	power, boil, keep   float64
	dip                 float64 // W/K, bath to wall
	latent              float64 // J
	melt, width         float64 // °C, K: a bell of heat capacity round the melting point
	wobble              float64 // relative scatter of the loss
	plan                []change
}

// film is natural convection off a surface, W/(m² K): the simplified laws for
// air of common heat-transfer textbooks, laminar 1.42 (d/L)^¼ and turbulent
// 1.31 d^⅓ for a vertical wall (Holman, Heat Transfer, table 7-2; from memory).
func film(d, l float64) float64 {
	d = math.Abs(d)
	if d*l*l*l > 1e9/1e8 {
		return 1.31 * math.Cbrt(d)
	}
	return 1.42 * math.Pow(d/l, 0.25)
}

func glow(emit, a, b float64) float64 {
	return emit * stefanBoltzmann * (math.Pow(a+273.15, 4) - math.Pow(b+273.15, 4))
}

func (p *bodies) step(t float64) (float64, float64) {
	for len(p.plan) > 0 && t >= p.plan[0].t {
		p.plan[0].f()
		p.plan = p.plan[1:]
	}
	room := p.room + p.trend*t/3600
	if p.cycle > 0 { // a saw, as heaters make it
		ph := math.Mod(t/p.cycleTime, 1)
		room += p.cycle * (math.Abs(2*ph-1)*2 - 1)
	}
	p.wobble += -p.wobble/40 + 0
	dw, dt := p.wall-room, p.wax-room
	forced := 4.0 * math.Sqrt(p.draught) * 2
	side := p.side * ((film(dw, p.height)+forced)*dw + glow(p.emitWall, p.wall, room))
	top := p.top * p.lid * ((film(dt, p.height)*0.93+forced)*dt + glow(p.emitTop, p.wax, room))
	if p.skin > 0 && p.wax < p.skin {
		top *= 0.75
	}
	var in float64
	if p.inBath {
		side = 0
		in = p.dip * (p.bath - p.wall)
		pw := p.power
		if p.keep > 0 && p.bath > p.keep {
			pw = 0
		}
		p.bath += (pw - p.bathLoss*math.Pow(math.Max(p.bath-room, 0)/60, 0.5)*(p.bath-room) - in) / p.cBath
		p.bath = math.Min(p.bath, p.boil)
	}
	toWall := p.inner * (p.wax - p.wall)
	toTable := 0.0
	if p.base > 0 && !p.inBath {
		toTable = p.base * (p.wall - p.table)
		p.table += (toTable - 0.9*(p.table-room)) / p.cTable
	}
	c := p.cWax
	if p.latent > 0 {
		z := (p.wax - p.melt) / p.width
		c += p.latent / (p.width * math.Sqrt(2*math.Pi)) * math.Exp(-z*z/2)
	}
	p.wax -= (toWall + top) / c
	p.wall += (toWall + in - side - toTable) / p.cWall
	return p.wax, room
}

func newBodies(r *rand.Rand) (*bodies, float64) {
	mass := logBetween(r, 0.5, 10)
	p := &bodies{rng: r, lid: 1}
	radius := 0.06 * math.Cbrt(mass) * between(r, 0.9, 1.15)
	p.height = mass / 870 / (math.Pi * radius * radius)
	p.side = 2 * math.Pi * radius * p.height * between(r, 1.05, 1.3)
	p.top = math.Pi * radius * radius
	p.cWax = mass * between(r, 1900, 2600)
	wallMass := p.side * between(r, 3, 9)
	p.cWall = wallMass * pick(r, 500, 900, 840)
	p.emitWall = pick(r, 0.1, 0.2, 0.4, 0.9)
	p.emitTop = 0.9
	p.inner = between(r, 60, 200) * p.side
	p.base = between(r, 0, 25) * p.top
	p.cTable = between(r, 500, 3000)
	p.room = between(r, 15, 32)
	p.table = p.room
	p.trend = pick(r, 0, 0, 1, -1) * between(r, 0, 2.5)
	p.cycle, p.cycleTime = pick(r, 0, 0, 0.3, 0.8), between(r, 500, 2000)
	p.draught = pick(r, 0, 0, 0, between(r, 0, 0.2))
	p.skin = between(r, 50, 62)
	p.boil = between(r, 93, 100)
	p.cBath = between(r, 1.5, 3.5) * math.Sqrt(mass) * 4180
	p.bathLoss = between(r, 0.8, 2.2) * math.Sqrt(mass)
	p.dip = between(r, 150, 500) * p.side
	if r.Float64() < 0.2 {
		p.lid = between(r, 0.3, 0.6)
	}
	return p, mass
}

func (p *bodies) start(c float64) { p.wax, p.wall = c, c-1 }

func scoreBench(r *rand.Rand) Batch {
	p, _ := newBodies(r)
	p.start(between(r, 77, 90))
	s := goodSensor(r)
	s.lag2 = between(r, 0, 5)
	s.wander, s.wanderTime = pick(r, 0, 0.01, 0.02), between(r, 5, 20)
	return run(r, p, s, pourTarget(r), Cooling, 5*3600, 60, 0.1)
}

func (p *bodies) soak(r *rand.Rand, c float64) {
	p.start(c)
	p.inBath = true
	p.bath = c + between(r, -1, 5)
	p.wall = p.bath - 0.5
}

func scoreLifted(r *rand.Rand) Batch {
	p, mass := newBodies(r)
	p.soak(r, between(r, 81, 88))
	lift := between(r, 240, 1200)
	p.plan = []change{{lift, func() { p.inBath = false }}}
	b := run(r, p, goodSensor(r), math.Min(pourTarget(r), 65), Cooling, 5*3600, lift+150, 0.1)
	if r.Float64() < 0.4 {
		b.Taps = append(b.Taps, Tap{lift + between(r, -10, 90), "jug-out"})
	}
	b.Known.WaxGrams = mass * 1000
	return b
}

func scoreScent(r *rand.Rand) Batch {
	p, mass := newBodies(r)
	p.soak(r, between(r, 83, 88))
	scent := between(r, 180, 500)
	lift := scent + between(r, 120, 400)
	oil := mass * between(r, 0.03, 0.11)
	left := 0.0
	p.plan = []change{{scent, func() { left = 40 }}}
	for i := range 40 { // poured in over forty seconds and stirred
		p.plan = append(p.plan, change{scent + float64(i), func() {
			o := oil / 40
			p.wax -= o * 1900 * (p.wax - 21) / (p.cWax + o*1900)
			p.cWax += o * 1900
		}})
	}
	p.plan = append(p.plan, change{lift, func() { p.inBath = false }})
	_ = left
	b := run(r, p, goodSensor(r), math.Min(pourTarget(r), 65), Cooling, 5*3600, lift+150, 0.1)
	if r.Float64() < 0.5 {
		b.Known = Known{WaxGrams: mass * 1000, OilGrams: oil * 1000, OilCelsius: 21}
		b.Taps = append(b.Taps, Tap{scent + between(r, -20, 60), "scent-in"}, Tap{lift + between(r, -10, 90), "jug-out"})
	}
	return b
}

func scoreDraught(r *rand.Rand) Batch {
	p, _ := newBodies(r)
	p.start(between(r, 77, 88))
	// A window opens or shuts, a lid goes on: at a third to two thirds of the way.
	at := between(r, 300, 1500)
	p.plan = []change{{at, func() {
		if r.Float64() < 0.5 {
			p.draught = between(r, 0.02, 0.4)
		} else {
			p.lid = between(r, 0.3, 0.7)
		}
	}}}
	return run(r, p, goodSensor(r), math.Min(pourTarget(r), 60), Cooling, 5*3600, at+150, 0.1)
}

func scorePoor(r *rand.Rand) Batch {
	p, _ := newBodies(r)
	p.start(between(r, 77, 90))
	return run(r, p, poorSensor(r), pourTarget(r), Cooling, 3*3600, 60, 0.3)
}

func scoreHeating(r *rand.Rand) Batch {
	p, mass := newBodies(r)
	p.soak(r, between(r, 20, 66))
	p.power = between(r, 600, 2000) * math.Sqrt(mass)
	p.bath = between(r, p.wax, p.boil)
	p.wall = p.wax
	if p.wax < 55 {
		p.latent = mass * between(r, 100e3, 210e3)
		p.melt, p.width = between(r, 42, 54), between(r, 2, 5)
	}
	if r.Float64() < 0.3 {
		p.keep = between(r, 90, p.boil)
	}
	b := run(r, p, goodSensor(r), pick(r, 85, 85, 80), Heating, 4*3600, 60, 0.1)
	if r.Float64() < 0.5 {
		b.Known.Boiling = p.boil
	}
	return b
}

func scoreUnreachable(r *rand.Rand) Batch {
	p, mass := newBodies(r)
	if r.Float64() < 0.6 {
		p.soak(r, between(r, 45, 62))
		p.keep = between(r, 73, 83)
		p.bath = pick(r, p.keep, p.wax+6)
		p.power = between(r, 700, 1800) * math.Sqrt(mass)
		return run(r, p, goodSensor(r), 85, Heating, 4000, 60, 0.1)
	}
	p.start(between(r, 75, 88))
	if r.Float64() < 0.5 {
		p.inBath = true
		p.keep = between(r, 62, 71)
		p.bath = p.keep
		p.power = 2000 * math.Sqrt(mass)
		return run(r, p, goodSensor(r), 57.2, Cooling, 5000, 60, 0.1)
	}
	return run(r, p, goodSensor(r), p.room-between(r, 0.5, 4)-math.Abs(p.trend)*1.4-p.cycle, Cooling, 5000, 60, 0.1)
}

// beaker is water or an oil-filmed liquid in a thin vessel: film convection,
// radiation, and evaporation by the vapour pressure over it (Magnus formula, and
// the analogy of heat and mass transfer: 0.0166 W/(m² Pa) for each W/(m² K) of
// film).
type beaker struct {
	wax, wall, room float64
	heat, cWall     float64
	side, top, l    float64
	open            float64 // share of the surface that evaporates
	fan             float64 // W/(m² K)
	tie             float64 // W/K
}

func vapour(c float64) float64 { return 611.2 * math.Exp(17.62*c/(243.12+c)) } // Pa

func (b *beaker) step(float64) (float64, float64) {
	h := film(b.wall-b.room, b.l) + b.fan
	side := b.side * (h*(b.wall-b.room) + glow(0.9, b.wall, b.room))
	ht := film(b.wax-b.room, b.l) + b.fan
	top := b.top * (ht*(b.wax-b.room) + glow(0.95, b.wax, b.room) + b.open*ht*0.0166*(vapour(b.wax)-0.5*vapour(b.room)))
	flow := b.tie * (b.wax - b.wall)
	b.wax -= (flow + top) / b.heat
	b.wall += (flow - side) / b.cWall
	return b.wax, b.room
}

func scoreBeaker(r *rand.Rand) Batch {
	b := &beaker{wax: between(r, 70, 92), room: between(r, 17, 27), open: pick(r, 0, 0.15, 0.5, 1)}
	m := logBetween(r, 0.08, 0.6)
	radius := 0.035 * math.Cbrt(m/0.2)
	b.l = m / 1000 / (math.Pi * radius * radius)
	b.side, b.top = 2*math.Pi*radius*b.l, math.Pi*radius*radius
	b.heat = m * pick(r, 4180, 4180, 2100)
	b.cWall = b.side * between(r, 2000, 8000)
	b.tie = between(r, 100, 400) * b.side
	b.fan = pick(r, 0, 0, 0, between(r, 5, 25))
	b.wall = b.wax
	if r.Float64() < 0.4 {
		b.wall = b.room
	}
	s := goodSensor(r)
	if r.Float64() < 0.6 {
		s = plumes(r, s)
	}
	return run(r, b, s, math.Min(pick(r, 60, 50, 45, 55), b.wax-14), Cooling, 3*3600, 60, 0.2)
}

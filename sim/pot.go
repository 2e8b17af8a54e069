// Package sim is a melt pot made of arithmetic: wax in a jug, the jug in a hot
// water bath over a flame or on a bench, thermometers that lag and lie a little,
// and a maker with two hands. It drives the demo and the tests; nothing that
// decides anything for a real pot may depend on it.
//
// The physics is three bodies (wax, jug, bath) that exchange heat with one
// another and with the room: melting and setting by the enthalpy method, a bath
// that cannot pass boiling until it has boiled dry, natural convection and
// radiation on the bench. It is integrated in fixed small steps, so the same
// seed and the same doings at the same times give the same numbers, whatever
// the pace at which it is watched.
//
// Masses at the edge are grams, temperatures degrees Celsius; inside it is SI.
package sim

import (
	"math"
	"math/rand/v2"
	"time"
)

// Wax is what a wax is made of, as far as heat goes.
type Wax struct {
	Name         string
	HeatSolid    float64 // specific heat of the solid, J/(kg K)
	HeatLiquid   float64 // specific heat of the liquid, J/(kg K)
	Latent       float64 // heat of fusion, J/kg
	Solidus      float64 // °C, all solid below
	Liquidus     float64 // °C, all liquid above; the congealing point as a maker meets it
	Undercooling float64 // K below Liquidus before the first crystals form in clear liquid
	Density      float64 // of the liquid, kg/m³
}

// Jug is what the wax is melted and poured in: an upright cylinder.
type Jug struct {
	Name       string
	Grams      float64
	Heat       float64 // specific heat, J/(kg K)
	Diameter   float64 // m
	Height     float64 // m
	Emissivity float64 // of the outside, 0 to 1
}

// Jugs of the materials that makers use. Specific heats and emissivities are
// handbook values (Incropera, Fundamentals of Heat and Mass Transfer, appendix A).
var (
	Aluminium = Jug{Name: "aluminium jug", Grams: 240, Heat: 903, Diameter: 0.115, Height: 0.16, Emissivity: 0.20}
	Steel     = Jug{Name: "steel jug", Grams: 420, Heat: 477, Diameter: 0.115, Height: 0.16, Emissivity: 0.25}
	Glass     = Jug{Name: "glass jug", Grams: 700, Heat: 835, Diameter: 0.120, Height: 0.15, Emissivity: 0.90}
)

// Config is a pot before the flame is lit. Every field has a value in
// [Default]; the film coefficients are of the order given by the handbooks and
// set so that the whole agrees with common practice.
type Config struct {
	Wax      Wax
	WaxGrams float64
	WaxStart float64 // °C of the wax and of the jug at the start
	Jug      Jug

	WaterGrams  float64 // in the bath
	WaterStart  float64 // °C
	PanGrams    float64 // of the empty pan
	PanHeat     float64 // its specific heat, J/(kg K)
	PanDiameter float64 // m

	Burner   float64 // W that reach the pan on a high flame
	Pressure float64 // hPa, at the station (not reduced to sea level)

	Room       float64       // °C, mean
	RoomSwing  float64       // K, amplitude of a slow swing of the room
	RoomPeriod time.Duration // of that swing
	RoomWander float64       // K, standard deviation of a random wander with a memory of about 10 minutes
	Lid        bool          // a lid on the jug: no radiation or convection from the wax surface but through it

	OilHeat float64 // specific heat of the fragrance oil, J/(kg K)

	InnerFilm    float64 // W/(m² K), liquid wax to jug wall at a difference of 10 K
	SolidContact float64 // W/(m² K), solid wax to jug wall
	BathFilm     float64 // W/(m² K), still hot water to jug
	BoilFilm     float64 // W/(m² K), boiling water to jug
	PanContact   float64 // W/(m² K), jug bottom to a dry pan
	BenchContact float64 // W/(m² K), jug bottom through the mat to the bench

	Substep time.Duration // of the integration; 0 = 250 ms
	Seed    uint64
}

// Soy is a soy container wax: melting range 48 to 54 °C. Its specific and latent
// heats are not published; these are of the order of hydrogenated vegetable fats
// and paraffin (2.1 to 2.9 kJ/(kg K), 200 J/g).
var Soy = Wax{Name: "soy container wax", HeatSolid: 2000, HeatLiquid: 2200, Latent: 150e3,
	Solidus: 40, Liquidus: 50, Undercooling: 1.2, Density: 880}

// RapeseedCoconut is the Boathouse's own blend: softer, with a lower melting
// range. Invented, of the order of its kind.
var RapeseedCoconut = Wax{Name: "rapeseed-coconut wax", HeatSolid: 2000, HeatLiquid: 2150, Latent: 95e3,
	Solidus: 33, Liquidus: 44, Undercooling: 1.5, Density: 890}

// Default is the pot that the facts of the trade describe: 2 lb (907 g) of soy
// wax in a small jug over a boiling bath on a high flame. Scent-add at 185 °F,
// pour at 135 °F (common practice, no source).
func Default() Config {
	return Config{
		Wax: Soy, WaxGrams: 907.18474, WaxStart: 21, Jug: Aluminium,
		WaterGrams: 2500, WaterStart: 70, PanGrams: 900, PanHeat: 477, PanDiameter: 0.24,
		Burner: 1400, Pressure: 1013.25,
		Room: 21.5, RoomSwing: 0.3, RoomPeriod: 40 * time.Minute, RoomWander: 0.1,
		OilHeat:   2000,
		InnerFilm: 165, SolidContact: 70, BathFilm: 500, BoilFilm: 1500, PanContact: 120, BenchContact: 8,
		Seed: 1,
	}
}

// Boathouse is the demo's pot: 1.2 kg of rapeseed-coconut wax in a wide steel
// jug, in a cool harbour workshop.
func Boathouse() Config {
	c := Default()
	c.Wax, c.WaxGrams, c.WaxStart = RapeseedCoconut, 1200, 17.5
	c.Jug = Steel
	c.Jug.Diameter, c.Jug.Height, c.Jug.Grams = 0.13, 0.18, 520
	c.WaterGrams, c.WaterStart = 2600, 55
	c.Burner = 1250
	c.InnerFilm, c.SolidContact = 90, 65
	c.Room, c.RoomSwing, c.RoomWander = 18, 0.4, 0.1
	c.Seed = 7
	return c
}

// BoathouseLimits go with the Boathouse's wax and its invented scents.
func BoathouseLimits() Limits {
	return Limits{ScentAdd: 75, PourHigh: 60, Pour: 57, PourLow: 52, Congeal: RapeseedCoconut.Liquidus,
		Flash: 92, Scorch: 105, Boiling: BoilingPoint(1013.25)}
}

// BoathouseMaker is who works there.
func BoathouseMaker() MakerConfig {
	m := DefaultMaker()
	l := BoathouseLimits()
	m.ScentAt, m.PourAt, m.ReheatTo = l.ScentAdd, l.Pour, l.PourHigh+5
	m.ScentGrams, m.ScentCelsius = 75, 18
	m.Stir, m.PourTime, m.LeftOver = 90*time.Second, 150*time.Second, 27
	m.Delay, m.Spread = 3*time.Second, 4*time.Second
	// In no hurry where there is something to see: 2 and 4 s at the demo's pace.
	m.Waits = map[string]time.Duration{doScent: 45 * time.Second, doPourStart: 100 * time.Second}
	return m
}

// Pot is a melt pot at one moment. It is not safe for use by several
// goroutines; a [Bench] is.
type Pot struct {
	c   Config
	h   float64 // substep, s
	rng *rand.Rand

	elapsed time.Duration // simulated
	pending time.Duration // asked for but shorter than a substep

	waxKg, oilKg float64
	enthalpy     float64 // of wax and oil, J, 0 at 0 °C solid
	liquid       float64 // liquid fraction of the wax, 0 to 1
	waxT         float64 // follows from enthalpy and liquid
	jugT         float64
	waterKg      float64
	bathT        float64 // water and pan; the dry pan once the water is gone

	roomT, wander float64
	boil          float64 // °C
	heat          float64 // share of the burner, 0 to 1
	stirring      bool
	jugOut        bool
	draught       bool
	bare          float64 // W from a flame straight under the jug

	flow Flow
}

// Flow is the heat that has crossed the edge of the pot, J, since the start.
type Flow struct {
	Burner float64 // in
	Added  float64 // in, with fragrance and water
	Room   float64 // out, by convection, radiation and contact
	Vapour float64 // out, with the bath's vapour
	Poured float64 // out, with poured wax
}

// NewPot returns a pot with the flame off and the jug in the bath.
func NewPot(c Config) *Pot {
	if c.Substep <= 0 {
		c.Substep = 250 * time.Millisecond
	}
	p := &Pot{
		c: c, h: c.Substep.Seconds(), rng: rand.New(rand.NewPCG(c.Seed, 0x6d656c74)),
		waxKg: c.WaxGrams / 1000, waterKg: c.WaterGrams / 1000,
		jugT: c.WaxStart, bathT: c.WaterStart, boil: BoilingPoint(c.Pressure),
	}
	p.bathT = math.Min(p.bathT, p.boil)
	p.wander = p.rng.NormFloat64() * c.RoomWander
	p.roomT = p.roomNow()
	p.liquid = p.equilibrium(c.WaxStart)
	p.enthalpy = p.enthalpyAt(c.WaxStart)
	p.waxT = p.temperature()
	return p
}

// Wax is the mean temperature of what is in the jug, °C.
func (p *Pot) Wax() float64 { return p.waxT }

// Jug is the temperature of the jug's wall, °C.
func (p *Pot) Jug() float64 { return p.jugT }

// Bath is the temperature of the bath, or of the dry pan, °C.
func (p *Pot) Bath() float64 { return p.bathT }

// Room is the temperature of the air, °C.
func (p *Pot) Room() float64 { return p.roomT }

// Boiling is the boiling point of the bath, °C.
func (p *Pot) Boiling() float64 { return p.boil }

// Liquid is the melted share of the wax, 0 to 1.
func (p *Pot) Liquid() float64 { return p.liquid }

// Grams is what is in the jug, wax and oil.
func (p *Pot) Grams() float64 { return (p.waxKg + p.oilKg) * 1000 }

// Water is what is left in the bath, g.
func (p *Pot) Water() float64 { return p.waterKg * 1000 }

// Out reports whether the jug stands on the bench.
func (p *Pot) Out() bool { return p.jugOut }

// Heating reports whether the flame is on.
func (p *Pot) Heating() bool { return p.heat > 0 }

// Elapsed is how much time the pot has been through.
func (p *Pot) Elapsed() time.Duration { return p.elapsed }

// Flow is the heat that has crossed the edge of the pot since the start.
func (p *Pot) Flow() Flow { return p.flow }

// Stored is the heat held by wax, jug and bath, J, from 0 °C and solid wax.
func (p *Pot) Stored() float64 {
	return p.enthalpy + p.jugHeat()*p.jugT + p.bathHeat()*p.bathT
}

// HeatOn turns the flame full up.
func (p *Pot) HeatOn() { p.heat = 1 }

// HeatOff turns the flame off.
func (p *Pot) HeatOff() { p.heat = 0 }

// SetHeat turns the flame to a share of full, 0 to 1.
func (p *Pot) SetHeat(share float64) { p.heat = min(max(share, 0), 1) }

// Stir begins or ends stirring: the liquid takes up and gives off heat faster.
func (p *Pot) Stir(on bool) { p.stirring = on }

// Draught opens or shuts a window: moving air carries more heat off.
func (p *Pot) Draught(on bool) { p.draught = on }

// BareFlame sets the jug straight on a flame that gives it so many watts, out of
// the bath: what must never be done, and is. 0 takes it off again.
func (p *Pot) BareFlame(watts float64) {
	p.bare = max(watts, 0)
	if p.bare > 0 {
		p.jugOut = true
	}
}

// Bare reports whether the jug stands on a bare flame.
func (p *Pot) Bare() bool { return p.bare > 0 }

// Drain empties the bath, as if it had boiled dry.
func (p *Pot) Drain() {
	p.flow.Vapour += p.waterKg * waterHeat * p.bathT
	p.waterKg = 0
}

// Warm sets wax and jug to a temperature at once, all of the wax liquid or solid
// as it would be there given time: for a pot that takes over from another.
func (p *Pot) Warm(celsius float64) {
	was := p.enthalpy + p.jugHeat()*p.jugT
	p.liquid = p.equilibrium(celsius)
	p.enthalpy = p.enthalpyAt(celsius)
	p.jugT = celsius
	p.waxT = p.temperature()
	p.flow.Added += p.enthalpy + p.jugHeat()*p.jugT - was
}

// Refill takes what is in the jug out, fills it with fresh wax of a temperature
// and puts it back in the bath, for another batch.
func (p *Pot) Refill(grams, celsius float64) {
	p.Pour(p.Grams())
	p.waxKg, p.oilKg = max(grams, 0)/1000, 0
	p.liquid = p.equilibrium(celsius)
	p.enthalpy = p.enthalpyAt(celsius)
	p.flow.Added += p.enthalpy
	p.waxT = p.temperature()
	p.stirring, p.jugOut, p.bare = false, false, 0
}

// JugOut lifts the jug out of the bath and sets it on the bench.
func (p *Pot) JugOut() { p.jugOut = true }

// JugIn puts the jug back in the bath.
func (p *Pot) JugIn() { p.jugOut, p.bare = false, 0 }

// AddScent mixes in fragrance oil of a temperature; the step that follows is the
// energy balance of the two. Nothing happens for less than nothing.
func (p *Pot) AddScent(grams, celsius float64) {
	kg := grams / 1000
	if kg <= 0 || math.IsNaN(kg) || math.IsNaN(celsius) {
		return
	}
	q := kg * p.c.OilHeat * celsius
	p.oilKg += kg
	p.enthalpy += q
	p.flow.Added += q
	p.waxT = p.temperature()
}

// TopUp fills the bath to where it was at the start, with water of a temperature.
func (p *Pot) TopUp(celsius float64) { p.AddWater(p.c.WaterGrams-p.Water(), celsius) }

// AddWater tops up the bath.
func (p *Pot) AddWater(grams, celsius float64) {
	kg := grams / 1000
	if kg <= 0 || math.IsNaN(kg) || math.IsNaN(celsius) {
		return
	}
	q := kg * waterHeat * celsius
	total := p.bathHeat()*p.bathT + q
	p.waterKg += kg
	p.flow.Added += q
	p.bathT = total / p.bathHeat()
	p.boilOff()
}

// Pour takes wax out of the jug, as much as there is.
func (p *Pot) Pour(grams float64) {
	have := p.waxKg + p.oilKg
	kg := math.Min(grams/1000, have)
	if kg <= 0 || math.IsNaN(kg) {
		return
	}
	left := 1 - kg/have
	p.flow.Poured += p.enthalpy * (1 - left)
	p.waxKg *= left
	p.oilKg *= left
	p.enthalpy *= left
}

// Step lets time go by. Time shorter than a substep is kept for the next call.
func (p *Pot) Step(dt time.Duration) {
	if dt <= 0 {
		return
	}
	p.pending += dt
	for p.pending >= p.c.Substep {
		p.pending -= p.c.Substep
		p.elapsed += p.c.Substep
		p.substep()
	}
}

// Coefficients of natural convection in air from plates and cylinders of the
// size of a jug, laminar: h = C (ΔT/L)^(1/4), W/(m² K) (Holman, Heat Transfer,
// table of simplified equations for free convection to air).
const (
	convectionUp   = 1.32 // hot surface facing up, L = diameter
	convectionWall = 1.42 // vertical wall, L = height
	stefan         = 5.670374419e-8
	kelvin         = 273.15
	waxEmissivity  = 0.95
	draughtFactor  = 2.2  // moving air against still air on the bench
	stirFactor     = 2.5  // stirred liquid against still liquid
	lewis          = 16.5 // K/kPa, ratio of evaporative to convective film (ASHRAE Fundamentals, Lewis relation)
	panEmissivity  = 0.6
)

// root4 is x^(1/4).
func root4(x float64) float64 { return math.Sqrt(math.Sqrt(x)) }

// radiation is the radiative film coefficient between two temperatures in °C,
// W/(m² K).
func radiation(emissivity, a, b float64) float64 {
	ka, kb := a+kelvin, b+kelvin
	return emissivity * stefan * (ka*ka + kb*kb) * (ka + kb)
}

func (p *Pot) substep() {
	c, h := &p.c, p.h
	p.roomStep()

	// Geometry of the jug as it is filled now.
	d := c.Jug.Diameter
	bottom := math.Pi / 4 * d * d
	fill := math.Min((p.waxKg+p.oilKg)/c.Wax.Density/bottom, c.Jug.Height)
	wetted := math.Pi*d*fill + bottom
	// The wall above the wax is a poor fin: a third of it counts.
	wall := math.Pi * d * (fill + (c.Jug.Height-fill)/3)

	// Wax to jug.
	dWJ := p.waxT - p.jugT
	film := c.InnerFilm * root4(math.Max(math.Abs(dWJ), 0.1)/10)
	if p.stirring {
		film *= stirFactor
	}
	film = p.liquid*film + (1-p.liquid)*c.SolidContact
	waxJug := film * wetted * dWJ * h

	// Wax surface to the room.
	dWR := p.waxT - p.roomT
	surface := convectionUp*root4(math.Abs(dWR)/d) + radiation(waxEmissivity, p.waxT, p.roomT)
	if p.stirring {
		surface *= 1.3
	}
	if p.draught {
		surface *= draughtFactor
	}
	if c.Lid {
		surface *= 0.35
	}
	waxRoom := surface * bottom * dWR * h

	// Jug to room and to bath.
	dJR := p.jugT - p.roomT
	side := convectionWall * root4(math.Abs(dJR)/c.Jug.Height)
	if p.draught {
		side *= draughtFactor
	}
	side += radiation(c.Jug.Emissivity, p.jugT, p.roomT)
	var jugRoom, jugBath float64
	panArea := math.Pi / 4 * c.PanDiameter * c.PanDiameter
	free := panArea
	if p.jugOut {
		jugRoom = (side*wall + c.BenchContact*bottom) * dJR * h
	} else {
		free -= bottom
		depth := p.waterKg / waterDensity / free
		under := math.Min(1, depth/math.Max(fill, 1e-3))
		film := c.BathFilm
		if p.waterKg <= 0 {
			film = 0
		} else if p.bathT >= p.boil-0.5 && p.heat > 0 {
			film = c.BoilFilm
		}
		touch := film*under*wetted + c.PanContact*bottom*(1-math.Min(1, depth/0.005))
		jugBath = touch * (p.jugT - p.bathT) * h
		jugRoom = side * (wall - under*math.Pi*d*fill) * dJR * h
	}

	// Bath to room: the pan's wall, and vapour from the free water.
	dBR := p.bathT - p.roomT
	air := convectionWall * root4(math.Abs(dBR)/0.15)
	panWall := math.Pi * c.PanDiameter * 0.15
	bathRoom := (air + radiation(panEmissivity, p.bathT, p.roomT)) * panWall * dBR * h
	var vapour float64 // kg
	if p.waterKg > 0 && dBR > 0 {
		// The air of a kitchen holds about half its vapour.
		excess := saturation(p.bathT) - 0.5*saturation(p.roomT)
		q := lewis * convectionUp * root4(dBR/c.PanDiameter) * excess * free * h
		vapour = math.Min(math.Max(q, 0)/vaporisation, p.waterKg)
	}
	burner := p.heat * c.Burner * h
	bare := p.bare * h

	// Everything moves at once, by what stood at the start of the step.
	p.enthalpy -= waxJug + waxRoom
	p.jugT += (waxJug + bare - jugRoom - jugBath) / p.jugHeat()
	bath := p.bathHeat()*p.bathT + burner + jugBath - bathRoom
	gone := vapour * (vaporisation + waterHeat*p.bathT)
	bath -= gone
	p.waterKg -= vapour
	p.bathT = bath / p.bathHeat()

	p.flow.Burner += burner + bare
	p.flow.Room += waxRoom + jugRoom + bathRoom
	p.flow.Vapour += gone
	p.boilOff()
	p.freezeOrMelt()
	p.waxT = p.temperature()
}

// boilOff turns what the bath holds above boiling into vapour.
func (p *Pot) boilOff() {
	if p.waterKg <= 0 || p.bathT <= p.boil {
		return
	}
	surplus := (p.bathT - p.boil) * p.bathHeat()
	kg := math.Min(surplus/vaporisation, p.waterKg)
	total := p.bathHeat()*p.bathT - kg*(vaporisation+waterHeat*p.boil)
	p.flow.Vapour += kg * (vaporisation + waterHeat*p.boil)
	p.waterKg -= kg
	if p.waterKg < 1e-6 {
		// The last drop's heat stays in the pan.
		p.waterKg = 0
	}
	p.bathT = total / p.bathHeat()
}

func (p *Pot) jugHeat() float64  { return p.c.Jug.Grams / 1000 * p.c.Jug.Heat }
func (p *Pot) bathHeat() float64 { return p.waterKg*waterHeat + p.c.PanGrams/1000*p.c.PanHeat }

// roomStep lets the room swing and wander (an Ornstein-Uhlenbeck process).
func (p *Pot) roomStep() {
	const memory = 600.0 // s
	if p.c.RoomWander > 0 {
		p.wander += -p.wander*p.h/memory + p.c.RoomWander*math.Sqrt(2*p.h/memory)*p.rng.NormFloat64()
	}
	p.roomT = p.roomNow()
}

func (p *Pot) roomNow() float64 {
	t := p.c.Room + p.wander
	if p.c.RoomPeriod > 0 {
		t += p.c.RoomSwing * math.Sin(2*math.Pi*p.elapsed.Seconds()/p.c.RoomPeriod.Seconds())
	}
	return t
}

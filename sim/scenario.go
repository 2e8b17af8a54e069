package sim

import (
	"math"
	"math/rand/v2"
	"slices"
	"sync/atomic"
	"time"

	"example.org/meltstation/probe"
)

// Limits are the temperatures a batch is held against, °C.
type Limits struct {
	ScentAdd float64
	PourHigh float64
	Pour     float64
	PourLow  float64
	Congeal  float64
	Flash    float64 // where the flash-point alarm stands: the flash point less its margin
	Scorch   float64
	Boiling  float64 // of water at the station
}

// Scenario is one batch with all that goes wrong in it. The same scenario always
// goes the same way with the same station.
type Scenario struct {
	Seed      uint64
	Pot       Config
	Sensors   map[probe.Role]SensorConfig
	Maker     MakerConfig
	Limits    Limits
	Incidents []Incident
	Every     time.Duration // between readings of one probe
	Length    time.Duration // at most
	After     time.Duration // goes on for so long once the maker has nothing left to do
	Begin     time.Time     // of the batch; zero = the first hour of 2026, UTC
}

// Ordinary is a batch of the default pot in which nothing goes wrong.
func Ordinary(seed uint64) Scenario {
	c := Default()
	c.Seed = seed
	m := DefaultMaker()
	m.Seed = seed
	m.Last = doWicks
	return Scenario{
		Seed: seed, Pot: c, Sensors: StandardSensors(seed), Maker: m,
		Limits: Limits{ScentAdd: 85, PourHigh: 60, Pour: 57.2, PourLow: 54, Congeal: c.Wax.Liquidus,
			Flash: 110, Scorch: 120, Boiling: BoilingPoint(c.Pressure)},
		Every: time.Second, Length: 4 * time.Hour, After: 2 * time.Minute,
	}
}

// Random is a batch drawn from everything that a kitchen may hold: pots from half
// a kilogram to five, three kinds of jug, several waxes, rooms from 15 to 32 °C,
// kitchens up to 2,000 m, probes that drop out, makers who are late, forgetful or
// heedless, and in about half of the batches something that goes wrong, some of
// it dangerous.
func Random(seed uint64) Scenario {
	r := rand.New(rand.NewPCG(seed, 0x7363656e))
	between := func(lo, hi float64) float64 { return lo + (hi-lo)*r.Float64() }
	span := func(lo, hi time.Duration) time.Duration { return lo + time.Duration(r.Float64()*float64(hi-lo)) }
	chance := func(p float64) bool { return r.Float64() < p }

	s := Ordinary(seed)
	c := &s.Pot
	c.Wax = []Wax{Soy, RapeseedCoconut}[r.IntN(2)]
	c.Wax.Latent *= between(0.8, 1.3)
	shift := between(-3, 6)
	c.Wax.Solidus += shift
	c.Wax.Liquidus += shift
	c.WaxGrams = 500 * 10 * between(0.1, 1) // 0.5 to 5 kg
	c.Jug = []Jug{Aluminium, Steel, Glass}[r.IntN(3)]
	// A jug that holds it, of the same shape.
	if grow := c.WaxGrams / 1000; grow > 1 {
		f := math.Cbrt(grow)
		c.Jug.Diameter *= f
		c.Jug.Height *= f
		c.Jug.Grams *= f * f
		c.PanDiameter *= f
		c.WaterGrams *= grow
		c.Burner *= f * f
	}
	c.Burner *= between(0.7, 1.3)
	c.InnerFilm *= between(0.6, 1.4)
	c.BenchContact *= between(0.3, 3)
	c.Room = between(15, 32)
	c.WaxStart = c.Room
	c.WaterStart = between(20, 90)
	c.RoomSwing, c.RoomWander = between(0, 1.5), between(0, 0.4)
	c.Pressure = Pressure(between(0, 2000))
	c.Lid = chance(0.1)

	boil := BoilingPoint(c.Pressure)
	l := &s.Limits
	l.Boiling = boil
	l.Congeal = c.Wax.Liquidus
	l.ScentAdd = min(between(70, 86), boil-6)
	l.Pour = max(between(52, 64), l.Congeal+4)
	l.PourHigh, l.PourLow = l.Pour+between(1.5, 4), l.Pour-between(1.5, 3)
	l.Flash = l.ScentAdd + between(2, 40)
	l.Scorch = max(l.ScentAdd+between(10, 40), boil+2)

	m := &s.Maker
	m.ScentAt, m.PourAt, m.ReheatTo = l.ScentAdd, l.Pour, l.PourHigh+6
	m.ScentGrams = c.WaxGrams * between(0.03, 0.10)
	m.ScentCelsius = c.Room
	m.Stir = span(time.Minute, 3*time.Minute)
	m.PourTime = span(2*time.Minute, 10*time.Minute)
	m.Delay, m.Spread = span(2*time.Second, 20*time.Second), span(0, time.Minute)
	m.TapLag = span(0, 30*time.Second)
	m.Dawdles, m.Away = between(0, 0.15), span(time.Minute, 15*time.Minute)
	m.Heedless = chance(0.1)
	m.LooksIn = span(5*time.Minute, 40*time.Minute)
	m.Forgets = map[string]float64{}
	if chance(0.4) {
		for _, k := range []string{doScent, doHeatOff, doStirred, doJugOut} {
			m.Forgets[k] = between(0, 0.5)
		}
	}

	for _, role := range []probe.Role{probe.RolePot, probe.RoleBath, probe.RoleRoom} {
		sc := s.Sensors[role]
		sc.Lag = span(2*time.Second, 15*time.Second)
		sc.Noise = between(0, 0.15)
		sc.Offset = between(-0.5, 0.5)
		if chance(0.5) {
			sc.DropOut, sc.Run = between(0, 0.01), between(1, 20)
		}
		if chance(0.3) {
			sc.PowerOn = between(0, 0.003)
		}
		s.Sensors[role] = sc
	}

	for range r.IntN(3) {
		i := Incident{After: []string{doStart, doScent, doJugOut}[r.IntN(3)], In: span(0, 25*time.Minute)}
		switch r.IntN(7) {
		case 0:
			i.What, i.For = LiftProbe, span(20*time.Second, 5*time.Minute)
		case 1:
			i.What, i.For = UnplugProbe, span(10*time.Second, 5*time.Minute)
		case 2:
			i.What, i.For = StickProbe, span(time.Minute, 15*time.Minute)
		case 3:
			i.What, i.After, i.In = BoilDry, doStart, span(5*time.Minute, 25*time.Minute)
		case 4:
			i.What, i.For, i.Value = BareFlame, span(time.Minute, 6*time.Minute), between(0.2, 0.6)*c.Burner
		case 5:
			i.What, i.For = OpenWindow, span(2*time.Minute, 20*time.Minute)
		case 6:
			i.What, i.After, i.In = ForgetHeat, doScent, span(20*time.Second, 4*time.Minute)
		}
		s.Incidents = append(s.Incidents, i)
	}
	return s
}

// Moment is one reading of one probe, with the truth beside it.
type Moment struct {
	At     time.Duration // since the beginning
	Time   time.Time
	Role   probe.Role
	Sample probe.Sample
	Err    error // instead of a sample; wraps one of package probe's reasons

	Wax float64 // °C, true mean of the wax
	Tip float64 // °C, of the probe's own tip
	In  bool    // the probe is in what it should be in
	// Over says which limits the true wax stands over: "flash-margin" (only with
	// fragrance in the jug), "scorch".
	Over []string
}

// Play is a scenario on its way, with its own clock: no real time passes.
type Play struct {
	s     Scenario
	bench *Bench
	maker *Maker
	begin time.Time
	at    atomic.Int64 // ns since begin; read by whoever asks for the time
}

// NewPlay sets a scenario up. The station it is played to must take the time
// from [Play.Now].
func NewPlay(s Scenario) *Play {
	p := &Play{s: s, begin: s.Begin}
	if p.begin.IsZero() {
		p.begin = time.Date(2026, time.January, 1, 0, 0, 0, 0, time.UTC)
	}
	if p.s.Every <= 0 {
		p.s.Every = time.Second
	}
	p.bench = NewBench(s.Pot, p.Now, s.Sensors)
	return p
}

// Now is the time by the scenario's clock. Any goroutine may ask.
func (p *Play) Now() time.Time { return p.begin.Add(time.Duration(p.at.Load())) }

// Bench is the pot and its sensors.
func (p *Play) Bench() *Bench { return p.bench }

// Run plays the scenario to its end, or until see returns an error, which it
// returns. Every reading is handed to see, in the order of time; then the maker
// looks around.
func (p *Play) Run(hands Hands, see func(Moment) error) error {
	p.maker = NewMaker(p.s.Maker, p.bench, hands)
	mishaps := NewMishaps(p.bench, p.maker, p.s.Incidents)
	roles := make([]probe.Role, 0, len(p.s.Sensors))
	for role := range p.s.Sensors {
		roles = append(roles, role)
	}
	slices.Sort(roles)
	var idle time.Duration
	for at := time.Duration(0); at <= p.s.Length && idle <= p.s.After; at += p.s.Every {
		p.at.Store(int64(at))
		mishaps.Step(at)
		for _, role := range roles {
			if err := see(p.look(role)); err != nil {
				return err
			}
		}
		// A refused tap is part of the story: the station says why on its page.
		_ = p.maker.Step(at)
		if p.maker.Done() {
			idle += p.s.Every
		}
	}
	return nil
}

func (p *Play) look(role probe.Role) Moment {
	c, err := p.bench.Read(role)
	m := Moment{At: time.Duration(p.at.Load()), Time: p.Now(), Role: role, Err: err, In: true}
	if err == nil {
		m.Sample = probe.Sample{Celsius: c, MaybePowerOn: c == 85}
	}
	p.bench.Do(func(pot *Pot) {
		m.Wax = pot.Wax()
		if pot.oilKg > 0 && m.Wax > p.s.Limits.Flash {
			m.Over = append(m.Over, "flash-margin")
		}
		if p.s.Limits.Scorch > 0 && m.Wax > p.s.Limits.Scorch {
			m.Over = append(m.Over, "scorch")
		}
		w := p.bench.sensors[role]
		m.Tip, m.In = w.Tip(), !w.lifted
	})
	return m
}

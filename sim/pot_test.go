package sim_test

import (
	"encoding/csv"
	"math"
	"os"
	"strconv"
	"testing"
	"time"

	"example.org/meltstation/sim"
)

func fahrenheit(f float64) float64 { return (f - 32) / 1.8 }

// until steps the pot a second at a time until ok, and returns how long it took.
func until(t *testing.T, p *sim.Pot, limit time.Duration, what string, ok func() bool) time.Duration {
	t.Helper()
	from := p.Elapsed()
	for !ok() {
		if p.Elapsed()-from > limit {
			t.Fatalf("%s: not within %v; wax %.2f °C, bath %.2f °C", what, limit, p.Wax(), p.Bath())
		}
		p.Step(time.Second)
	}
	return p.Elapsed() - from
}

// The figures are common practice of container-candle makers, no source.
func TestDefaultPotKeepsTheFactsOfTheTrade(t *testing.T) {
	c := sim.Default()
	if lb := c.WaxGrams / 453.59237; math.Abs(lb-2) > 1e-6 {
		t.Fatalf("default wax %.4f lb, want 2", lb)
	}
	p := sim.NewPot(c)
	p.HeatOn()
	melt := until(t, p, time.Hour, "heat to 180 °F", func() bool { return p.Wax() >= fahrenheit(180) })
	boiling := p.Bath() >= p.Boiling()-0.1
	last := until(t, p, time.Hour, "180 to 185 °F", func() bool { return p.Wax() >= fahrenheit(185) })
	t.Logf("melting %v, last stretch %v", melt, last)
	if !boiling {
		t.Errorf("bath %.1f °C at 180 °F, want boiling", p.Bath())
	}
	if melt < 10*time.Minute || melt > 35*time.Minute {
		t.Errorf("melting to 180 °F took %v, want 10 to 35 min", melt)
	}
	if last < 45*time.Second || last > 80*time.Second {
		t.Errorf("180 to 185 °F took %v, want about a minute", last)
	}

	before := p.Wax()
	p.AddScent(2*28.349523125, 21) // 1 oz to 1 lb
	step := before - p.Wax()
	t.Logf("fragrance step %.2f K", step)
	if step < 2 || step > 5 {
		t.Errorf("fragrance lowered the wax by %.2f K, want 2 to 5", step)
	}
	p.Stir(true)
	p.Step(2 * time.Minute)
	p.Stir(false)
	p.HeatOff()
	p.JugOut()
	cool := until(t, p, 3*time.Hour, "cool to 135 °F", func() bool { return p.Wax() <= fahrenheit(135) })
	t.Logf("cooling %v", cool)
	// Checked by hand every 10 to 15 minutes: some three to five looks.
	if cool < 25*time.Minute || cool > 60*time.Minute {
		t.Errorf("cooling to 135 °F took %v, want 25 to 60 min", cool)
	}
}

func TestEnergyIsConserved(t *testing.T) {
	c := sim.Default()
	c.WaterGrams = 500 // boils dry on the way
	p := sim.NewPot(c)
	start := p.Stored()
	check := func(when string) {
		t.Helper()
		f := p.Flow()
		want := start + f.Burner + f.Added - f.Room - f.Vapour - f.Poured
		if got := p.Stored(); math.Abs(got-want) > 1e-6*math.Abs(f.Burner)+1e-3 {
			t.Errorf("%s: stored %.3f J, flows say %.3f J", when, got, want)
		}
	}
	p.HeatOn()
	p.Step(20 * time.Minute)
	check("heating")
	p.AddScent(60, 20)
	check("fragrance")
	p.AddWater(200, 15)
	check("water")
	p.Step(30 * time.Minute)
	check("boiled dry")
	if p.Water() != 0 {
		t.Errorf("%.0f g of water left, want a dry pan", p.Water())
	}
	p.HeatOff()
	p.JugOut()
	p.Step(30 * time.Minute)
	p.Pour(500)
	check("poured")
	p.Step(5 * time.Hour)
	check("set")
	if p.Liquid() != 0 {
		t.Errorf("liquid share %.4f after a night's worth, want 0", p.Liquid())
	}
}

func TestBathStaysAtBoilingUntilDry(t *testing.T) {
	c := sim.Default()
	c.Pressure = sim.Pressure(1609.344)
	p := sim.NewPot(c)
	p.HeatOn()
	for p.Water() > 0 {
		p.Step(time.Second)
		if p.Water() > 0 && p.Bath() > p.Boiling()+1e-9 {
			t.Fatalf("bath %.3f °C with %.0f g of water, boils at %.3f", p.Bath(), p.Water(), p.Boiling())
		}
		if p.Elapsed() > 8*time.Hour {
			t.Fatalf("still %.0f g of water after %v", p.Water(), p.Elapsed())
		}
	}
	dry := p.Elapsed()
	p.Step(10 * time.Minute)
	t.Logf("dry after %v; 10 min later pan %.0f °C, wax %.1f °C", dry, p.Bath(), p.Wax())
	if p.Wax() < p.Boiling() {
		t.Errorf("wax %.1f °C ten minutes after the bath boiled dry, want past %.1f", p.Wax(), p.Boiling())
	}
}

// Boiling points of the saturation line of IAPWS-IF97, altitudes by ISO 2533.
func TestBoilingPointAgainstTable(t *testing.T) {
	f, err := os.Open("../testdata/checks/boiling_points.csv")
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	r := csv.NewReader(f)
	r.Comment = '#'
	rows, err := r.ReadAll()
	if err != nil {
		t.Fatal(err)
	}
	n := 0
	for _, row := range rows[1:] {
		hPa, _ := strconv.ParseFloat(row[2], 64)
		want, err := strconv.ParseFloat(row[3], 64)
		if err != nil {
			t.Fatal(err)
		}
		if row[0] == "altitude_isa" {
			m, _ := strconv.ParseFloat(row[1], 64)
			if got := sim.Pressure(m); math.Abs(got-hPa) > 6e-3 {
				t.Errorf("pressure at %g m = %.4f hPa, want %g", m, got, hPa)
			}
			hPa = sim.Pressure(m)
		}
		if got := sim.BoilingPoint(hPa); math.Abs(got-want) > 1e-4 {
			t.Errorf("boiling point at %.3f hPa = %.5f °C, want %g", hPa, got, want)
		}
		n++
	}
	if n < 30 {
		t.Fatalf("only %d rows in the table", n)
	}
}

// Lumped capacitance (Incropera, section 5.1): a body bound tightly together,
// with one film coefficient that does not depend on temperature, cools along
// exp(-hA/mc t). Wax and jug are made one body, and the contact with the bench
// so good that the air is a correction of a few per cent.
func TestNewtonCoolingLimit(t *testing.T) {
	c := sim.Default()
	c.RoomSwing, c.RoomWander = 0, 0
	c.InnerFilm, c.BenchContact = 500000, 2000
	c.Wax.Liquidus, c.Wax.Solidus = 5, 0
	c.Room, c.WaxStart = 20, 90
	c.Jug.Grams = 1000
	c.Substep = time.Millisecond
	p := sim.NewPot(c)
	p.JugOut()
	p.Step(time.Minute) // let wax and jug find one another

	d := c.Jug.Diameter
	bottom := math.Pi / 4 * d * d
	fill := c.WaxGrams / 1000 / c.Wax.Density / bottom
	capacity := c.WaxGrams/1000*c.Wax.HeatLiquid + c.Jug.Grams/1000*c.Jug.Heat
	contact := c.BenchContact * bottom
	// Films of air over a difference of 20 to 60 K: 6 to 8 W/(m² K) by convection
	// and radiation on the wall, 11 to 13 on the wax.
	air := 7*math.Pi*d*(fill+(c.Jug.Height-fill)/3) + 12*bottom
	want := (contact + air) / capacity
	t0, from := p.Wax(), p.Elapsed()
	for _, at := range []time.Duration{time.Minute, 2 * time.Minute, 5 * time.Minute} {
		p.Step(from + at - p.Elapsed())
		got := -math.Log((p.Wax()-c.Room)/(t0-c.Room)) / at.Seconds()
		if math.Abs(got/want-1) > 0.015 {
			t.Errorf("after %v: k = %.6f /s, lumped capacitance gives %.6f", at, got, want)
		}
	}
}

func TestSettingHasAPlateauAndWarmsALittle(t *testing.T) {
	c := sim.Default()
	c.RoomSwing, c.RoomWander, c.WaxStart = 0, 0, 70
	p := sim.NewPot(c)
	p.JugOut()
	var lowest, rise float64 = 100, 0
	var spent time.Duration // within the first 3 K below the congealing point
	for p.Liquid() > 0.05 && p.Elapsed() < 12*time.Hour {
		p.Step(10 * time.Second)
		lowest = min(lowest, p.Wax())
		rise = max(rise, p.Wax()-lowest)
		if w := p.Wax(); w < c.Wax.Liquidus && w > c.Wax.Liquidus-3 {
			spent += 10 * time.Second
		}
	}
	t.Logf("rise %.2f K, %v within 3 K of the congealing point", rise, spent)
	if rise < 0.2 || rise > 2 {
		t.Errorf("wax warmed by %.2f K as it set, want 0.2 to 2", rise)
	}
	if spent < 15*time.Minute {
		t.Errorf("only %v on the plateau", spent)
	}
}

func TestSamePotSameNumbers(t *testing.T) {
	run := func(step time.Duration) (float64, float64) {
		p := sim.NewPot(sim.Default())
		p.HeatOn()
		for p.Elapsed() < 40*time.Minute {
			p.Step(step)
		}
		return p.Wax(), p.Room()
	}
	w1, r1 := run(40 * time.Millisecond)
	w2, r2 := run(10 * time.Minute)
	if w1 != w2 || r1 != r2 {
		t.Errorf("pace changed the numbers: wax %v and %v, room %v and %v", w1, w2, r1, r2)
	}
}

func TestSubstepIsSmallEnough(t *testing.T) {
	run := func(h time.Duration) float64 {
		c := sim.Default()
		c.Substep, c.RoomWander = h, 0
		p := sim.NewPot(c)
		p.HeatOn()
		p.Step(18 * time.Minute)
		p.HeatOff()
		p.JugOut()
		p.Step(30 * time.Minute)
		return p.Wax()
	}
	coarse, fine := run(250*time.Millisecond), run(25*time.Millisecond)
	if math.Abs(coarse-fine) > 0.02 {
		t.Errorf("wax %.4f °C in steps of 250 ms, %.4f in steps of 25 ms", coarse, fine)
	}
}

func BenchmarkPot(b *testing.B) {
	p := sim.NewPot(sim.Default())
	p.HeatOn()
	b.ReportAllocs()
	for b.Loop() {
		p.Step(time.Second)
	}
	b.ReportMetric(float64(p.Elapsed().Seconds())/b.Elapsed().Seconds(), "simulated-s/s")
}

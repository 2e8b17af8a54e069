package units_test

import (
	"encoding/json"
	"errors"
	"math"
	"os"
	"testing"
	"time"

	"pgregory.net/rapid"

	"example.org/meltstation/alerts/plan/units"
)

func near(t *testing.T, what string, got, want float64) {
	t.Helper()
	if math.Abs(got-want) > 1e-12*math.Max(1, math.Abs(want)) {
		t.Errorf("%s = %.15g, want %.15g", what, got, want)
	}
}

// The factors and pairs are those of NIST SP 811, appendix B.8, and NIST Handbook
// 44, appendix C (1 lb = 453.592 37 g, 1 US fl oz = 29.573 529 562 5 mL, exactly).
func TestPublishedFactors(t *testing.T) {
	data, err := os.ReadFile("../../../testdata/checks/units.json")
	if err != nil {
		t.Fatal(err)
	}
	var table struct {
		Examples map[string]float64 `json:"examples"`
	}
	if err := json.Unmarshal(data, &table); err != nil {
		t.Fatal(err)
	}
	ex := func(key string) float64 {
		v, ok := table.Examples[key]
		if !ok {
			t.Fatalf("testdata/checks/units.json has no example %q", key)
		}
		return v
	}
	for _, f := range []string{"135F", "185F", "125F", "160F", "-40F", "212F"} {
		got, err := units.ParseTemperature(f)
		if err != nil {
			t.Fatal(err)
		}
		near(t, f, got, ex(f))
	}
	near(t, "57.2 °C", units.Fahrenheit(57.2), ex("57.2C"))
	lb, err := units.ParseMass("1 lb")
	if err != nil {
		t.Fatal(err)
	}
	near(t, "1 lb", lb, 453.59237)
	near(t, "8 % of a pound", 0.08*lb, ex("1 lb wax at 8% load, g oil"))
	oz, _ := units.ParseMass("1 oz")
	near(t, "1 oz", oz, 28.349523125)
	floz, err := units.ParseVolume("1 fl oz")
	if err != nil {
		t.Fatal(err)
	}
	near(t, "1 US fl oz", floz, 29.5735295625)
	gallon, _ := units.ParseVolume("128 fl oz")
	near(t, "US gallon of 231 cubic inches", gallon, 231*2.54*2.54*2.54)
}

func TestADifferenceHasNo32InIt(t *testing.T) {
	// 29 CFR 1910.106(a)(19): "30 °F (16.7 °C)".
	got, err := units.ParseDifference("30 °F")
	if err != nil || math.Abs(got-16.6666666666667) > 1e-12 {
		t.Errorf("30 °F is %g K (%v), want 16.67", got, err)
	}
	if s := units.Difference(got, "F", 0); s != "30 °F" {
		t.Errorf("written back as %q", s)
	}
}

func TestParse(t *testing.T) {
	temperature := func(s string) (float64, error) { return units.ParseTemperature(s) }
	mass := func(s string) (float64, error) { return units.ParseMass(s) }
	volume := func(s string) (float64, error) { return units.ParseVolume(s) }
	seconds := func(s string) (float64, error) { d, err := units.ParseDuration(s); return d.Seconds(), err }
	density := func(s string) (float64, error) { return units.ParseDensity(s) }
	percent := func(s string) (float64, error) { return units.ParsePercent(s) }
	const lb, oz = 453.59237, 28.349523125
	tests := []struct {
		name  string
		parse func(string) (float64, error)
		in    string
		want  float64
	}{
		{"plain", temperature, "85 °C", 85},
		{"no blank", temperature, "85C", 85},
		{"words", temperature, "185 deg F", 85},
		{"one sign", temperature, "185℉", 85},
		{"small letter", temperature, " 185 f ", 85},
		{"decimal comma", temperature, "57,2 °C", 57.2},
		{"minus sign", temperature, "−40 °F", -40},
		{"grams", mass, "250 g", 250},
		{"kilograms", mass, "1,5 kg", 1500},
		{"pounds and ounces", mass, "2 lb 3 oz", 2*lb + 3*oz},
		{"no blanks", mass, "2lb3oz", 2*lb + 3*oz},
		{"and", mass, "2 pounds and 3.5 ounces", 2*lb + 3.5*oz},
		{"millilitres", volume, "250 ml", 250},
		{"litres", volume, "1.9 l", 1900},
		{"cubic", volume, "300 cm3", 300},
		{"fluid ounces", volume, "8 fl. oz.", 8 * 29.5735295625},
		{"hours", seconds, "3 h", 10800},
		{"hours and minutes", seconds, "1 h 30 min", 5400},
		{"days", seconds, "14 days", 14 * 86400},
		{"weeks", seconds, "2 weeks", 14 * 86400},
		{"density", density, "0.88 g/ml", 0.88},
		{"density in kilograms", density, "880 kg/m³", 0.88},
		{"percent", percent, "6.25 %", 6.25},
		{"bare percent", percent, "6.25", 6.25},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			got, err := tt.parse(tt.in)
			if err != nil {
				t.Fatal(err)
			}
			near(t, tt.in, got, tt.want)
		})
	}
}

func TestRefused(t *testing.T) {
	tests := []struct {
		name string
		err  error
		want error
	}{
		{"bare temperature could be either", second(units.ParseTemperature("185")), units.ErrUnit},
		{"kelvin is not a kitchen's", second(units.ParseTemperature("358 K")), units.ErrUnit},
		{"below absolute zero", second(units.ParseTemperature("-500 F")), nil},
		{"fluid ounces are no mass", second(units.ParseMass("8 fl oz")), units.ErrUnit},
		{"ounces are no volume", second(units.ParseVolume("8 oz")), units.ErrUnit},
		{"bare mass", second(units.ParseMass("8")), units.ErrUnit},
		{"comma of two meanings", second(units.ParseMass("1,500 g")), units.ErrNumber},
		{"two points", second(units.ParseMass("1.5.0 g")), units.ErrNumber},
		{"negative", second(units.ParseMass("-1 g")), nil},
		{"empty", second(units.ParseMass(" ")), units.ErrNumber},
		{"not a number", second(units.ParseMass("NaN g")), units.ErrNumber},
		{"infinite", second(units.ParseMass("1e999 g")), units.ErrUnit},
		{"a century", second(units.ParseDuration("40000 days")), nil},
		{"negative percentage", second(units.ParsePercent("-2 %")), nil},
		{"no density", second(units.ParseDensity("0 g/ml")), nil},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			if tt.err == nil {
				t.Fatal("taken")
			}
			if tt.want != nil && !errors.Is(tt.err, tt.want) {
				t.Errorf("%v, want %v", tt.err, tt.want)
			}
		})
	}
}

func second[T any](_ T, err error) error { return err }

func TestFormat(t *testing.T) {
	const oz = 28.349523125
	for _, tt := range []struct{ got, want string }{
		{units.Temperature(85, "F", 0), "185 °F"},
		{units.Temperature(57.2, "C", 1), "57.2 °C"},
		{units.Temperature(-0.01, "C", 0), "0 °C"},
		{units.Mass(907.18474, "g", 1), "907 g"},
		{units.Mass(907.18474, "oz", 0.1*oz), "2 lb"},
		{units.Mass(15.96*oz, "oz", 0.1*oz), "1 lb"}, // never "16.0 oz"
		{units.Mass(15.94*oz, "oz", 0.1*oz), "15.9 oz"},
		{units.Mass(35.1*oz, "oz", 0.1*oz), "2 lb 3.1 oz"},
		{units.Mass(31.97*oz, "oz", 0.1*oz), "2 lb"}, // never "1 lb 16.0 oz"
		{units.Mass(-35.1*oz, "oz", 0.1*oz), "-2 lb 3.1 oz"},
		{units.Mass(0.35*oz, "oz", 0.01*oz), "0.35 oz"},
		{units.Mass(12.34, "g", 0.1), "12.3 g"},
		{units.Mass(1.25, "g", 0.01), "1.25 g"},
		{units.Mass(1234, "g", 5), "1234 g"},
		{units.Volume(118.294118, "oz"), "4 fl oz"},
		{units.Duration(90 * time.Second), "90 s"},
		{units.Duration(10 * time.Minute), "10 min"},
		{units.Duration(80 * time.Minute), "1 h 20 min"},
		{units.Duration(24 * time.Hour), "24 h"},
		{units.Duration(14 * 24 * time.Hour), "14 days"},
		{units.Percent(6.25), "6.25 %"},
		{units.Percent(8), "8 %"},
		{units.ScaleUnit(0.1 * oz), "oz"},
		{units.ScaleUnit(0.1), "g"},
		{units.ScaleUnit(1), "g"},
	} {
		if tt.got != tt.want {
			t.Errorf("got %q, want %q", tt.got, tt.want)
		}
	}
}

func TestExactTextReadsBackTheSame(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		prefer := rapid.SampledFrom([]string{"C", "F", "g", "oz"}).Draw(t, "prefer")
		check := func(what, text string, want float64, parse func(string) (float64, error)) {
			got, err := parse(text)
			if err != nil || got != want {
				t.Fatalf("%s %v is written %q and read back as %v (%v)", what, want, text, got, err)
			}
		}
		v := rapid.Float64Range(0.001, 1e5).Draw(t, "v")
		check("mass", units.ExactMass(v, prefer), v, units.ParseMass)
		check("volume", units.ExactVolume(v, prefer), v, units.ParseVolume)
		check("difference", units.ExactDifference(v, prefer), v, units.ParseDifference)
		c := rapid.Float64Range(-200, 400).Draw(t, "celsius")
		check("temperature", units.ExactTemperature(c, prefer), c, units.ParseTemperature)
		d := time.Duration(rapid.Int64Range(0, int64(400*24*time.Hour/time.Millisecond)).Draw(t, "d")) * time.Millisecond
		if got, err := units.ParseDuration(units.ExactDuration(d)); err != nil || got != d {
			t.Fatalf("%v is written %q and read back as %v (%v)", d, units.ExactDuration(d), got, err)
		}
	})
}

func TestRoundTrips(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		c := rapid.Float64Range(-273.15, 500).Draw(t, "c")
		if back := units.Celsius(units.Fahrenheit(c)); math.Abs(back-c) > 1e-12*1000 {
			t.Fatalf("%v °C comes back as %v", c, back)
		}
		step := rapid.SampledFrom([]float64{0.01, 0.1, 1, 5, 0.1 * units.GramsPerOunce}).Draw(t, "step")
		g := rapid.Float64Range(0, 1e5).Draw(t, "g")
		up, nearest := units.Up(g, step), units.Nearest(g, step)
		if up < g-1e-8*step || up-g > step*1.0000001 || math.Abs(nearest-g) > step*0.5000001 {
			t.Fatalf("%v in steps of %v: up %v, nearest %v", g, step, up, nearest)
		}
		if again := units.Up(up, step); math.Abs(again-up) > 1e-6*step {
			t.Fatalf("rounding twice moves %v to %v", up, again)
		}
	})
}

func FuzzParse(f *testing.F) {
	for _, s := range []string{"185 °F", "2 lb 3 oz", "57,2 °C", "1,500 g", "300 cm3", "8 fl oz", "-40F", "\xff°", "1 h 30 min", "6.25 %", "0.88 g/ml", "１０ g", "9e9 g", "1cm3cm3"} {
		f.Add(s)
	}
	f.Fuzz(func(t *testing.T, s string) {
		finite := func(what string, v float64, err error) {
			if err == nil && (math.IsNaN(v) || math.IsInf(v, 0)) {
				t.Errorf("%s %q gives %v", what, s, v)
			}
		}
		v, err := units.ParseTemperature(s)
		finite("temperature", v, err)
		v, err = units.ParseDifference(s)
		finite("difference", v, err)
		v, err = units.ParseMass(s)
		finite("mass", v, err)
		if err == nil && v < 0 {
			t.Errorf("mass %q gives %v", s, v)
		}
		v, err = units.ParseVolume(s)
		finite("volume", v, err)
		v, err = units.ParseDensity(s)
		finite("density", v, err)
		v, err = units.ParsePercent(s)
		finite("percent", v, err)
		if d, err := units.ParseDuration(s); err == nil && d < 0 {
			t.Errorf("time %q gives %v", s, d)
		}
	})
}

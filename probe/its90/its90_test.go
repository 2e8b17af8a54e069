package its90_test

import (
	"encoding/csv"
	"errors"
	"math"
	"os"
	"strconv"
	"testing"

	"pgregory.net/rapid"

	"example.org/meltstation/probe/its90"
)

func rows(t *testing.T, name string) [][]string {
	t.Helper()
	f, err := os.Open("../../testdata/checks/" + name)
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	r, err := csv.NewReader(f).ReadAll()
	if err != nil {
		t.Fatal(err)
	}
	return r[1:]
}

func num(t *testing.T, s string) float64 {
	t.Helper()
	v, err := strconv.ParseFloat(s, 64)
	if err != nil {
		t.Fatal(err)
	}
	return v
}

// Every whole degree from -50 to 400 °C of the NIST tables (Standard Reference
// Database 60, files type_k.tab, type_j.tab, type_t.tab; Monograph 175) must come
// out within the table's own rounding, half a microvolt; and back within what
// that rounding is worth.
func TestNISTTables(t *testing.T) {
	n := map[its90.Type]int{}
	for _, r := range rows(t, "thermocouple_full_-50_400.csv") {
		typ, err := its90.ParseType(r[0])
		if err != nil {
			t.Fatal(err)
		}
		n[typ]++
		c, mv := num(t, r[1]), num(t, r[2])
		got, err := typ.EMF(c)
		if err != nil || math.Abs(got-mv) > 0.0005+1e-9 {
			t.Errorf("type %v at %v °C: %.6f mV, %v; the table says %.3f", typ, c, got, err, mv)
		}
		back, err := typ.Temperature(mv)
		if err != nil || math.Abs(back-c) > 0.02 { // 0.5 µV at 34 µV/°C or more
			t.Errorf("type %v at %v mV: %.4f °C, %v; the table says %v", typ, mv, back, err, c)
		}
	}
	for _, typ := range []its90.Type{its90.K, its90.J, its90.T} {
		if n[typ] != 451 {
			t.Errorf("type %v: %d rows, want 451", typ, n[typ])
		}
	}
}

// The published inverse polynomials against the published bounds of their error
// (same source), over the whole range of each.
func TestPublishedInverse(t *testing.T) {
	for _, p := range []struct {
		typ      its90.Type
		from, to float64 // °C
		lo, hi   float64 // published error, °C
	}{
		{its90.K, -200, 0, -0.02, 0.04}, {its90.K, 0, 500, -0.05, 0.04}, {its90.K, 500, 1372, -0.05, 0.06},
		{its90.J, -210, 0, -0.05, 0.03}, {its90.J, 0, 760, -0.04, 0.04}, {its90.J, 760, 1200, -0.04, 0.03},
		{its90.T, -200, 0, -0.02, 0.04}, {its90.T, 0, 400, -0.03, 0.03},
		{its90.N, -200, 0, -0.02, 0.03}, {its90.N, 0, 600, -0.02, 0.03}, {its90.N, 600, 1300, -0.04, 0.02}, // N from memory
	} {
		for c := p.from + 0.25; c <= p.to; c += 0.25 { // where two meet, the lower one counts
			mv, err := p.typ.EMF(c)
			if err != nil {
				t.Fatal(err)
			}
			got, err := p.typ.Approximate(mv)
			// The bounds are published to two decimals.
			if d := got - c; err != nil || d < p.lo-0.005 || d > p.hi+0.005 {
				t.Errorf("type %v at %v °C: the polynomial is off by %.4f (%v), published %v to %v", p.typ, c, d, err, p.lo, p.hi)
				break
			}
		}
	}
}

// Reference table of type N (NIST SRD 60), values from memory.
func TestTypeN(t *testing.T) {
	for c, mv := range map[float64]float64{
		-270: -4.345, -200: -3.990, -150: -3.336, -100: -2.407, -50: -1.269, 0: 0, 10: 0.261, 25: 0.659, 50: 1.340,
		100: 2.774, 150: 4.302, 200: 5.913, 300: 9.341, 400: 12.974, 500: 16.748, 600: 20.613, 700: 24.527,
		800: 28.455, 900: 32.371, 1000: 36.256, 1100: 40.087, 1200: 43.846, 1300: 47.513,
	} {
		if got, err := its90.N.EMF(c); err != nil || math.Abs(got-mv) > 0.0005+1e-9 {
			t.Errorf("at %v °C: %.6f mV, %v; the table says %.3f", c, got, err, mv)
		}
	}
}

// Cold-junction compensation, worked by hand from the NIST functions: voltages
// are added, not temperatures.
func TestCompensate(t *testing.T) {
	for _, w := range []struct {
		typ            its90.Type
		hot, cold, mv  float64
		wrongByAtLeast float64 // what adding temperatures would be off by
	}{
		{its90.K, 85, 25, 2.474085, 0.5},
		{its90.K, 57.2, 23.5, 1.381043, 0.3},
		{its90.J, 85, 25, 3.178905, 0.5},
		{its90.T, 85, 25, 2.593098, 1},
	} {
		got, err := w.typ.Compensate(w.mv, w.cold)
		if err != nil || math.Abs(got-w.hot) > 0.0001 {
			t.Errorf("type %v, %v mV, cold %v °C: %.5f, %v; want %v", w.typ, w.mv, w.cold, got, err, w.hot)
		}
		naive, err := w.typ.Temperature(w.mv)
		if err != nil || math.Abs(naive+w.cold-w.hot) < w.wrongByAtLeast {
			t.Errorf("type %v: adding temperatures gives %.3f, so this case would not catch the mistake", w.typ, naive+w.cold)
		}
	}
}

// Seebeck slopes in µV/°C at room, pour and scent-add temperatures, computed from
// the NIST functions.
func TestSlopes(t *testing.T) {
	for typ, want := range map[its90.Type][4]float64{
		its90.K: {40.518, 41.379, 41.543, 41.527}, its90.J: {51.752, 53.117, 53.706, 53.991}, its90.T: {40.682, 43.429, 44.883, 45.664},
	} {
		for i, c := range []float64{25, 57.2, 75, 85} {
			lo, _ := typ.EMF(c - 0.01)
			hi, _ := typ.EMF(c + 0.01)
			if got := (hi - lo) / 0.02 * 1000; math.Abs(got-want[i]) > 0.001 {
				t.Errorf("type %v at %v °C: %.4f µV/°C, want %v", typ, c, got, want[i])
			}
		}
	}
}

func TestRange(t *testing.T) {
	for _, typ := range []its90.Type{its90.K, its90.J, its90.T, its90.N} {
		lo, hi := typ.Range()
		for _, c := range []float64{lo, hi, 0, -1e-9} {
			mv, err := typ.EMF(c)
			if err != nil {
				t.Errorf("type %v at %v °C: %v", typ, c, err)
			}
			if back, err := typ.Temperature(mv); err != nil || math.Abs(back-c) > 1e-6 {
				t.Errorf("type %v: %v °C became %v, %v", typ, c, back, err)
			}
		}
		for _, c := range []float64{-300, hi + 1, math.NaN(), math.Inf(1)} {
			if _, err := typ.EMF(c); !errors.Is(err, its90.ErrRange) {
				t.Errorf("type %v at %v °C: %v", typ, c, err)
			}
		}
		for _, mv := range []float64{-20, 100, math.NaN(), math.Inf(-1)} {
			if _, err := typ.Temperature(mv); !errors.Is(err, its90.ErrRange) {
				t.Errorf("type %v at %v mV: %v", typ, mv, err)
			}
		}
		if _, err := typ.Compensate(1, 2000); !errors.Is(err, its90.ErrRange) {
			t.Errorf("type %v with a cold junction at 2000 °C: %v", typ, err)
		}
	}
	for _, s := range []string{"", "S", "KK", "Ä", "\x00"} {
		if _, err := its90.ParseType(s); err == nil {
			t.Errorf("type %q taken", s)
		}
	}
}

func TestRoundTrip(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		typ := rapid.SampledFrom([]its90.Type{its90.K, its90.J, its90.T, its90.N}).Draw(t, "type")
		lo, hi := typ.Range()
		c := rapid.Float64Range(lo, hi).Draw(t, "celsius")
		cold := rapid.Float64Range(0, 50).Draw(t, "cold")
		e, err := typ.EMF(c)
		if err != nil {
			t.Fatal(err)
		}
		ec, err := typ.EMF(cold)
		if err != nil {
			t.Fatal(err)
		}
		if got, err := typ.Compensate(e-ec, cold); err != nil || math.Abs(got-c) > 1e-6 {
			t.Fatalf("type %v: %v °C over %v became %v, %v", typ, c, cold, got, err)
		}
	})
}

func BenchmarkCompensate(b *testing.B) {
	for b.Loop() {
		if _, err := its90.K.Compensate(2.474085, 25); err != nil {
			b.Fatal(err)
		}
	}
}

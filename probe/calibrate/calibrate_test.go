package calibrate_test

import (
	"encoding/csv"
	"fmt"
	"math"
	"math/rand/v2"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"sync"
	"testing"
	"time"

	"pgregory.net/rapid"

	"example.org/meltstation/probe/calibrate"
)

var day = time.Date(2026, 3, 1, 10, 0, 0, 0, time.UTC)

// Boiling points by IAPWS-IF97 for 18 pressures and 18 altitudes of the standard
// atmosphere, each to a tenth of a millidegree.
func TestBoilingTable(t *testing.T) {
	f, err := os.Open("../../testdata/checks/boiling_points.csv")
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	rows, err := csv.NewReader(f).ReadAll()
	if err != nil {
		t.Fatal(err)
	}
	n := 0
	for _, r := range rows[1:] {
		num := func(s string) float64 {
			v, err := strconv.ParseFloat(s, 64)
			if err != nil {
				t.Fatal(err)
			}
			return v
		}
		p, want := num(r[2]), num(r[3])
		if r[0] == "altitude_isa" {
			got, err := calibrate.Pressure(num(r[1]))
			if err != nil || math.Abs(got-p) > 0.0006 {
				t.Errorf("at %s m: %.4f hPa, %v; want %v", r[1], got, err, p)
			}
			p = got
		}
		if got, err := calibrate.Boiling(p); err != nil || math.Abs(got-want) > 0.00006 {
			t.Errorf("at %v hPa water boils at %.5f °C, %v; want %v", p, got, err, want)
		}
		n++
	}
	if n != 36 {
		t.Errorf("%d rows", n)
	}
}

// The release's own check values (IAPWS R7-97(2012), table 36): saturation
// temperatures at 0.1, 1 and 10 MPa. Only the first is a kitchen's.
func TestIF97(t *testing.T) {
	for p, want := range map[float64]float64{0.1: 372.755919, 1: 453.035632, 10: 584.149488} {
		if got := calibrate.Saturation(p); math.Abs(got-want) > 1e-6 {
			t.Errorf("at %v MPa: %.6f K, the release says %v", p, got, want)
		}
	}
	// A steam table of another origin (an encyclopaedia's): kPa at whole degrees.
	for c, kPa := range map[float64]float64{85: 57.815, 90: 70.117, 95: 84.529, 100: 101.32} {
		if got, err := calibrate.Boiling(10 * kPa); err != nil || math.Abs(got-c) > 0.03 {
			t.Errorf("at %v kPa: %.3f °C, %v; the steam table says %v", kPa, got, err, c)
		}
	}
}

// Pressures of the standard atmosphere as a table gives them (rounded from psi,
// hence 20 Pa).
func TestStandardAtmosphere(t *testing.T) {
	for m, pa := range map[float64]float64{0: 101325, 152.4: 99491, 304.8: 97733, 609.6: 94210, 914.4: 90825, 1524: 84323, 3048: 69692} {
		if got, err := calibrate.Pressure(m); err != nil || math.Abs(100*got-pa) > 20 {
			t.Errorf("at %v m: %.0f Pa, %v; want %v", m, 100*got, err, pa)
		}
	}
	for _, m := range []float64{-500, 9000, math.NaN()} {
		if _, err := calibrate.Pressure(m); err == nil {
			t.Errorf("%v m taken", m)
		}
	}
	for _, p := range []float64{29.9, 499, 1101, math.NaN(), math.Inf(1)} {
		if _, err := calibrate.Boiling(p); err == nil {
			t.Errorf("%v hPa taken", p)
		}
	}
}

func point(k calibrate.Kind, right, raw float64, at time.Time) calibrate.Point {
	return calibrate.Point{Probe: "p", Kind: k, True: right, Raw: raw, At: at, By: "Ada"}
}

func TestFrom(t *testing.T) {
	ice := point(calibrate.Ice, 0, 0.3, day)
	boil := point(calibrate.Boil, 96.6488, 96.1, day.Add(time.Hour))
	for _, tc := range []struct {
		name   string
		points []calibrate.Point
		raw    float64
		want   float64
		n      int
	}{
		{"nothing", nil, 57, 57, 0},
		{"ice alone is an offset", []calibrate.Point{ice}, 57, 56.7, 1},
		// Worked by hand: gain 96.6488/95.8 = 1.0088601.
		{"two points are a line", []calibrate.Point{ice, boil}, 57, 57.2024, 2},
		{"order of taking doesn't matter", []calibrate.Point{point(calibrate.Boil, 96.6488, 96.1, day), point(calibrate.Ice, 0, 0.3, day.Add(time.Hour))}, 57, 57.2024, 2},
		{"the newest of each counts", []calibrate.Point{point(calibrate.Ice, 0, -3, day.Add(-time.Hour)), ice, boil}, 57, 57.2024, 2},
		{"old ice doesn't join a new boil", []calibrate.Point{point(calibrate.Ice, 0, 0.3, day.Add(-100*24*time.Hour)), boil}, 57, 57.5488, 1},
		{"too close together for a line", []calibrate.Point{point(calibrate.Reference, 50, 50.5, day), point(calibrate.Reference, 57, 57.2, day)}, 57, 56.8, 1},
		{"a line that no thermometer has", []calibrate.Point{point(calibrate.Reference, 20, 28, day), point(calibrate.Reference, 57, 50, day)}, 57, 64, 1},
		{"forgotten", []calibrate.Point{ice, boil, point(calibrate.None, 0, 0, day.Add(2*time.Hour))}, 57, 57, 0},
		{"taken again after forgetting", []calibrate.Point{ice, point(calibrate.None, 0, 0, day), point(calibrate.Boil, 100, 99.5, day)}, 57, 57.5, 1},
	} {
		c := calibrate.From(tc.points)
		if got := c.Apply(tc.raw); math.Abs(got-tc.want) > 5e-5 || len(c.Points()) != tc.n {
			t.Errorf("%s: %v became %.4f with %d points; want %v with %d", tc.name, tc.raw, got, len(c.Points()), tc.want, tc.n)
		}
		if (c.Adjust() == nil) != (tc.n == 0) {
			t.Errorf("%s: Adjust is nil: %v", tc.name, c.Adjust() == nil)
		}
	}
}

// However points come, the correction is finite, rises with the reading, and is
// exact at the newest point.
func TestFromProperties(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		var pts []calibrate.Point
		for i := range rapid.IntRange(1, 6).Draw(t, "n") {
			right := rapid.Float64Range(-20, 200).Draw(t, "true")
			pts = append(pts, point(calibrate.Reference, right, right+rapid.Float64Range(-9.999, 9.999).Draw(t, "off"), day.Add(time.Duration(i)*24*time.Hour)))
		}
		c := calibrate.From(pts)
		last := pts[len(pts)-1]
		if got := c.Apply(last.Raw); math.Abs(got-last.True) > 1e-9 {
			t.Fatalf("%v became %v, want %v", last.Raw, got, last.True)
		}
		a := rapid.Float64Range(-50, 400).Draw(t, "a")
		if x, y := c.Apply(a), c.Apply(a+1); !(y-x >= 0.9-1e-9 && y-x <= 1.1+1e-9) {
			t.Fatalf("a degree became %v", y-x)
		}
	})
}

func TestWarnings(t *testing.T) {
	ds, k := calibrate.ClassOf("DS18B20"), calibrate.ClassOf("K")
	for _, tc := range []struct {
		name  string
		p     calibrate.Point
		class calibrate.Class
		now   time.Time
		want  []string
	}{
		{"all well", point(calibrate.Ice, 0, 0.5, day), ds, day, nil},
		{"more than the class", point(calibrate.Ice, 0, 0.6, day), ds, day, []string{"0.60 °C too high", "±0.5 °C", "a DS18B20"}},
		{"wider at the boil", point(calibrate.Boil, 99.6, 98.7, day), ds, day, nil},
		{"low at the boil", point(calibrate.Boil, 99.6, 98.5, day), ds, day, []string{"too low", "±1.0 °C"}},
		{"a thermocouple may be off more", point(calibrate.Boil, 99.6, 97.5, day), k, day, nil},
		{"old", point(calibrate.Ice, 0, 0, day), ds, day.AddDate(0, 14, 0), []string{"13 months old"}},
		{"from the future", point(calibrate.Ice, 0, 0, day), ds, day.AddDate(0, 0, -3), []string{"clock"}},
	} {
		got := strings.Join(calibrate.From([]calibrate.Point{tc.p}).Warnings(tc.now, tc.class), "\n")
		if len(tc.want) == 0 && got != "" {
			t.Errorf("%s: %s", tc.name, got)
		}
		for _, w := range tc.want {
			if !strings.Contains(got, w) {
				t.Errorf("%s: %q lacks %q", tc.name, got, w)
			}
		}
	}
	if got := (calibrate.Calibration{}).Warnings(day, ds); got != nil {
		t.Errorf("nothing to warn of, got %v", got)
	}
}

func TestSteady(t *testing.T) {
	rng := rand.New(rand.NewPCG(3, 4))
	feed := func(f func(sec float64) float64, seconds int) calibrate.Verdict {
		s := calibrate.Steady{Window: time.Minute}
		for i := range seconds + 1 {
			s.Add(day.Add(time.Duration(i)*time.Second), f(float64(i)))
		}
		return s.Verdict()
	}
	q := func(v, step float64) float64 { return math.Round(v/step) * step }
	for _, tc := range []struct {
		name    string
		f       func(float64) float64
		seconds int
		want    bool
	}{
		{"still", func(float64) float64 { return q(0.3+0.03*rng.NormFloat64(), 1./16) }, 60, true},
		{"not long enough", func(float64) float64 { return 0.3 }, 59, false},
		{"whole degrees, one flipping", func(s float64) float64 { return math.Round(57.49 + 0.02*rng.NormFloat64()) }, 60, true},
		{"drifting slowly", func(s float64) float64 { return s * 0.2 / 60 }, 60, false},
		{"still settling", func(s float64) float64 { return 20 * math.Exp(-s/40) }, 120, false},
		{"settled", func(s float64) float64 { return q(20*math.Exp(-s/40), 1./16) }, 400, true},
		{"noisy", func(float64) float64 { return 0.3 * rng.NormFloat64() }, 60, false},
	} {
		v := feed(tc.f, tc.seconds)
		if v.Steady != tc.want {
			t.Errorf("%s: %+v", tc.name, v)
		}
	}
	v := feed(func(s float64) float64 { return 50 + 0.1*s/60 }, 300)
	if math.Abs(v.Drift-0.1) > 1e-9 || math.Abs(v.Mean-(50+0.1*270/60)) > 1e-9 || v.Span != time.Minute || v.Readings != 61 {
		t.Errorf("a straight rise of 0.1 °C a minute: %+v", v)
	}
	s := calibrate.Steady{Window: time.Minute}
	if v := s.Verdict(); v.Steady || v.Readings != 0 {
		t.Errorf("nothing yet: %+v", v)
	}
}

func TestBook(t *testing.T) {
	path := filepath.Join(t.TempDir(), "data", calibrate.FileName)
	b, err := calibrate.Load(path)
	if err != nil || len(b.Points) != 0 {
		t.Fatalf("no file: %v, %v", b, err)
	}
	ice := point(calibrate.Ice, 0, 0.3, day)
	ice.Note, ice.Spread = "crushed ice", 0.031
	if _, err := calibrate.Add(path, ice); err != nil {
		t.Fatal(err)
	}
	if _, err := calibrate.Add(path, point(calibrate.Boil, 96.6488, 96.1, day.Add(time.Hour))); err != nil {
		t.Fatal(err)
	}
	if b, err = calibrate.Load(path); err != nil {
		t.Fatal(err)
	}
	if got := b.For("p").Apply(57); math.Abs(got-57.2024) > 5e-5 {
		t.Errorf("57 became %v", got)
	}
	if got := b.For("other").Apply(57); got != 57 {
		t.Errorf("another probe: %v", got)
	}
	if p := b.Of("p"); len(p) != 2 || p[0] != ice {
		t.Errorf("read back %+v", p)
	}
	st, err := os.Stat(path)
	if err != nil || st.Mode().Perm() != 0o600 {
		t.Errorf("mode %v, %v", st.Mode(), err)
	}
	before, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	if _, err := calibrate.Add(path, point(calibrate.Ice, 0, 21, day)); err == nil || !strings.Contains(err.Error(), "right place") {
		t.Errorf("a point 21 °C off: %v", err)
	}
	if after, err := os.ReadFile(path); err != nil || string(after) != string(before) {
		t.Error("a refused point changed the file")
	}
	left, err := filepath.Glob(path + ".*")
	if err != nil || len(left) != 1 {
		t.Errorf("left beside the file: %v", left)
	}
}

func TestBookAtOnce(t *testing.T) {
	path := filepath.Join(t.TempDir(), calibrate.FileName)
	var wg sync.WaitGroup
	for i := range 8 {
		wg.Go(func() {
			p := point(calibrate.Ice, 0, 0.1, day.Add(time.Duration(i)*time.Minute))
			p.Probe = fmt.Sprint("p", i)
			if _, err := calibrate.Add(path, p); err != nil {
				t.Error(err)
			}
		})
	}
	wg.Wait()
	if b, err := calibrate.Load(path); err != nil || len(b.Probes()) != 8 {
		t.Errorf("%v, %v", b.Probes(), err)
	}
}

func TestParseRefused(t *testing.T) {
	ok := "[[point]]\nprobe = \"p\"\nkind = \"ice\"\ntrue_c = 0.0\nraw_c = 0.3\nspread_c = 0.0\ndrift_c_per_minute = 0.0\nat = 2026-03-01T10:00:00Z\nby = \"Ada\"\n"
	if _, err := calibrate.Parse([]byte(ok)); err != nil {
		t.Fatal(err)
	}
	for want, text := range map[string]string{
		"line 6":   "[[point]]\nprobe = \"p\"\nkind = \"ice\"\nat = 2026-03-01T10:00:00Z\nraw_c = 0.3\ncolour = 1\n",
		"line 10":  ok + "[[point]]\nprobe = \"p\"\nkind = \"steam\"\nat = 2026-03-01T10:00:00Z\n",
		"line 3":   "\n[[point]]\nprobe = \n",
		"no probe": "[[point]]\nkind = \"ice\"\nat = 2026-03-01T10:00:00Z\n",
		"no date":  "[[point]]\nprobe = \"p\"\nkind = \"ice\"\n",
		"°C off":   strings.Replace(ok, "raw_c = 0.3", "raw_c = 30.0", 1),
		"number":   strings.Replace(ok, "raw_c = 0.3", "raw_c = nan", 1),
	} {
		if _, err := calibrate.Parse([]byte(text)); err == nil || !strings.Contains(err.Error(), want) {
			t.Errorf("%q: %v, want %q", text, err, want)
		}
	}
}

// Whatever a calibration file holds, it is refused or its corrections are finite.
func FuzzParse(f *testing.F) {
	f.Add([]byte("[[point]]\nprobe = \"p\"\nkind = \"ice\"\ntrue_c = 0.0\nraw_c = 0.3\nat = 2026-03-01T10:00:00Z\nby = \"Ada\"\n"))
	f.Add([]byte("[[point]]\nprobe = \"p\"\nkind = \"none\"\nat = 2026-03-01T10:00:00Z\n"))
	f.Add([]byte("[[point]]\nraw_c = inf\n"))
	f.Add([]byte("point = 1\n"))
	f.Add([]byte(""))
	f.Add([]byte("[[point]]\nat = 9999-99-99T00:00:00Z\n"))
	f.Fuzz(func(t *testing.T, text []byte) {
		b, err := calibrate.Parse(text)
		if err != nil {
			return
		}
		for _, p := range b.Probes() {
			c := b.For(p)
			for _, v := range []float64{-50, 0, 57.2, 85, 400} {
				if got := c.Apply(v); math.IsNaN(got) || math.Abs(got-v) > 60 {
					t.Errorf("%v became %v", v, got)
				}
			}
			c.Warnings(day, calibrate.ClassOf("K"))
		}
	})
}

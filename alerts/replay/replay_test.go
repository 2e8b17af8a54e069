package replay_test

import (
	"bytes"
	"encoding/json"
	"encoding/xml"
	"errors"
	"fmt"
	"io"
	"math"
	"math/rand/v2"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"example.org/meltstation/alerts/forecast"
	"example.org/meltstation/alerts/replay"
)

var plain = replay.Options{Target: 57.2, Ambient: math.NaN()}

// newton is Newton's law from 85 °C toward 22 °C at k = 0.0009 /s: it comes to
// 57.2 °C after ln(63/35.2)/k = 646.765 s.
func newton(t float64) float64 { return 22 + 63*math.Exp(-0.0009*t) }

const newtonTruth = 646.765

// curve writes a file of n readings a second apart, as line makes them.
func curve(n int, header string, line func(i int, t, c float64) string) string {
	var b strings.Builder
	b.WriteString(header + "\n")
	r := rand.New(rand.NewPCG(1, 9))
	for i := range n {
		t := float64(i)
		b.WriteString(line(i, t, newton(t)+0.03*r.NormFloat64()))
	}
	return b.String()
}

func steps(t *testing.T, in string, opt replay.Options) []replay.Step {
	t.Helper()
	var out []replay.Step
	_, err := replay.Run("curve.csv", strings.NewReader(in), opt, func(s replay.Step, _ *forecast.Engine) error {
		out = append(out, s)
		return nil
	})
	if err != nil {
		t.Fatal(err)
	}
	return out
}

// near wants the forecast at row i to be within tol of what is left.
func near(t *testing.T, s []replay.Step, i int, left, tol float64) {
	t.Helper()
	f := s[i].Forecast
	if f.Status != forecast.OK {
		t.Errorf("row %d: status %s (%s), want ok", i, f.Status, f.Reason)
		return
	}
	if math.Abs(f.Eta-left) > tol {
		t.Errorf("row %d: in %.1f s, want %.1f ± %.0f", i, f.Eta, left, tol)
	}
	if !(f.Lo <= f.Eta && f.Eta <= f.Hi) || f.Lo < 0 {
		t.Errorf("row %d: %.1f to %.1f does not hold %.1f", i, f.Lo, f.Hi, f.Eta)
	}
}

func TestForms(t *testing.T) {
	start := time.Date(2026, 5, 24, 14, 30, 0, 0, time.UTC)
	ref := steps(t, curve(560, "time_s,temp_c", func(_ int, t, c float64) string {
		return fmt.Sprintf("%g,%.4f\n", t, c)
	}), plain)
	near(t, ref, 500, newtonTruth-500, 10)
	for _, c := range []struct {
		name, header string
		line         func(i int, t, c float64) string
	}{
		{"RFC 3339", "time,temp_c", func(_ int, t, c float64) string {
			return fmt.Sprintf("%s,%.4f\n", start.Add(time.Duration(t)*time.Second).Format(time.RFC3339), c)
		}},
		{"another zone, CRLF, BOM", "\ufefftime,temp_c", func(_ int, t, c float64) string {
			return fmt.Sprintf("%s,%.4f\r\n", start.Add(time.Duration(t)*time.Second).In(time.FixedZone("", 5*3600)).Format(time.RFC3339), c)
		}},
		{"capitals and more columns", "seq,probe,time_s,temp_C,note", func(i int, t, c float64) string {
			return fmt.Sprintf("%d,wax,%g,%.4f,\"warm, still\"\n", i, t, c)
		}},
		{"Fahrenheit", "time_s,temp_f", func(_ int, t, c float64) string {
			return fmt.Sprintf("%g,%.4f\n", t, c*1.8+32)
		}},
		{"comments", "# The Boathouse\ntime_s,temp_c", func(i int, t, c float64) string {
			return fmt.Sprintf("# row %d\n\n%g,%.4f\n", i, t, c)
		}},
		{"quality and role", "time_s,temp_c,quality,role", func(i int, t, c float64) string {
			return fmt.Sprintf("%g,%.4f,good,pot\n%g,21.1,good,jar\n", t, c, t)
		}},
		{"no header", "0,85", func(_ int, t, c float64) string {
			if t == 0 {
				return ""
			}
			return fmt.Sprintf("%g,%.4f\n", t, c)
		}},
		{"no header, blanks", "0 85", func(_ int, t, c float64) string {
			if t == 0 {
				return ""
			}
			return fmt.Sprintf("%g  %.4f\n", t, c)
		}},
		{"decimal commas", "time_s;temp_c", func(_ int, t, c float64) string {
			return strings.ReplaceAll(fmt.Sprintf("%.1f;%.4f\n", t, c), ".", ",")
		}},
		{"a spreadsheet's names", "Date/Time,Bath temp,Wax temp (°F),Room (°F)", func(_ int, t, c float64) string {
			return fmt.Sprintf("%s,99,%.4f,\n", start.Add(time.Duration(t)*time.Second).Format("1/2/2006 15:04:05"), c*1.8+32)
		}},
		{"the least and the most of a logger", "Min Temp °C,Max temp (C),Time,Temp °C", func(_ int, t, c float64) string {
			return fmt.Sprintf("20.1,85.2,%g,%.4f\n", t, c)
		}},
		{"minutes and kelvin", "Elapsed (min)\tTemperature [K]", func(_ int, t, c float64) string {
			return fmt.Sprintf("%.6f\t%.4f\n", t/60, c+273.15)
		}},
		{"milliseconds", "time_ms,temp_c", func(_ int, t, c float64) string {
			return fmt.Sprintf("%.0f,%.4f\n", 1000*(float64(start.Unix())+t), c)
		}},
		{"date and time apart, over midnight", "Date,Time,T", func(_ int, t, c float64) string {
			at := start.Add(9*time.Hour + 25*time.Minute + time.Duration(t)*time.Second)
			return fmt.Sprintf("%s,%s,%.4f\n", at.Format("2006-01-02"), at.Format("15:04:05"), c)
		}},
		{"times of day, over midnight", "clock,celsius", func(_ int, t, c float64) string {
			return fmt.Sprintf("%s,%.4f\n", start.Add(9*time.Hour+25*time.Minute+time.Duration(t)*time.Second).Format("15:04:05"), c)
		}},
		{"semicolons", "time_s;temp_c", func(_ int, t, c float64) string {
			return fmt.Sprintf("%g;%.4f\n", t, c)
		}},
	} {
		t.Run(c.name, func(t *testing.T) {
			got := steps(t, curve(560, c.header, c.line), plain)
			for _, s := range got[:3] {
				if !s.Clock && !json.Valid([]byte(s.Time)) {
					t.Errorf("the time is given as %s, which is neither seconds nor RFC 3339", s.Time)
				}
			}
			if len(got) != len(ref) {
				t.Fatalf("%d steps, want %d", len(got), len(ref))
			}
			if a, b := got[500].Forecast, ref[500].Forecast; math.Abs(a.Eta-b.Eta) > 0.5 {
				t.Errorf("in %.2f s, as seconds and °C in %.2f s", a.Eta, b.Eta)
			}
		})
	}
}

// TestTrouble feeds what loggers do wrong; the forecast must stay good.
func TestTrouble(t *testing.T) {
	for _, c := range []struct {
		name  string
		first int // row of the wanted forecast
		left  float64
		tol   float64
		line  func(i int, t, c float64) string
	}{
		{"power-on values", 500, newtonTruth - 500, 12, func(i int, t, c float64) string {
			if i%97 == 50 {
				c = 85
			}
			return fmt.Sprintf("%g,%.3f\n", t, c)
		}},
		{"a shorted bus and a lost sensor", 500, newtonTruth - 500, 12, func(i int, t, c float64) string {
			switch i % 113 {
			case 60:
				c = 0
			case 80:
				c = -127
			case 90:
				c = 127.94
			}
			return fmt.Sprintf("%g,%.3f\n", t, c)
		}},
		{"sixteenths", 500, newtonTruth - 500, 12, func(i int, t, c float64) string {
			return fmt.Sprintf("%g,%.4f\n", t, math.Round(c*16)/16)
		}},
		{"empty readings", 500, newtonTruth - 500, 12, func(i int, t, c float64) string {
			if i%5 == 2 {
				return fmt.Sprintf("%g,\n", t)
			}
			return fmt.Sprintf("%g,%.3f\n", t, c)
		}},
		{"doubles", 1000, newtonTruth - 500, 12, func(i int, t, c float64) string {
			return fmt.Sprintf("%g,%.3f\n%g,%.3f\n", t, c, t, c)
		}},
		{"clock an hour ahead", 500, newtonTruth - 500, 15, func(i int, t, c float64) string {
			if i >= 400 {
				t += 3600
			}
			return fmt.Sprintf("%g,%.3f\n", t, c)
		}},
		{"clock an hour back", 500, newtonTruth - 500, 15, func(i int, t, c float64) string {
			if i >= 400 {
				t -= 3600
			}
			return fmt.Sprintf("%g,%.3f\n", t, c)
		}},
		{"clock two seconds back", 500, newtonTruth - 500, 15, func(i int, t, c float64) string {
			if i >= 400 {
				t -= 2
			}
			return fmt.Sprintf("%g,%.3f\n", t, c)
		}},
		{"a pause of three minutes", 320, newtonTruth - 500, 15, func(i int, t, c float64) string {
			if i >= 200 && i < 380 {
				return ""
			}
			return fmt.Sprintf("%g,%.3f\n", t, c)
		}},
		{"neighbours swapped", 500, newtonTruth - 500, 12, func(i int, t, c float64) string {
			switch i % 40 {
			case 10:
				return fmt.Sprintf("%g,%.3f\n", t+1, newton(t+1))
			case 11:
				return fmt.Sprintf("%g,%.3f\n", t-1, newton(t-1))
			}
			return fmt.Sprintf("%g,%.3f\n", t, c)
		}},
	} {
		t.Run(c.name, func(t *testing.T) {
			near(t, steps(t, curve(600, "time_s,temp_c", c.line), plain), c.first, c.left, c.tol)
		})
	}
}

// TestProbeOut: while the probe is in the air there is no time, and soon after it
// is back there is one again.
func TestProbeOut(t *testing.T) {
	s := steps(t, curve(620, "time_s,temp_c", func(i int, t, c float64) string {
		if i >= 300 && i < 360 {
			c = 22 + (c-22)*math.Exp(-(t-299)/12)
		} else if i >= 360 && i < 400 {
			c -= 40 * math.Exp(-(t-359)/5)
		}
		return fmt.Sprintf("%g,%.3f\n", t, c)
	}), plain)
	near(t, s, 295, newtonTruth-295, 40)
	if f := s[330].Forecast; f.Status != forecast.Disturbed {
		t.Errorf("probe in the air: status %s, want %s", f.Status, forecast.Disturbed)
	}
	near(t, s, 480, newtonTruth-480, 15)
}

func TestJSON(t *testing.T) {
	start := time.Date(2026, 5, 24, 14, 30, 0, 0, time.FixedZone("", 7200))
	for _, c := range []struct {
		header string
		line   func(i int, t, c float64) string
		want   string // of time in the last object
	}{
		{"time_s,temp_c", func(_ int, t, c float64) string { return fmt.Sprintf("%.1f,%.3f\n", t, c) }, `499.0`},
		{"time,temp_c", func(_ int, t, c float64) string {
			return fmt.Sprintf("%s,%.3f\n", start.Add(time.Duration(t)*time.Second).Format(time.RFC3339), c)
		}, `"2026-05-24T14:38:19+02:00"`},
	} {
		s := steps(t, curve(500, c.header, c.line), plain)
		for i, x := range s {
			var v struct {
				Time     json.RawMessage `json:"time"`
				TempC    *float64        `json:"temp_c"`
				Forecast struct {
					Status string   `json:"status"`
					Eta    *float64 `json:"eta_s"`
					Lo     *float64 `json:"lo_s"`
					Hi     *float64 `json:"hi_s"`
					Level  float64  `json:"level"`
					PReach *float64 `json:"p_reach"`
				} `json:"forecast"`
			}
			if err := json.Unmarshal(x.AppendJSON(nil), &v); err != nil {
				t.Fatalf("row %d: %v", i, err)
			}
			if v.Forecast.Level != 0.9 || v.TempC == nil || v.Forecast.PReach == nil {
				t.Fatalf("row %d: %s", i, x.AppendJSON(nil))
			}
			if (v.Forecast.Status == "ok") != (v.Forecast.Eta != nil) {
				t.Fatalf("row %d: status %s and eta_s %v", i, v.Forecast.Status, v.Forecast.Eta)
			}
			if i == len(s)-1 && string(v.Time) != c.want {
				t.Errorf("time %s, want %s", v.Time, c.want)
			}
		}
	}
}

func TestBroken(t *testing.T) {
	for _, c := range []struct{ name, in, want string }{
		{"nothing", "", "curve.csv:1: the file is empty"},
		{"no time", "when,temp_c\n1,2\n", "curve.csv:1: the header line has no time column"},
		{"no temperature", "time_s,heat\n1,2\n", "curve.csv:1: the header line has no temperature column"},
		{"bad time", "time_s,temp_c\n0,80\nnoon,79\n2,78\n", `curve.csv:3: "noon" is no number of seconds`},
		{"bad clock", "time,temp_c\nyesterday,80\n2,78\n", `curve.csv:2: "yesterday" is no time`},
		{"bad temperature", "time_s,temp_c\n0,80\n# note\n1,hot\n2,78\n", `curve.csv:4: "hot" is no temperature`},
		{"unnamed °F", "time,temp\n0,185\n1,184.9\n", "curve.csv:2: 185 can hardly be °C"},
		{"decimal commas", "time_s,temp_c\n0,80,5\n2,78,1\n", "curve.csv:2: the line has 3 columns, the header 2"},
		{"short line", "time_s,temp_c\n0\n1,79\n", "curve.csv:2: the line has 1 of 2 columns"},
	} {
		t.Run(c.name, func(t *testing.T) {
			_, err := replay.Run("curve.csv", strings.NewReader(c.in), plain, func(replay.Step, *forecast.Engine) error { return nil })
			var e *replay.Error
			if !errors.As(err, &e) || !strings.HasPrefix(err.Error(), c.want) {
				t.Fatalf("error %v, want %s…", err, c.want)
			}
			if e.Mend == "" {
				t.Error("the error names no mend")
			}
		})
	}
}

// What had to be taken for granted is told, with its line.
func TestNotes(t *testing.T) {
	var b strings.Builder
	b.WriteString("seconds,wax\n")
	for i := range 400 {
		at := float64(i)
		if i >= 200 {
			at -= 60
		}
		fmt.Fprintf(&b, "%g,%.3f\n", at, newton(float64(i)))
	}
	var notes []string
	opt := plain
	opt.Note = func(line int, what string) { notes = append(notes, fmt.Sprintf("%d: %s", line, what)) }
	if _, err := replay.Run("curve.csv", strings.NewReader(b.String()), opt, func(replay.Step, *forecast.Engine) error { return nil }); err != nil {
		t.Fatal(err)
	}
	if len(notes) != 2 || !strings.HasPrefix(notes[0], `1: the time is taken from the column "seconds", the temperature from "wax" in °C`) || !strings.HasPrefix(notes[1], "202: the clock of the file goes back by 60 s") {
		t.Errorf("notes %q", notes)
	}
}

func TestCutShort(t *testing.T) {
	n := 0
	cut, err := replay.Run("curve.csv", strings.NewReader("time_s,temp_c\n0,80\n1,79.9\n2,"), plain, func(replay.Step, *forecast.Engine) error {
		n++
		return nil
	})
	// An empty reading is whole; a time alone is not.
	if err != nil || n != 3 || cut != 0 {
		t.Errorf("empty last reading: %d rows, cut %d, error %v", n, cut, err)
	}
	n = 0
	cut, err = replay.Run("curve.csv", strings.NewReader("time_s,temp_c\n0,80\n1,79.9\n2"), plain, func(replay.Step, *forecast.Engine) error {
		n++
		return nil
	})
	if err != nil || n != 2 || cut != 4 {
		t.Errorf("cut line: %d rows, cut %d, error %v; want 2 rows, line 4, no error", n, cut, err)
	}
}

// TestSuspectRows: what the station marked as suspect is shown and not used.
func TestSuspectRows(t *testing.T) {
	s := steps(t, curve(560, "time_s,temp_c,quality", func(i int, t, c float64) string {
		if i%3 == 1 {
			return fmt.Sprintf("%g,%.3f,impossible-rate\n", t, c+3)
		}
		return fmt.Sprintf("%g,%.3f,good\n", t, c)
	}), plain)
	near(t, s, 501, newtonTruth-501, 12)
	if s[301].Used || !s[302].Used {
		t.Errorf("used: row 301 %v, row 302 %v; want false, true", s[301].Used, s[302].Used)
	}
}

// TestSameTwice: the same file gives the same forecasts to the last bit.
func TestSameTwice(t *testing.T) {
	in := curve(600, "time_s,temp_c,ambient_c,event", func(i int, t, c float64) string {
		ev := ""
		if i == 200 {
			ev = "jug-out"
		}
		return fmt.Sprintf("%g,%.3f,21.5,%s\n", t, c, ev)
	})
	var a, b bytes.Buffer
	for _, w := range []*bytes.Buffer{&a, &b} {
		for _, s := range steps(t, in, plain) {
			w.Write(s.AppendJSON(nil))
		}
	}
	if !bytes.Equal(a.Bytes(), b.Bytes()) {
		t.Error("two runs differ")
	}
}

func TestAmbientHelps(t *testing.T) {
	in := curve(300, "time_s,temp_c", func(_ int, t, c float64) string { return fmt.Sprintf("%g,%.3f\n", t, c) })
	with := plain
	with.Ambient = 22
	a, b := steps(t, in, plain)[240].Forecast, steps(t, in, with)[240].Forecast
	if a.Status != forecast.OK || b.Status != forecast.OK || b.Hi-b.Lo >= a.Hi-a.Lo {
		t.Errorf("interval %.0f s without the room's temperature, %.0f s with it (%s, %s)", a.Hi-a.Lo, b.Hi-b.Lo, a.Status, b.Status)
	}
}

// TestPicture wants well-formed SVG that says what happened.
func TestPicture(t *testing.T) {
	in, err := os.ReadFile(filepath.Join("..", "..", "testdata", "curves", "water_natural.csv"))
	if err != nil {
		t.Fatal(err)
	}
	opt := plain
	opt.Target = 50
	var b bytes.Buffer
	if _, err := replay.Picture(&b, "water <natural>.csv", bytes.NewReader(in), opt, true); err != nil {
		t.Fatal(err)
	}
	d := xml.NewDecoder(bytes.NewReader(b.Bytes()))
	for {
		if _, err := d.Token(); err == io.EOF {
			break
		} else if err != nil {
			t.Fatal(err)
		}
	}
	for _, want := range []string{"122.0 °F came 20 min after the first reading", "What was forecast", "early"} {
		if !strings.Contains(b.String(), want) {
			t.Errorf("the picture does not say %q", want)
		}
	}
}

func TestSummary(t *testing.T) {
	in := curve(760, "time_s,temp_c", func(_ int, t, c float64) string { return fmt.Sprintf("%g,%.3f\n", t, c) })
	var b bytes.Buffer
	if _, err := replay.Summary(&b, "curve.csv", strings.NewReader(in), plain, false); err != nil {
		t.Fatal(err)
	}
	for _, want := range []string{"760 readings", "It came to 57.2 °C after 11 min", "5:00 min", "2:00 min"} {
		if !strings.Contains(b.String(), want) {
			t.Errorf("the summary does not say %q:\n%s", want, b.String())
		}
	}
}

func FuzzReader(f *testing.F) {
	f.Add("time_s,temp_c\n0,85\n1,84.9\n")
	f.Add("# note\ntime,temp_f,event,quality\n2026-05-24T14:30:00Z,185,heat-off,good\n2026-05-24T14:30:01Z,,,\n")
	f.Add("time,temp_c,ambient_c\n1e300,85,22\n-1,nan,\n\"3\",\"84\",21\n")
	f.Fuzz(func(t *testing.T, in string) {
		_, err := replay.Run("f.csv", strings.NewReader(in), plain, func(s replay.Step, _ *forecast.Engine) error {
			if !json.Valid(s.AppendJSON(nil)) {
				t.Fatalf("no JSON: %s", s.AppendJSON(nil))
			}
			return nil
		})
		var e *replay.Error
		if err != nil && !errors.As(err, &e) {
			t.Fatalf("an error without a place: %v", err)
		}
	})
}

// BenchmarkRows is the time for 100,000 rows, which a whole day has at 1 Hz.
func BenchmarkRows(b *testing.B) {
	in := curve(100_000, "time_s,temp_c", func(_ int, t, c float64) string {
		return fmt.Sprintf("%g,%.3f\n", t, 40+30*math.Cos(t/2500)+c/1000)
	})
	b.ResetTimer()
	for range b.N {
		if _, err := replay.Run("curve.csv", strings.NewReader(in), plain, func(s replay.Step, _ *forecast.Engine) error {
			s.AppendJSON(nil)
			return nil
		}); err != nil {
			b.Fatal(err)
		}
	}
	b.ReportMetric(float64(b.Elapsed().Seconds())/float64(b.N), "s/100k-rows")
}

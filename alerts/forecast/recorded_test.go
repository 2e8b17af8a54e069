package forecast_test

import (
	"bufio"
	"math"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"testing"

	"example.org/meltstation/alerts/forecast"
	"example.org/meltstation/sim/families"
)

// recorded reads one of the recorded curves: time in seconds and °C.
func recorded(tb testing.TB, name string) (t, c []float64) {
	tb.Helper()
	f, err := os.Open(filepath.Join("..", "..", "testdata", "curves", name))
	if err != nil {
		tb.Fatal(err)
	}
	defer f.Close()
	for s := bufio.NewScanner(f); s.Scan(); {
		a, b, ok := strings.Cut(s.Text(), ",")
		x, err1 := strconv.ParseFloat(a, 64)
		y, err2 := strconv.ParseFloat(b, 64)
		if ok && err1 == nil && err2 == nil {
			t, c = append(t, x), append(c, y)
		}
	}
	if len(t) < 100 {
		tb.Fatalf("%s has only %d readings", name, len(t))
	}
	return t, c
}

// passes is when a curve itself came through target: where a straight line
// through the readings within 20 s of the first one below crosses it.
func passes(t, c []float64, target float64) float64 {
	at := math.NaN()
	for i := range c {
		if c[i] <= target {
			at = t[i]
			break
		}
	}
	for range 5 {
		var n, st, sc, stt, stc float64
		for i := range t {
			if d := t[i] - at; math.Abs(d) <= 20 {
				n++
				st += d
				sc += c[i]
				stt += d * d
				stc += d * c[i]
			}
		}
		slope := (n*stc - st*sc) / (n*stt - st*st)
		at += (target - (sc-slope*st)/n) / slope
	}
	return at
}

var recordedTargets = [...]float64{60, 50}

// roll forecasts the crossings of one curve at every reading.
func roll(t, c []float64, targets []float64) []shot {
	var out []shot
	e := forecast.New(forecast.Known{})
	truth := make([]float64, len(targets))
	for i, x := range targets {
		truth[i] = passes(t, c, x)
	}
	var seen []families.Sample
	for i := range t {
		e.Add(t[i], c[i])
		seen = append(seen, families.Sample{T: t[i], C: c[i], Room: math.NaN()})
		if t[i] < 60 {
			continue
		}
		for j, x := range targets {
			left := truth[j] - t[i]
			for _, l := range leads {
				// Within a tenth of the lead.
				if math.Abs(left-l) > l/10 {
					continue
				}
				f := e.Crossing(x, forecast.Cooling)
				out = append(out, shot{lead: l, given: f.Status == forecast.OK, err: f.Eta - left, lo: f.Lo - left, hi: f.Hi - left,
					line: straight(seen, x) - left, refit: refit(seen, x, false) - left})
			}
		}
	}
	return out
}

package station_test

import (
	"bytes"
	"math"
	"testing"
	"time"

	"example.org/meltstation/alerts/forecast"
	"example.org/meltstation/alerts/plan"
	"example.org/meltstation/alerts/replay"
	"example.org/meltstation/alerts/station"
	"example.org/meltstation/probe"
	"example.org/meltstation/probe/trace"
)

// overheard is the station's own forecast, with a note of what it answered about
// the pour temperature.
type overheard struct {
	*forecast.Engine
	said *[]forecast.Forecast
}

func (o overheard) Crossing(target float64, dir forecast.Direction) forecast.Forecast {
	f := o.Engine.Crossing(target, dir)
	if dir == forecast.Cooling && target == boathouse().Thresholds.Pour {
		*o.said = append(*o.said, f)
	}
	return f
}

// TestReplayOfAnExport: what is exported and replayed gives, reading by reading,
// the forecasts that the station gave.
func TestReplayOfAnExport(t *testing.T) {
	var said []forecast.Forecast
	k := newKitchen(t, func(o *station.Options) {
		o.NewForecaster = func(known forecast.Known) station.Forecaster {
			return overheard{forecast.New(known), &said}
		}
	})
	room := func() {
		k.st.Take(probe.Reading{Probe: "air", Role: probe.RoleRoom, At: k.clock(), Celsius: 20.5, Raw: 20.5, Quality: probe.Good})
	}
	room()
	code := k.start()
	k.until(plan.StageScent, 90*time.Minute)
	k.pot.AddScent(k.pot.Grams()*0.06, 20)
	k.tap(plan.EventScentAdded)
	k.pass(2 * time.Minute)
	k.pot.HeatOff()
	k.tap(plan.EventHeatOff)
	k.pot.JugOut()
	k.tap(plan.EventJugOut)
	room()
	k.pass(3 * time.Minute)
	k.mu.Lock()
	k.now = k.now.Add(time.Second)
	k.mu.Unlock()
	k.reading(12, probe.ImpossibleRate)
	k.pass(3 * time.Minute)
	if err := k.store.Flush(t.Context()); err != nil {
		t.Fatal(err)
	}
	b, err := k.store.Batch(t.Context(), code)
	if err != nil {
		t.Fatal(err)
	}
	var csv bytes.Buffer
	if err := trace.WriteCSV(t.Context(), &csv, k.store, b, nil); err != nil {
		t.Fatal(err)
	}
	th := boathouse().Thresholds
	var again []forecast.Forecast
	_, err = replay.Run("export.csv", &csv, replay.Options{Target: th.Pour, Direction: forecast.Cooling, Ambient: math.NaN()}, func(s replay.Step, _ *forecast.Engine) error {
		again = append(again, s.Forecast)
		return nil
	})
	if err != nil {
		t.Fatal(err)
	}
	if len(again) != len(said) || len(said) < 1000 {
		t.Fatalf("the station answered %d times, the replay %d times", len(said), len(again))
	}
	// The export's times are exact; only the origin of the time line differs, by
	// which sums round differently in the last bits.
	same := func(a, b float64) bool { return math.IsNaN(a) && math.IsNaN(b) || a == b || math.Abs(a-b) < 1e-3 }
	for i := range said {
		a, b := said[i], again[i]
		if a.Status != b.Status || !same(a.Eta, b.Eta) || !same(a.Lo, b.Lo) || !same(a.Hi, b.Hi) {
			t.Fatalf("answer %d: the station said %+v, the replay %+v", i, a, b)
		}
	}
}

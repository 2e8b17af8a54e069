package lesson_test

import (
	"math"
	"testing"

	"example.org/meltstation/alerts/forecast"
	"example.org/meltstation/alerts/lesson"
)

func TestCoolingOfTheSameJugScalesWithItsMass(t *testing.T) {
	l := func(jug string, regime forecast.Regime, g, k float64) forecast.Lesson {
		return forecast.Lesson{Jug: jug, Regime: regime, WaxGrams: g, K: k, Ambient: 21, Minutes: 30}
	}
	all := []forecast.Lesson{
		l("Big jug", forecast.RegimeBench, 1000, 0.0009), l("Big jug", forecast.RegimeBench, 2000, 0.00045), l("Big jug", forecast.RegimeBench, 1000, 0.002),
		l("Big jug", forecast.RegimeHeating, 1000, 0.01), l("Small jug", forecast.RegimeBench, 500, 0.003),
	}
	c := lesson.Cooling(all, "Big jug", 1500, 0)
	if c == nil || math.Abs(c.K-0.0006) > 1e-12 || c.Room != 21 {
		t.Errorf("%+v, want k = 0.9/1500 g, the median, toward 21 °C", c)
	}
	if c := lesson.Cooling(all, "Big jug", 1500, 18); c.Room != 18 {
		t.Errorf("%+v, want today's room", c)
	}
	if c := lesson.Cooling(all, "Tin pail", 1500, 0); c != nil {
		t.Errorf("%+v from nothing", c)
	}
}

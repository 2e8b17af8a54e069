package lesson

import (
	"slices"

	"example.org/meltstation/alerts/forecast"
	"example.org/meltstation/alerts/plan"
)

// leastMinutes is how long a stretch of curve must be to teach how a jug cools.
const leastMinutes = 5

// Cooling returns how a jug with that much in it will cool on the bench, from
// what the curves of earlier batches taught of the same jug. The rate of Newton's
// law is k = hA/(mc): for one jug it goes as one over the mass. It is nil when
// nothing is known of the jug; room, when it is not zero, replaces the room of then.
func Cooling(lessons []forecast.Lesson, jug string, grams, room float64) *plan.Cooling {
	var k, ambient []float64
	for _, l := range lessons {
		if l.Jug != jug || l.Regime != forecast.RegimeBench || l.WaxGrams <= 0 || l.K <= 0 || l.Minutes < leastMinutes {
			continue
		}
		k = append(k, l.K*l.WaxGrams)
		ambient = append(ambient, l.Ambient)
	}
	if len(k) == 0 || grams <= 0 {
		return nil
	}
	c := plan.Cooling{K: median(k) / grams, Room: room}
	if room == 0 {
		c.Room = median(ambient)
	}
	return &c
}

func median(x []float64) float64 {
	slices.Sort(x)
	n := len(x)
	if n%2 == 1 {
		return x[n/2]
	}
	return (x[n/2-1] + x[n/2]) / 2
}

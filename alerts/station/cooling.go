package station

import (
	"example.org/meltstation/alerts/lesson"
	"example.org/meltstation/alerts/plan"
)

// Cooling returns how a jug with that many grams in it will cool on the bench, from
// what earlier batches taught; nil when nothing is known of it. A sheet says with
// it whether the pour window stays open until the last container.
func (s *Station) Cooling(jug string, grams float64) *plan.Cooling {
	return lesson.Cooling(s.lessons(jug), jug, grams, 0)
}

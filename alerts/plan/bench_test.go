package plan_test

import (
	"testing"

	"example.org/meltstation/alerts/plan"
)

// The page works a sheet out at every change of a count.
func BenchmarkSheet(b *testing.B) {
	r := plain()
	r.Jugs = []plan.Jug{{Name: "Jug", Holds: 3000, Room: 15, Loss: 15}}
	r.TopOff = 3
	for b.Loop() {
		if _, err := r.Sheet([]plan.Count{jars(12), tins(60)}, plan.Options{}); err != nil {
			b.Fatal(err)
		}
	}
	b.ReportMetric(float64(b.Elapsed().Microseconds())/float64(b.N), "µs/sheet")
}

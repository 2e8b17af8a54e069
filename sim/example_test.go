package sim_test

import (
	"fmt"
	"time"

	"example.org/meltstation/sim"
)

// A pot by hand: melt, fragrance, out of the bath, cool.
func ExamplePot() {
	p := sim.NewPot(sim.Default())
	p.HeatOn()
	for p.Wax() < 85 {
		p.Step(time.Second)
	}
	p.AddScent(56.7, 21)
	p.HeatOff()
	p.JugOut()
	p.Step(30 * time.Minute)
	fmt.Printf("%.0f °C after %v\n", p.Wax(), p.Elapsed().Round(time.Minute))
	// Output: 63 °C after 48m0s
}

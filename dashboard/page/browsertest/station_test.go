package browsertest

import (
	"os"
	"testing"
	"time"
)

// A whole batch on a running station: MELTSTATION_STATION is the address of a
// demo that has just been started.
func TestBatchOnStation(t *testing.T) {
	base := os.Getenv("MELTSTATION_STATION")
	if base == "" {
		t.Skip("MELTSTATION_STATION is not set to the address of a demo")
	}
	b := shared(t)
	b.Batch(t, base, 6*time.Minute)
	b.Views(t, base, "station", Phone, "light")
	b.Views(t, base, "station", Laptop, "dark")
}

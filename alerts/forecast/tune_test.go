package forecast_test

import (
	"fmt"
	"os"
	"strconv"
	"testing"

	"example.org/meltstation/alerts/forecast"
	"example.org/meltstation/sim/families"
)

func TestBoard(t *testing.T) {
	n, _ := strconv.Atoi(os.Getenv("BOARD"))
	if n == 0 {
		t.Skip("set BOARD to a number of batches")
	}
	set := families.Tuning(n)
	if os.Getenv("SET") == "scoring" {
		set = families.Scoring(n)
	}
	base := os.Getenv("BASE") != ""
	if os.Getenv("AMB") != "no" {
		fmt.Println("with ambient")
		fmt.Println(run(set, true, base, forecast.Known{}))
	}
	if os.Getenv("AMB") != "yes" {
		fmt.Println("without ambient")
		fmt.Println(run(set, false, base, forecast.Known{}))
	}
}

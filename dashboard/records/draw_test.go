package records_test

import (
	"flag"
	"os"
	"regexp"
	"strconv"
	"strings"
	"testing"
)

var draw = flag.String("draw", "", "write the picture of the test's batch to this file")

func TestPictureShowsTheCurve(t *testing.T) {
	out := write(t, book(t), "svg")
	for _, want := range []string{"26-11-24-A  Harbour Fog", "The Boathouse, 24 November 2026, 09:00 UTC", "pour window", "scent-add 78 °C", "flash-point alarm 86 °C", "fragrance in", "last jar", ">0:20<"} {
		if !strings.Contains(out, want) {
			t.Errorf("the picture does not say %q", want)
		}
	}
	// The curve falls all the way, as Newton's law has it: on the drawing y grows.
	path := regexp.MustCompile(`<path d="([^"]*)"[^>]*stroke-width="2.5"`).FindStringSubmatch(out)
	if path == nil {
		t.Fatal("there is no curve of the wax")
	}
	last, n := 0.0, 0
	for _, p := range regexp.MustCompile(`[ML](\S+?) ([0-9.]+)`).FindAllStringSubmatch(path[1], -1) {
		y, err := strconv.ParseFloat(p[2], 64)
		if err != nil || y < last {
			t.Fatalf("at point %d: %v after %v, %v", n, y, last, err)
		}
		last = y
		n++
	}
	if n < 500 {
		t.Errorf("%d points", n)
	}
	if *draw != "" {
		if err := os.WriteFile(*draw, []byte(out), 0o644); err != nil {
			t.Fatal(err)
		}
	}
}

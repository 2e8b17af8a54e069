package station_test

import (
	"context"
	"testing"
	"time"

	"example.org/meltstation/probe"
	"example.org/meltstation/probe/trace"
)

// A jug that stands empty leaves a reading every quarter of a minute and every
// turn for better or worse; a batch leaves them all.
func TestIdleReadingsAreThinned(t *testing.T) {
	k := newKitchen(t, nil)
	count := func(batch string) (n, bad int) {
		t.Helper()
		if err := k.store.Flush(context.Background()); err != nil {
			t.Fatal(err)
		}
		for e, err := range k.store.Entries(context.Background(), batch, 0) {
			if err != nil {
				t.Fatal(err)
			}
			if e.Kind == trace.KindReading && e.Probe == "wax" {
				n++
				if e.Quality != probe.Good {
					bad++
				}
			}
		}
		return n, bad
	}
	k.pass(10 * time.Minute)
	if n, _ := count(""); n != 40 {
		t.Errorf("%d readings of ten idle minutes, want 40", n)
	}
	k.reading(0, probe.BadCRC)
	k.pass(time.Second)
	if n, bad := count(""); n != 42 || bad != 1 {
		t.Errorf("%d readings, %d of them bad, after a bad one and a good one; want 42 and 1", n, bad)
	}
	code := k.start()
	k.pass(time.Minute)
	if n, _ := count(code); n < 60 {
		t.Errorf("%d readings of a batch's first minute, want 60", n)
	}
}

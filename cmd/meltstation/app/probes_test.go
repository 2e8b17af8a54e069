package app

import (
	"context"
	"log/slog"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"example.org/meltstation/alerts/station"
	"example.org/meltstation/cmd/meltstation/config"
	"example.org/meltstation/probe"
	"example.org/meltstation/probe/trace"
	"example.org/meltstation/probe/w1"
)

// bare is a station of the defaults that has seen nothing yet.
func bare(t *testing.T) (*config.Config, *station.Station, *trace.Store, *slog.Logger) {
	t.Helper()
	c := config.Default()
	log := slog.New(slog.DiscardHandler)
	store, err := trace.Open(filepath.Join(t.TempDir(), TraceName), trace.Options{Log: log})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { store.Close() })
	st, err := station.New(context.Background(), station.Options{Name: c.Name, Units: c.Units, Mass: c.Mass, Pots: pots(c), Default: c.Sheet, Store: store, Alarms: c.Alarms, Log: log})
	if err != nil {
		t.Fatal(err)
	}
	return c, st, store, log
}

// Where no settings name the probes, the one that was taken to be in the wax stays
// so while it is unplugged: the probe in a jar is never read in its place.
func TestLookKeepsTheWaxProbe(t *testing.T) {
	c, st, _, log := bare(t)
	l := &look{config: c, options: Options{Log: log}, station: st, before: func() string { return "" }}
	const a, b = "28-000000000001", "28-000000000002"
	for _, step := range []struct {
		name    string
		here    []string
		wax     string
		jars    []string
		trouble string
	}{
		{"nothing yet", nil, "", nil, "No probe is attached"},
		{"the first", []string{b}, b, nil, ""},
		{"a jar's comes, earlier by id", []string{a, b}, b, []string{a}, "2 probes were found and " + b + " is taken to be in the wax"},
		{"the wax probe is pulled", []string{a}, b, []string{a}, b + ", which is taken to be in the wax, is gone"},
		{"all are", nil, b, nil, "No probe is attached"},
		{"all come back", []string{a, b}, b, []string{a}, "2 probes were found"},
		{"the jar's goes", []string{b}, b, nil, ""},
	} {
		l.discover = func() ([]w1.Found, error) {
			var out []w1.Found
			for _, id := range step.here {
				out = append(out, w1.Found{ID: id})
			}
			return out, nil
		}
		var wax string
		var jars []string
		for _, s := range l.specs() {
			if s.Role == probe.RolePot {
				wax += s.ID
			} else {
				jars = append(jars, s.ID)
			}
		}
		if wax != step.wax || !slices.Equal(jars, step.jars) {
			t.Errorf("%s: in the wax %q, in jars %q; want %q and %q", step.name, wax, jars, step.wax, step.jars)
		}
		said := ""
		for _, tr := range st.Troubles() {
			if tr.Key == "probes" {
				said = tr.Text
			}
		}
		if (step.trouble == "") != (said == "") || !strings.HasPrefix(said, step.trouble) {
			t.Errorf("%s: says %q, want %q", step.name, said, step.trouble)
		}
	}
}

// A power cut in the middle of a batch: the probe that was in its wax is so again,
// although another comes first by id.
func TestLookFindsTheWaxProbeAgain(t *testing.T) {
	c, st, store, log := bare(t)
	pot := c.Pots[0].ID
	if got := waxProbe(t.Context(), st, store, pot); got != "" {
		t.Errorf("without a batch %q was in its wax", got)
	}
	if _, err := st.Start(t.Context(), pot, station.StartRequest{ID: "start-0001", Sheet: c.Sheet}); err != nil {
		t.Fatal(err)
	}
	const a, b = "28-000000000001", "28-000000000002"
	for id, role := range map[string]probe.Role{b: probe.RolePot, a: probe.RoleJar} {
		st.Take(probe.Reading{Probe: id, Role: role, Pot: pot, At: time.Now(), Celsius: 40, Raw: 40, Quality: probe.Good})
	}
	before := func() string { return waxProbe(t.Context(), st, store, pot) }
	for _, c := range []struct {
		here []string
		want string
	}{{[]string{a, b}, b}, {[]string{a}, a}} { // one that was changed for another is not waited for
		l := &look{config: config.Default(), options: Options{Log: log}, station: st, before: before, discover: func() (out []w1.Found, err error) {
			for _, id := range c.here {
				out = append(out, w1.Found{ID: id})
			}
			return out, nil
		}}
		if specs := l.specs(); len(specs) != len(c.here) || specs[0].ID != c.want || specs[0].Role != probe.RolePot {
			t.Errorf("with %v attached %+v is in the wax, want %s", c.here, specs, c.want)
		}
	}
}

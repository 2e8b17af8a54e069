package app

import (
	"cmp"
	"context"
	"path/filepath"
	"slices"
	"strings"
	"time"

	"example.org/meltstation/alerts/station"
	"example.org/meltstation/cmd/meltstation/config"
	"example.org/meltstation/probe"
	"example.org/meltstation/probe/calibrate"
	"example.org/meltstation/probe/w1"
)

// adjuster applies the calibrations of the data folder to probes, and takes up a
// new one without a restart.
type adjuster struct {
	c  *config.Config
	o  Options
	st *station.Station

	book *calibrate.Book // the last one that could be read
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

// apply gives each probe the calibration in force. A file that can't be used is
// shown as a trouble, and the last one that could stays in force.
func (a *adjuster) apply(specs []probe.Spec) []probe.Spec {
	book, err := calibrate.Load(filepath.Join(a.c.Data, calibrate.FileName))
	if err != nil {
		a.st.SetTrouble("calibration", "The calibrations can't be read: "+err.Error()+".")
	} else {
		a.book = book
	}
	if a.book == nil {
		return specs
	}
	out := slices.Clone(specs)
	var doubts []string
	for i := range out {
		s := &out[i]
		c := a.book.For(s.ID)
		s.Adjust = c.Adjust()
		for _, w := range c.Warnings(time.Now(), calibrate.ClassOf(w1.ModelOf(s.Where))) {
			doubts = append(doubts, cmp.Or(s.Name, s.ID)+": "+w)
		}
	}
	switch {
	case err != nil:
	case len(doubts) > 0:
		a.st.SetTrouble("calibration", "About the calibration of "+strings.Join(doubts, "; ")+".")
	default:
		a.st.ClearTrouble("calibration")
	}
	return out
}

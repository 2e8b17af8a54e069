package main

import (
	"context"
	"errors"
	"fmt"
	"time"

	"example.org/meltstation/alerts"
	"example.org/meltstation/alerts/plan"
	"example.org/meltstation/alerts/station"
	"example.org/meltstation/sim"
)

// demoLapse is the demo's pace: a batch in about three minutes.
const demoLapse = 25.0

// demoScenario is a batch at the Boathouse.
func demoScenario(seed uint64) sim.Scenario {
	s := sim.Ordinary(seed)
	s.Pot, s.Maker, s.Limits = sim.Boathouse(), sim.BoathouseMaker(), sim.BoathouseLimits()
	s.Pot.Seed, s.Maker.Seed = seed, seed
	s.Maker.Counts = map[string]int{demoJar: demoJars}
	return s
}

// The demo's pot and jars.
const (
	demoPot  = "pot"
	demoJar  = "Tumbler"
	demoJars = 6
)

// demoSheet is what the demo makes: six tumblers of an invented scent of the
// Boathouse, an invented harbour workshop. The thresholds are those of the
// simulated pot.
func demoSheet(l sim.Limits) (plan.Sheet, error) {
	r := plan.Defaults()
	r.Name = "Low Tide"
	r.Scale, r.FineScale = 1, 0.1
	r.Wax = []plan.Wax{{Name: "Rapeseed-coconut", Share: 100, Density: 0.88, MaxLoad: 10, Lot: "RC-118"}}
	r.Load, r.Basis = 6.25, plan.OfWax
	r.Oils = []plan.Oil{
		{Name: "Salt marsh", Share: 70, Flash: l.Flash + plan.DefaultFlashMargin, Method: "closed cup", MaxLoad: 12, Lot: "SM-0412"},
		{Name: "Driftwood", Share: 30, Flash: l.Flash + plan.DefaultFlashMargin + 9, Method: "closed cup", MaxLoad: 8, Lot: "DW-0077"},
	}
	r.Containers = []plan.Container{{Name: demoJar, Wax: 195, Wicks: 1}}
	r.Jugs = []plan.Jug{{Name: "Steel jug", Holds: 2000, Room: 15, Loss: 27}}
	r.Thresholds.ScentAdd, r.Thresholds.PourHigh, r.Thresholds.Pour, r.Thresholds.PourLow = l.ScentAdd, l.PourHigh, l.Pour, l.PourLow
	r.Thresholds.Congeal, r.Thresholds.Scorch = l.Congeal, l.Scorch
	return r.Sheet([]plan.Count{{Container: demoJar, N: demoJars}}, plan.Options{Wax: 1200, Ceiling: l.Boiling})
}

// stationHands lets the simulated maker tap on a station and hear it.
type stationHands struct {
	ctx     context.Context
	station *station.Station
	pot     string
	sheet   plan.Sheet
	taps    int
	view    station.PotView
	batch   string // code of the batch in the pot, "" before the first
}

var _ sim.Hands = (*stationHands)(nil)

// look takes the pot in as it stands; the other methods answer from that.
func (h *stationHands) look() {
	for _, p := range h.station.Snapshot().Pots {
		if p.ID == h.pot {
			h.view = p
			if p.Batch != nil {
				h.batch = p.Batch.ID
			}
		}
	}
}

// Tap tells the station.
func (h *stationHands) Tap(t sim.Tap) error {
	h.taps++
	id := fmt.Sprintf("demo-%d-%d-%s", time.Now().UnixNano(), h.taps, t.Kind) // never that of an earlier run
	const who = "demo"
	if plan.EventKind(t.Kind) == plan.EventStart {
		_, err := h.station.Start(h.ctx, h.pot, station.StartRequest{ID: id, Sheet: h.sheet, Who: who})
		if errors.Is(err, station.ErrBusy) {
			return nil // a visitor was quicker
		}
		return err
	}
	_, err := h.station.Tap(h.ctx, h.pot, station.Tap{
		ID: id, Kind: plan.EventKind(t.Kind), Grams: t.Grams, First: t.First, Last: t.Last, Counts: t.Counts, Who: who,
	})
	return err
}

// Stage is where the station says the batch stands.
func (h *stationHands) Stage() string { return string(h.view.Stage) }

// Calls are the cues and alarms that are true now: not those that only wait to
// be acknowledged, nor those the maker has put aside.
func (h *stationHands) Calls() []string {
	var keys []string
	for _, n := range h.view.Notices {
		if s := alerts.State(n.State); s == alerts.Unacked || s == alerts.Acked {
			keys = append(keys, n.Key)
		}
	}
	return keys
}

// Tapped are the things told in this batch. What the station only noticed by
// itself does not count.
func (h *stationHands) Tapped() []string {
	var kinds []string
	for _, e := range h.view.Events {
		if !e.Detected {
			kinds = append(kinds, string(e.Kind))
		}
	}
	return kinds
}

package dashboard

import (
	"slices"
	"sync"
	"time"

	"example.org/meltstation/alerts/plan"
	"example.org/meltstation/alerts/station"
)

// recent keeps the last two hours of every probe, thinly, for pots without a
// batch: the trace could give them too, but would have to look through all that
// ever happened outside of a batch.
type recent struct {
	mu     sync.Mutex
	probes map[probeKey][]station.ReadingView // the oldest first
}

type probeKey struct{ pot, probe string }

const (
	recentSpan  = 2 * time.Hour
	recentStep  = 2 * time.Second // at least between two kept readings
	recentProbe = 64              // probes in all
)

// add keeps a reading.
func (h *recent) add(pot string, r station.ReadingView) {
	h.mu.Lock()
	defer h.mu.Unlock()
	if h.probes == nil {
		h.probes = make(map[probeKey][]station.ReadingView)
	}
	k := probeKey{pot, r.Probe}
	list := h.probes[k]
	if len(list) == 0 && len(h.probes) >= recentProbe {
		return
	}
	if n := len(list); n > 0 {
		gap := r.At.Sub(list[n-1].At)
		if gap < 0 { // the clock went back: what was before has no place on this axis
			list = list[:0]
		} else if gap < recentStep && (r.Quality == "good") == (list[n-1].Quality == "good") {
			return
		}
	}
	old := 0
	for old < len(list) && r.At.Sub(list[old].At) > recentSpan {
		old++
	}
	if old > 256 || old == len(list) { // not for each single one
		list = slices.Delete(list, 0, old)
	}
	h.probes[k] = append(list, r)
}

// curve returns what one pot's probes, and those that serve every pot, showed.
func (h *recent) curve(pot string, points int) curveView {
	h.mu.Lock()
	defer h.mu.Unlock()
	view := curveView{Pot: pot, Series: []seriesView{}, Events: []plan.Event{}}
	var keys []probeKey
	var newest time.Time
	for k, list := range h.probes {
		if k.pot != pot && k.pot != "" || len(list) == 0 {
			continue
		}
		keys = append(keys, k)
		if at := list[len(list)-1].At; at.After(newest) {
			newest = at
		}
	}
	slices.SortFunc(keys, func(a, b probeKey) int { return slices.Compare([]string{a.probe, a.pot}, []string{b.probe, b.pot}) })
	for _, k := range keys {
		for _, r := range h.probes[k] {
			if newest.Sub(r.At) <= recentSpan && (view.Start.IsZero() || r.At.Before(view.Start)) {
				view.Start = r.At.UTC()
			}
		}
	}
	for _, k := range keys {
		list := h.probes[k]
		v := seriesView{Probe: k.probe, Role: list[0].Role, T: []float64{}, C: []*float64{}}
		step := (len(list) + points - 1) / points
		for i, r := range list {
			if newest.Sub(r.At) > recentSpan || i%step != 0 && i != len(list)-1 {
				continue
			}
			v.T = append(v.T, r.At.Sub(view.Start).Seconds())
			if r.Quality == "good" && r.Celsius != nil {
				v.C = append(v.C, orNull(*r.Celsius))
			} else {
				v.C = append(v.C, nil)
			}
		}
		view.Series = append(view.Series, v)
	}
	potFirst(view.Series)
	return view
}

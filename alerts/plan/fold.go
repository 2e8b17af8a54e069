package plan

import "slices"

// Fold resolves corrections and withdrawals: it returns the events as they now
// hold, in order of time, each under the id it was first given. The history it
// was given is not changed. A withdrawal may take back a correction or another
// withdrawal; of several corrections of one event the last one holds.
func Fold(history []Event) []Event {
	withdrawn := map[string]bool{}
	corrected := map[string]*Event{}
	for i := len(history) - 1; i >= 0; i-- {
		e := history[i]
		if withdrawn[e.ID] {
			continue
		}
		switch e.Kind {
		case EventWithdrawal:
			withdrawn[e.Corrects] = true
		case EventCorrection:
			if e.Corrected != nil && corrected[e.Corrects] == nil {
				corrected[e.Corrects] = e.Corrected
			}
		}
	}
	var out []Event
	for _, e := range history {
		if withdrawn[e.ID] || e.Kind == EventWithdrawal || e.Kind == EventCorrection {
			continue
		}
		if c := corrected[e.ID]; c != nil {
			id := e.ID
			e = *c
			e.ID = id
		}
		out = append(out, e)
	}
	slices.SortStableFunc(out, func(a, b Event) int {
		switch {
		case a.At < b.At:
			return -1
		case a.At > b.At:
			return 1
		}
		return 0
	})
	return out
}

package plan

import (
	"errors"
	"fmt"
	"slices"
	"time"
)

// ErrNoCorrection is returned, wrapped, when an event can't be changed as asked.
var ErrNoCorrection = errors.New("that can't be corrected so")

// Replacement returns what an event of a batch says once it is corrected to
// another, at a moment of the station's time line. A zero time keeps the event's
// own; a time of day alone moves it on the line by as much as it differs, but not
// to before its batch started, nor to what is still to come.
func Replacement(old, to Event, started, now time.Duration) (Event, error) {
	to.ID, to.Kind, to.Detected = old.ID, old.Kind, false
	switch {
	case to.At != 0:
	case to.Wall.IsZero():
		to.At, to.Wall = old.At, old.Wall
	default:
		to.At = old.At + to.Wall.Sub(old.Wall)
	}
	if to.At != old.At && to.At < started {
		return Event{}, fmt.Errorf("%w: that is before the batch started", ErrNoCorrection)
	}
	if to.At != old.At && to.At > now {
		return Event{}, fmt.Errorf("%w: that is still to come", ErrNoCorrection)
	}
	if to.Lots == nil {
		to.Lots = old.Lots
	}
	if to.Found == nil {
		to.Found = old.Found
	}
	to.Corrects, to.Corrected = "", nil
	return to, nil
}

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

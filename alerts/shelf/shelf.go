// Package shelf keeps the poured batches that are not finished: which may be
// trimmed, moved, burnt or shipped, and when.
//
// The waits are those of the batch's sheet. About 3 h until the trim, at least
// 24 h until a candle is moved, and one to two weeks of scent cure for soy are
// common practice, no source; a wax supplier's own figures come first.
//
// It is pure: the time of day is given to it.
package shelf

import (
	"cmp"
	"slices"
	"strconv"
	"time"

	"example.org/meltstation/alerts/plan"
)

// Step is one thing that is done with a poured batch.
type Step string

// The steps in their usual order. A short cure may end before a long setting.
const (
	Trim Step = "trim" // wicks trimmed
	Move Step = "move" // off the bench
	Cure Step = "cure" // ready to be burnt or shipped
)

// Poured is one batch after its last jar. Times are UTC; a zero time is "not done".
type Poured struct {
	Code     string      `json:"code"`
	Name     string      `json:"name"`
	At       time.Time   `json:"at"` // the last jar
	Jars     int         `json:"jars"`
	Wicks    int         `json:"wicks"`
	Timers   plan.Timers `json:"timers"` // nanoseconds
	Trimmed  time.Time   `json:"trimmed,omitzero"`
	Moved    time.Time   `json:"moved,omitzero"`
	Finished time.Time   `json:"finished,omitzero"` // closed by the maker: cured
}

// FromEvents reads a batch's shelf life off its sheet and events (with their
// history). It is false while the batch is not poured, and when it was given up.
func FromEvents(code string, sheet plan.Sheet, history []plan.Event) (Poured, bool) {
	p := Poured{Code: code, Name: sheet.Name, Jars: sheet.Jars, Wicks: sheet.Wicks, Timers: sheet.Timers}
	wicks := map[string]int{}
	for _, c := range sheet.Containers {
		wicks[c.Name] = c.Wicks
	}
	jars := map[string]int{}
	for _, e := range plan.Fold(history) {
		switch e.Kind {
		case plan.EventPoured:
			p.At = e.Wall
			for name, n := range e.Counts {
				jars[name] += n
			}
		case plan.EventTrimmed:
			p.Trimmed = e.Wall
		case plan.EventMoved:
			p.Moved = e.Wall
		case plan.EventCured:
			p.Finished = e.Wall
		case plan.EventAbandoned:
			return Poured{}, false
		}
	}
	if p.At.IsZero() {
		return Poured{}, false
	}
	if len(jars) > 0 {
		p.Jars, p.Wicks = 0, 0
		for name, n := range jars {
			p.Jars += n
			p.Wicks += n * wicks[name]
		}
	}
	return p, true
}

// State is where one step of a batch stands.
type State string

// The states of a step.
const (
	Waiting State = "waiting" // not before Due
	Due     State = "due"     // may be done now
	Done    State = "done"
)

// Item is one step of one batch.
type Item struct {
	Code  string    `json:"code"`
	Name  string    `json:"name"`
	Step  Step      `json:"step"`
	Due   time.Time `json:"due"` // not before
	Done  time.Time `json:"done,omitzero"`
	State State     `json:"state"`
	Title string    `json:"title"` // "Trim 12 wicks"
	Jars  int       `json:"jars"`
}

// Row is one batch on the board.
type Row struct {
	Code   string    `json:"code"`
	Name   string    `json:"name"`
	Poured time.Time `json:"poured"`
	Jars   int       `json:"jars"`
	Status string    `json:"status"` // "setting", "curing", "ready", "finished"
	Now    []Item    `json:"now"`    // may be done now
	Next   *Item     `json:"next"`   // the next one to wait for; null when nothing is left
	Items  []Item    `json:"items"`  // all three, in order of their time
	Share  float64   `json:"share"`  // of the cure that is over, 0 to 1
}

// Board is the shelf at one moment.
type Board struct {
	Now  time.Time `json:"now"`
	Due  []Item    `json:"due"`  // may be done now, the longest waiting first
	Next []Item    `json:"next"` // still to wait for, the soonest first
	Rows []Row     `json:"rows"` // every batch, the last poured first
}

// Items returns the steps of a batch in order of their time.
func (p Poured) Items(now time.Time) []Item {
	// Trimmed or not, moved or not: the maker may skip a tap. A batch that is
	// closed has nothing left to do.
	items := []Item{
		{Step: Trim, Due: p.At.Add(p.Timers.Trim), Done: p.Trimmed, Title: "Trim " + count(p.Wicks, "wick")},
		{Step: Move, Due: p.At.Add(p.Timers.Move), Done: p.Moved, Title: "Move " + count(p.Jars, "candle")},
		{Step: Cure, Due: p.At.Add(max(p.Timers.Cure, p.Timers.Move)), Done: p.Finished, Title: "Ready: " + count(p.Jars, "candle")},
	}
	for i := range items {
		it := &items[i]
		it.Code, it.Name, it.Jars = p.Code, p.Name, p.Jars
		if it.Done.IsZero() && !p.Finished.IsZero() {
			it.Done = p.Finished
		}
		switch {
		case !it.Done.IsZero():
			it.State = Done
		case now.Before(it.Due):
			it.State = Waiting
		default:
			it.State = Due
		}
	}
	slices.SortStableFunc(items, func(a, b Item) int { return a.Due.Compare(b.Due) })
	return items
}

func count(n int, word string) string {
	switch {
	case n == 0:
		return "the " + word + "s"
	case n == 1:
		return "1 " + word
	}
	return strconv.Itoa(n) + " " + word + "s"
}

// NewBoard sets out what can be done now and what has to wait. At its moment a
// step may be done: the moment itself counts as reached.
func NewBoard(batches []Poured, now time.Time) Board {
	b := Board{Now: now, Due: []Item{}, Next: []Item{}, Rows: []Row{}}
	for _, p := range batches {
		r := Row{Code: p.Code, Name: p.Name, Poured: p.At, Jars: p.Jars, Items: p.Items(now), Now: []Item{}, Status: "curing"}
		for _, it := range r.Items {
			switch it.State {
			case Due:
				r.Now = append(r.Now, it)
				b.Due = append(b.Due, it)
			case Waiting:
				if r.Next == nil {
					next := it
					r.Next = &next
				}
				b.Next = append(b.Next, it)
			}
			if it.Step == Cure {
				if whole := it.Due.Sub(p.At); whole > 0 {
					r.Share = min(1, max(0, float64(now.Sub(p.At))/float64(whole)))
				} else {
					r.Share = 1
				}
				if it.State == Due {
					r.Status = "ready"
				}
			}
			if it.Step == Trim && it.State == Waiting {
				r.Status = "setting"
			}
		}
		if !p.Finished.IsZero() {
			r.Status, r.Share = "finished", 1
		}
		b.Rows = append(b.Rows, r)
	}
	slices.SortFunc(b.Due, byTime)
	slices.SortFunc(b.Next, byTime)
	slices.SortStableFunc(b.Rows, func(a, b Row) int {
		if c := b.Poured.Compare(a.Poured); c != 0 {
			return c
		}
		return cmp.Compare(a.Code, b.Code)
	})
	return b
}

// byTime orders items by their moment, then by batch and step.
func byTime(a, b Item) int {
	if c := a.Due.Compare(b.Due); c != 0 {
		return c
	}
	return cmp.Or(cmp.Compare(a.Code, b.Code), cmp.Compare(a.Step, b.Step))
}

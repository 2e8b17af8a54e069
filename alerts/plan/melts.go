package plan

import (
	"fmt"
	"slices"
)

// OfMelt returns the sheet of one of the sheet's melts, counted from 1: what to
// weigh for that jugful alone. A pot holds one melt at a time, so each is started,
// scented and poured as a batch of its own.
func (s Sheet) OfMelt(n int) (Sheet, error) {
	switch {
	case n < 1 || n > len(s.Melts):
		return Sheet{}, fmt.Errorf("%w: there is no melt %d: the sheet of %q has %d", ErrInvalid, n, s.Name, len(s.Melts))
	case len(s.Melts) == 1:
		return s, nil
	case s.Source == nil:
		return Sheet{}, fmt.Errorf("%w: the sheet of %q has no recipe with it, so its melts can't be taken apart", ErrInvalid, s.Name)
	}
	var counts []Count
	for _, c := range s.Melts[n-1].Containers {
		counts = append(counts, Count{c.Name, c.Count})
	}
	o := s.Options
	o.Jug = s.Jug
	o.Wax /= float64(len(s.Melts))
	o.Lots = s.lots()
	one, err := s.Source.Sheet(counts, o)
	if err != nil {
		return Sheet{}, fmt.Errorf("melt %d of %q: %w", n, s.Name, err)
	}
	one.Name = fmt.Sprintf("%s, melt %d of %d", s.Name, n, len(s.Melts))
	return one, nil
}

// lots are the lots on the sheet, by name of the wax, oil or extra.
func (s Sheet) lots() map[string]string {
	lots := map[string]string{}
	for _, parts := range [][]Part{s.Wax, s.Fragrance, s.Extras} {
		for _, p := range parts {
			if p.Lot != "" {
				lots[p.Name] = p.Lot
			}
		}
	}
	return lots
}

// LotsOf returns every lot that went into a batch, for looking it up by one: those
// of its sheet and those noted in its events, folded. A lot that was noted takes
// the place of the one that the sheet names for the same thing.
func LotsOf(s Sheet, events []Event) []string {
	lots := s.lots()
	var names []string
	for _, parts := range [][]Part{s.Wax, s.Fragrance, s.Extras} {
		for _, p := range parts {
			names = append(names, p.Name)
		}
	}
	for _, e := range events {
		for name, lot := range e.Lots {
			lots[name] = lot
		}
	}
	var others []string // things the sheet does not list, the wicks among them
	for name := range lots {
		if !slices.Contains(names, name) {
			others = append(others, name)
		}
	}
	slices.Sort(others)
	names = append(names, others...)
	var out []string
	seen := map[string]bool{"": true}
	for _, n := range names {
		if l := lots[n]; !seen[l] {
			seen[l] = true
			out = append(out, l)
		}
	}
	return out
}

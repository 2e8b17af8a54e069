package plan

import (
	"fmt"
	"math"
)

// Scale makes the sheet's batch larger or smaller by a factor. It goes back to
// the recipe and works everything out afresh, so that rounding, split and
// warnings are those of the new size. Counts that don't come out whole are
// rounded to the nearest and said so.
func (s Sheet) Scale(f float64) (Sheet, error) {
	if !finite(f) || f <= 0 {
		return Sheet{}, fmt.Errorf("%w: can't scale by %g: the factor must be above zero", ErrInvalid, f)
	}
	if s.Source == nil {
		return Sheet{}, fmt.Errorf("%w: the sheet of %q has no recipe with it, so it can't be scaled: start from the recipe", ErrInvalid, s.Name)
	}
	counts := s.Counts()
	o := s.Options
	o.Wax *= f
	var uneven []Warning
	for i, c := range counts {
		exact := float64(c.N) * f
		n := math.Round(exact)
		if math.Abs(exact-n) > 1e-9 {
			uneven = append(uneven, Warning{"jars-uneven", Note, fmt.Sprintf("%d × %g is %g of “%s”: %g are planned.", c.N, f, round2(exact), c.Container, n)})
		}
		if n > maxJars {
			return Sheet{}, fmt.Errorf("%w: %g of %q are more than a kitchen makes in one go (%d)", ErrInvalid, n, c.Container, maxJars)
		}
		counts[i].N = int(n)
	}
	out, err := s.Source.Sheet(counts, o)
	if err != nil {
		return Sheet{}, fmt.Errorf("scale the sheet of %q by %g: %w", s.Name, f, err)
	}
	out.Warnings = append(uneven, out.Warnings...)
	return out, nil
}

// Again works out a new sheet from that of an earlier batch: the recipe as it was
// then, the same counts unless others are given, with the code of that batch
// noted. Lots are those of then: check them. Options of the earlier sheet hold
// unless o sets its own.
func (s Sheet) Again(batch string, counts []Count, o Options) (Sheet, error) {
	if s.Source == nil {
		return Sheet{}, fmt.Errorf("%w: the sheet of batch %s has no recipe with it: start from the recipe", ErrInvalid, batch)
	}
	was := s.Options
	was.From = batch
	if len(counts) > 0 {
		was.Wax = 0 // that much wax was for the counts of then
	}
	if o.Jug != "" {
		was.Jug = o.Jug
	}
	if o.Wax > 0 {
		was.Wax = o.Wax
	}
	if o.Window > 0 {
		was.Window = o.Window
	}
	if o.Cooling != nil {
		was.Cooling = o.Cooling
	}
	if o.Loss > 0 {
		was.Loss = o.Loss
	}
	if o.Ceiling > 0 {
		was.Ceiling = o.Ceiling
	}
	if o.Lots != nil {
		was.Lots = o.Lots
	}
	if o.Show != nil {
		was.Show = o.Show
	}
	if len(counts) == 0 {
		counts = s.Counts()
	}
	return s.Source.Sheet(counts, was)
}

// Counts returns how many of which container the sheet is for.
func (s Sheet) Counts() []Count {
	var out []Count
	for _, c := range s.Containers {
		out = append(out, Count{c.Name, c.Count})
	}
	return out
}

func round2(v float64) float64 { return math.Round(v*100) / 100 }

package plan

import (
	"errors"
	"fmt"
	"math"
	"slices"
	"strings"
	"time"

	"example.org/meltstation/alerts/plan/units"
)

// Options are what a sheet needs to know beside the recipe. The zero value will do.
type Options struct {
	Jug     string        `json:"jug,omitempty"`     // which of the recipe's jugs; "" = the smallest one that takes it all, else the largest
	Wax     float64       `json:"wax,omitempty"`     // g: work from this much wax instead of from what the counts need
	Window  time.Duration `json:"window,omitempty"`  // how long the pour window stays open, as seen before or forecast; 0 = from Cooling, else not known
	Cooling *Cooling      `json:"cooling,omitempty"` // how the jug cools on the bench; nil = not known
	Loss    float64       `json:"loss,omitempty"`    // g left in a jug as seen in earlier batches; 0 = the recipe's
	From    string        `json:"from,omitempty"`    // code of the earlier batch this one repeats
	Ceiling float64       `json:"ceiling,omitempty"` // °C, boiling point of water at the station; 0 = not known
	// Lots of this batch by name of the wax, oil or extra; they go before the recipe's.
	Lots map[string]string `json:"lots,omitempty"`
	Show *Display          `json:"show,omitempty"` // in which units the sheet speaks; nil = the recipe's
}

// Validate returns what can't be in the options.
func (o Options) Validate() []Problem {
	var out []Problem
	add := func(field string, v any, rule string) {
		out = append(out, Problem{"options." + field, fmt.Sprint(v), rule, "check the number, or leave it out"})
	}
	if !finite(o.Wax) || o.Wax < 0 || o.Wax > 1e6 {
		add("wax", o.Wax, "an amount of wax in grams is needed")
	}
	if !finite(o.Loss) || o.Loss < 0 || o.Loss > 1e5 {
		add("loss", o.Loss, "an amount left in the jug in grams is needed")
	}
	if !finite(o.Ceiling) || o.Ceiling != 0 && (o.Ceiling < 60 || o.Ceiling > 105) {
		add("ceiling", o.Ceiling, "water boils between 60 and 105 °C wherever people live")
	}
	if o.Window < 0 {
		add("window", o.Window, "a time can't be negative")
	}
	if d := o.Show; d != nil && (d.Temperature != units.C && d.Temperature != units.F || d.Mass != units.Grams && d.Mass != units.Ounces) {
		add("show", *d, "temperatures are shown in C or F, masses in g or oz")
	}
	if c := o.Cooling; c != nil && !(c.K > 0 && c.K < 1 && finite(c.Room) && math.Abs(c.Room) < 100) {
		add("cooling", *c, "a rate a second between 0 and 1 and a room in °C are needed")
	}
	return out
}

// ErrInvalid is returned, wrapped around every [Problem], when a recipe can't be
// worked out.
var ErrInvalid = errors.New("the recipe can't be worked out")

// Problems joins problems into one error, or nil when there are none.
func Problems(ps []Problem) error {
	if len(ps) == 0 {
		return nil
	}
	errs := []error{ErrInvalid}
	for _, p := range ps {
		errs = append(errs, p)
	}
	return errors.Join(errs...)
}

// Sheet works out what to weigh, melt and pour for these counts.
//
// Rounding: wax is rounded up to the scale's step, so that the containers never
// come out short. Fragrance follows the rounded wax, rounded to the nearest
// step, but down wherever the step up would pass a supplier's maximum that the
// recipe itself keeps. If that leaves the jug short, one more step of wax goes in.
// A batch that does not fit into the jug is split into melts as equal as whole
// containers allow, and each melt is weighed by itself.
func (r Recipe) Sheet(counts []Count, o Options) (Sheet, error) {
	if err := Problems(append(r.Validate(), o.Validate()...)); err != nil {
		return Sheet{}, err
	}
	if o.Ceiling > 0 && r.Thresholds.BathCeiling == 0 {
		r.Thresholds.BathCeiling = o.Ceiling
	}
	r = r.withLots(o.Lots)
	s := Sheet{
		Name: r.Name, Recipe: r.Name, From: o.From,
		Thresholds: r.Bands(), Timers: r.Timers, Show: r.Show,
		ScaleStep: r.Scale, FineStep: r.FineScale, Load: r.Load, Basis: r.Basis,
		Source: &r, Options: o,
	}
	if o.Show != nil {
		s.Show = *o.Show
	}
	jars, err := r.jars(counts)
	if err != nil {
		return Sheet{}, err
	}
	if len(jars) == 0 && o.Wax == 0 {
		return Sheet{}, fmt.Errorf("%w: nothing to make: say how many of which container, or how much wax", ErrInvalid)
	}
	for _, c := range jars {
		s.Jars += c.Count
		s.Wicks += c.Count * c.Wicks
	}
	if s.Jars > maxJars {
		return Sheet{}, fmt.Errorf("%w: %d containers are more than a kitchen makes in one go (%d)", ErrInvalid, s.Jars, maxJars)
	}
	s.Containers = jars

	jug, loss, err := r.pickJug(jars, o, &s)
	if err != nil {
		return Sheet{}, err
	}
	groups, err := r.split(jars, jug, loss, o, &s)
	if err != nil {
		return Sheet{}, err
	}
	for _, g := range groups {
		m := r.melt(g, mixNeeded(g, r.TopOff)+loss, o.Wax/float64(len(groups)))
		if jug != nil {
			m.Jug = jug.Name
			if c, ok := r.Capacity(*jug); ok {
				m.RoomGrams = math.Max(0, c-m.TotalGrams)
			}
		}
		s.Melts = append(s.Melts, m)
	}
	if jug != nil {
		s.Jug = jug.Name
	}
	s.sumUp(r, loss)
	s.order(r)
	s.warn(r, jug)
	return s, nil
}

// withLots returns the recipe with other lots; the one it is called on keeps its own.
func (r Recipe) withLots(lots map[string]string) Recipe {
	if len(lots) == 0 {
		return r
	}
	r.Wax, r.Oils, r.Extras = slices.Clone(r.Wax), slices.Clone(r.Oils), slices.Clone(r.Extras)
	set := func(name string, lot *string) {
		if l, ok := lots[name]; ok {
			*lot = l
		}
	}
	for i := range r.Wax {
		set(r.Wax[i].Name, &r.Wax[i].Lot)
	}
	for i := range r.Oils {
		set(r.Oils[i].Name, &r.Oils[i].Lot)
	}
	for i := range r.Extras {
		set(r.Extras[i].Name, &r.Extras[i].Lot)
	}
	return r
}

// maxJars bounds what one sheet is asked for.
const maxJars = 20000

// jars turns counts into containers, the largest first.
func (r Recipe) jars(counts []Count) ([]Containers, error) {
	sum := map[string]int{}
	var names []string
	for _, c := range counts {
		if c.N < 0 {
			return nil, fmt.Errorf("%w: %d of %q", ErrInvalid, c.N, c.Container)
		}
		if _, ok := r.Container(c.Container); !ok {
			var have []string
			for _, x := range r.Containers {
				have = append(have, fmt.Sprintf("%q", x.Name))
			}
			mend := "it lists none"
			if len(have) > 0 {
				mend = "it has " + strings.Join(have, ", ")
			}
			return nil, fmt.Errorf("%w: the recipe has no container %q: %s", ErrInvalid, c.Container, mend)
		}
		if _, ok := sum[c.Container]; !ok {
			names = append(names, c.Container)
		}
		if c.N > maxJars || sum[c.Container] > maxJars {
			return nil, fmt.Errorf("%w: %d of %q are more than a kitchen makes in one go (%d)", ErrInvalid, c.N, c.Container, maxJars)
		}
		sum[c.Container] += c.N
	}
	var out []Containers
	for _, n := range names {
		if sum[n] == 0 {
			continue
		}
		c, _ := r.Container(n)
		wax, mix, err := r.Grams(c)
		if err != nil {
			return nil, fmt.Errorf("%w: %w", ErrInvalid, err)
		}
		out = append(out, Containers{Name: n, Count: sum[n], Grams: mix, Wax: wax, Wicks: c.Wicks})
	}
	slices.SortStableFunc(out, func(a, b Containers) int {
		switch {
		case a.Grams > b.Grams:
			return -1
		case a.Grams < b.Grams:
			return 1
		}
		return 0
	})
	return out, nil
}

// mixNeeded is the grams of mix that the containers take, with the top-off.
func mixNeeded(jars []Containers, topOff float64) float64 {
	var g float64
	for _, c := range jars {
		g += float64(c.Count) * c.Grams
	}
	return g * (1 + topOff/100)
}

// pickJug chooses the jug and what is left in it.
func (r Recipe) pickJug(jars []Containers, o Options, s *Sheet) (*Jug, float64, error) {
	loss := func(j Jug) float64 {
		if o.Loss > 0 {
			return o.Loss
		}
		return j.Loss
	}
	if len(r.Jugs) == 0 {
		if o.Jug != "" {
			return nil, 0, fmt.Errorf("%w: the recipe has no jug %q; it lists none", ErrInvalid, o.Jug)
		}
		return nil, o.Loss, nil
	}
	need := math.Max(mixNeeded(jars, r.TopOff), o.Wax*r.MixPerWax())
	var best *Jug
	var bestCap float64
	for i := range r.Jugs {
		j := &r.Jugs[i]
		if o.Jug != "" {
			if j.Name == o.Jug {
				return j, loss(*j), nil
			}
			continue
		}
		c, ok := r.Capacity(*j)
		if !ok {
			continue
		}
		fits := need+loss(*j)+r.step() <= c
		bestFits := best != nil && need+loss(*best)+r.step() <= bestCap
		switch {
		case best == nil, fits && (!bestFits || c < bestCap), !fits && !bestFits && c > bestCap:
			best, bestCap = j, c
		}
	}
	if best == nil {
		var have []string
		for _, j := range r.Jugs {
			have = append(have, fmt.Sprintf("%q", j.Name))
		}
		return nil, 0, fmt.Errorf("%w: the recipe has no jug %q: it has %s", ErrInvalid, o.Jug, strings.Join(have, ", "))
	}
	return best, loss(*best), nil
}

// step is the most that rounding can add to one melt.
func (r Recipe) step() float64 { return float64(len(r.Wax)+1) * r.Scale }

// split shares the containers out over as few melts as fit the jug, the largest
// containers first, each to the emptiest melt.
func (r Recipe) split(jars []Containers, jug *Jug, loss float64, o Options, s *Sheet) ([][]Containers, error) {
	capacity, known := math.Inf(1), false
	if jug != nil {
		if c, ok := r.Capacity(*jug); ok {
			capacity, known = c, true
		}
	}
	fixed := o.Wax * r.MixPerWax()
	room := capacity - loss - r.step()
	if fixed > 0 {
		room = capacity - r.step()
	}
	need := math.Max(mixNeeded(jars, r.TopOff), fixed)
	n := 1
	if known {
		biggest := 0.0
		for _, c := range jars {
			biggest = math.Max(biggest, c.Grams*(1+r.TopOff/100))
		}
		if room <= 0 || biggest > room {
			s.Warnings = append(s.Warnings, Warning{"jug-too-small", Stop, fmt.Sprintf(
				"One container takes %s and the jug “%s” only %s with room to stir and what stays behind. Use a larger jug.",
				s.mass(biggest), jug.Name, s.mass(math.Max(room, 0)))})
			room = math.Inf(1)
		} else {
			n = max(1, int(math.Ceil(need/room-1e-9)))
		}
	}
	if n > maxMelts {
		return nil, fmt.Errorf("%w: the jug %q would have to be filled %d times: use a larger jug or make less", ErrInvalid, jug.Name, n)
	}
	for ; ; n++ {
		groups := share(jars, n)
		fits := true
		for _, g := range groups {
			fits = fits && mixNeeded(g, r.TopOff) <= room+1e-9
		}
		if fits || n >= maxMelts {
			return groups, nil
		}
	}
}

// maxMelts bounds how often one jug is filled for one sheet.
const maxMelts = 200

// share shares containers out over n melts: an equal count of each kind to all,
// then the rest, the largest first, each to the melt that has least so far.
func share(jars []Containers, n int) [][]Containers {
	counts := make([][]int, n)
	load := make([]float64, n)
	for m := range counts {
		counts[m] = make([]int, len(jars))
		for i, c := range jars {
			counts[m][i] = c.Count / n
			load[m] += float64(c.Count/n) * c.Grams
		}
	}
	for i, c := range jars {
		for range c.Count % n {
			least := 0
			for m := range load {
				if load[m] < load[least]-1e-9 {
					least = m
				}
			}
			counts[least][i]++
			load[least] += c.Grams
		}
	}
	out := make([][]Containers, n)
	for m := range out {
		for i, c := range jars {
			if counts[m][i] > 0 {
				c.Count = counts[m][i]
				out[m] = append(out[m], c)
			}
		}
	}
	return out
}

// melt weighs one jugful that must hold at least need grams, or has wax grams of
// wax when that is not zero.
func (r Recipe) melt(jars []Containers, need, wax float64) Melt {
	per := r.MixPerWax()
	exact := need / per
	if wax > 0 {
		exact = wax
	}
	m := Melt{Containers: jars}
	fine := r.FineScale
	if fine == 0 {
		fine = r.Scale
	}
	var shares float64
	for _, w := range r.Wax {
		shares += w.Share
	}
	for _, w := range r.Wax {
		g := exact * w.Share / shares
		rounded := units.Up(g, r.Scale)
		if wax > 0 {
			rounded = units.Nearest(g, r.Scale) // the wax is given: it is what it is
		}
		m.Wax = append(m.Wax, Part{Name: w.Name, Grams: tidy(rounded), Exact: tidy(g), Lot: w.Lot})
	}
	largest := 0
	for i, w := range r.Wax {
		if w.Share > r.Wax[largest].Share {
			largest = i
		}
	}
	for {
		r.scent(&m, exact, fine)
		m.TotalGrams = tidy(total(m.Wax) + total(m.Fragrance) + total(m.Extras))
		if wax > 0 || m.TotalGrams >= need-1e-5 {
			break
		}
		steps := math.Max(1, math.Floor((need-m.TotalGrams)/r.MixPerWax()/r.Scale))
		m.Wax[largest].Grams = tidy(m.Wax[largest].Grams + steps*r.Scale)
	}
	for _, c := range jars {
		m.PourSeconds += float64(c.Count) * r.fillTime(c.Name).Seconds()
	}
	return m
}

// scent works out the extras and the oils of a melt for its rounded wax.
func (r Recipe) scent(m *Melt, exactWax, fine float64) {
	wax := total(m.Wax)
	m.Extras, m.Fragrance = nil, nil
	for _, x := range r.Extras {
		g := wax * x.Amount / 100
		rounded := units.Nearest(g, fine)
		if rounded == 0 {
			rounded = g // the scale can't show it; the sheet says so
		}
		m.Extras = append(m.Extras, Part{Name: x.Name, Grams: tidy(rounded), Exact: tidy(exactWax * x.Amount / 100), Lot: x.Lot})
	}
	extras := total(m.Extras)
	var shares float64
	for _, o := range r.Oils {
		shares += o.Share
	}
	oil := wax * r.OilPerWax()
	up := make([]float64, len(r.Oils)) // how far rounding lifted each
	for i, o := range r.Oils {
		g := oil * o.Share / shares
		rounded := units.Nearest(g, fine)
		if rounded == 0 {
			rounded = g
		}
		up[i] = rounded - g
		m.Fragrance = append(m.Fragrance, Part{Name: o.Name, Grams: tidy(rounded), Exact: tidy(exactWax * r.OilPerWax() * o.Share / shares), Lot: o.Lot})
	}
	// Rounding may pass no maximum that the exact recipe keeps. Where the recipe
	// itself is over one, the sheet says so, and rounding adds nothing to it.
	per, perExtras := r.OilPerWax(), r.ExtrasPerWax()
	fixed := make([]bool, len(r.Oils)) // there is no step left to take away
	mayStay := func(keeps bool, i int) bool { return fixed[i] || !keeps && up[i] <= 1e-9 }
	for {
		worst := -1
		for i, o := range r.Oils {
			keeps := !r.overOil(o, per*o.Share/shares, 1, per+perExtras)
			if r.overOil(o, m.Fragrance[i].Grams, wax, total(m.Fragrance)+extras) && !mayStay(keeps, i) {
				worst = i
				break
			}
		}
		if any, kept := r.overWax(total(m.Fragrance), wax, extras, per, perExtras); worst < 0 && any {
			for i := range up {
				if !mayStay(kept, i) && (worst < 0 || up[i] > up[worst]) {
					worst = i
				}
			}
		}
		if worst < 0 || fine <= 0 {
			return
		}
		p := &m.Fragrance[worst]
		if p.Grams <= fine+1e-9 { // down to nothing: as above, the scale can't show it
			p.Grams, up[worst], fixed[worst] = tidy(p.Grams-math.Max(up[worst], 0)), 0, true
			continue
		}
		p.Grams, up[worst] = tidy(p.Grams-fine), up[worst]-fine
	}
}

// percentOf returns oil as a percentage on the basis; "" counts as of wax.
func percentOf(b Basis, oil, wax, others float64) float64 {
	if b == OfTotal {
		return 100 * oil / (wax + others)
	}
	return 100 * oil / wax
}

// overOil reports whether oil grams of o pass its supplier's maximum. others is
// all that is in the jug beside the wax.
func (r Recipe) overOil(o Oil, oil, wax, others float64) bool {
	return o.MaxLoad > 0 && wax > 0 && percentOf(o.Basis, oil, wax, others) > o.MaxLoad+1e-9
}

// overWax reports whether the fragrance passes what any of the waxes' suppliers
// allow, and whether it passes one that the exact recipe, per and perExtras to each
// gram of wax, keeps.
func (r Recipe) overWax(oil, wax, extras, per, perExtras float64) (any, kept bool) {
	for _, w := range r.Wax {
		if w.MaxLoad > 0 && wax > 0 && percentOf(w.Basis, oil, wax, oil+extras) > w.MaxLoad+1e-9 {
			any = true
			kept = kept || percentOf(w.Basis, per, 1, per+perExtras) <= w.MaxLoad+1e-9
		}
	}
	return any, kept
}

func (r Recipe) fillTime(container string) time.Duration {
	if c, ok := r.Container(container); ok && c.FillTime > 0 {
		return c.FillTime
	}
	return r.FillTime
}

// tidy drops what is beyond a microgram: dust of the arithmetic.
func tidy(g float64) float64 { return math.Round(g*1e6) / 1e6 }

// sumUp fills the sheet's totals from its melts.
func (s *Sheet) sumUp(r Recipe, loss float64) {
	add := func(to *[]Part, from []Part) {
		for i, p := range from {
			if i == len(*to) {
				*to = append(*to, Part{Name: p.Name, Lot: p.Lot})
			}
			(*to)[i].Grams = tidy((*to)[i].Grams + p.Grams)
			(*to)[i].Exact = tidy((*to)[i].Exact + p.Exact)
		}
	}
	for _, m := range s.Melts {
		add(&s.Wax, m.Wax)
		add(&s.Fragrance, m.Fragrance)
		add(&s.Extras, m.Extras)
		s.TotalGrams = tidy(s.TotalGrams + m.TotalGrams)
	}
	s.JarGrams = mixNeeded(s.Containers, 0)
	s.TopOffGrams = s.JarGrams * r.TopOff / 100
	s.LossGrams = loss * float64(len(s.Melts))
	s.SpareGrams = s.TotalGrams - s.JarGrams - s.TopOffGrams - s.LossGrams
	if wax := s.WaxGrams(); wax > 0 {
		s.LoadOfWax = 100 * s.FragranceGrams() / wax
		s.LoadOfTotal = 100 * s.FragranceGrams() / s.TotalGrams
	}
}

// order lists what to pour when: large containers first, because they cool the
// slowest and need the most, then small ones, then the top-off.
func (s *Sheet) order(r Recipe) {
	for i, m := range s.Melts {
		for _, c := range m.Containers {
			s.PourOrder = append(s.PourOrder, PourStep{Melt: i + 1, Container: c.Name, Count: c.Count, Grams: c.Grams,
				Seconds: float64(c.Count) * r.fillTime(c.Name).Seconds()})
		}
		if r.TopOff > 0 {
			for _, c := range m.Containers {
				s.PourOrder = append(s.PourOrder, PourStep{Melt: i + 1, Container: c.Name, Count: c.Count,
					Grams: c.Grams * r.TopOff / 100, TopOff: true})
			}
		}
	}
}

func (s Sheet) mass(g float64) string { return units.Mass(g, s.Show.Mass, s.ScaleStep) }

func (s Sheet) deg(c float64) string { return degrees(c, s.Show.Temperature) }

// degrees writes a temperature in whole degrees, or in tenths where it is none.
func degrees(c float64, unit string) string {
	v := c
	if unit == units.F {
		v = units.Fahrenheit(c)
	}
	if math.Abs(v-math.Round(v)) < 0.05 {
		return units.Temperature(c, unit, 0)
	}
	return units.Temperature(c, unit, 1)
}

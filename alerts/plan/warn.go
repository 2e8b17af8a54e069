package plan

import (
	"fmt"
	"math"
	"strings"

	"example.org/meltstation/alerts/plan/units"
)

// warn puts on the sheet what the maker must know before starting. The
// supplier's sheets decide; none of this makes a safety device of a plan.
func (s *Sheet) warn(r Recipe, jug *Jug) {
	add := func(key string, level Level, format string, args ...any) {
		s.Warnings = append(s.Warnings, Warning{key, level, fmt.Sprintf(format, args...)})
	}
	t := s.Thresholds
	unit := s.Show.Temperature

	// Temperatures in an order that can't be worked with.
	for _, p := range t.validate(unit) {
		key := "temperatures"
		if p.Field == "temperatures.pour_high" {
			key = "pour-above-scent"
		}
		add(key, Stop, "%s", sentence(p))
	}

	// Fragrance against its flash points.
	var over, limit, near, open, unsaid, unknown []string
	for _, o := range r.Oils {
		if o.Flash == 0 {
			unknown = append(unknown, "“"+o.Name+"”")
			continue
		}
		name := fmt.Sprintf("“%s” (%s, %s)", o.Name, degrees(o.Flash, unit), methodWords(o.Method))
		switch {
		case t.ScentAdd >= o.Flash-1e-9:
			over = append(over, name)
		case t.ScentAdd >= o.Flash-t.FlashMargin-1e-9:
			limit = append(limit, name)
		case t.ScentAdd >= o.Flash-RaisedClassMargin-1e-9:
			near = append(near, name)
		}
		switch o.Method {
		case MethodOpen:
			open = append(open, "“"+o.Name+"”")
		case MethodClosed:
		default:
			unsaid = append(unsaid, "“"+o.Name+"”")
		}
	}
	if over != nil {
		add("scent-over-flash", Stop, "Scent-add (%s) is at or over the flash point of %s: the vapour can catch fire. Add the fragrance cooler, or choose another oil.", s.deg(t.ScentAdd), list(over))
	}
	if limit != nil {
		add("scent-over-limit", Stop, "Scent-add (%s) is within %s of the flash point of %s, where the flash-point alarm stands. Add the fragrance cooler.", s.deg(t.ScentAdd), units.Difference(t.FlashMargin, unit, 0), list(limit))
	}
	if near != nil {
		// 29 CFR 1910.106(a)(19)(iii) and (iv): a liquid "heated for use to within
		// 30 °F (16.7 °C) of its flashpoint" is handled as the next stricter class.
		add("scent-near-flash", Caution, "Scent-add (%s) is within 30 °F (16.7 °C) of the flash point of %s; US workplace rules (29 CFR 1910.106) handle a liquid that warm as the next more dangerous class. No flame near, good air, no overshoot.", s.deg(t.ScentAdd), list(near))
	}
	if unknown != nil {
		add("flash-unknown", Caution, "No flash point is given for %s, so nothing can warn of it. Copy it, with its method, from the oil's safety data sheet.", list(unknown))
	}
	if open != nil {
		add("flash-open-cup", Note, "The flash point of %s was measured in an open cup, which usually reads higher than a closed one: keep more distance.", list(open))
	}
	if unsaid != nil {
		add("flash-method", Note, "The flash point of %s has no method. An open cup usually reads higher than a closed one: look it up on the safety data sheet.", list(unsaid))
	}
	if len(r.Oils) > 1 {
		add("flash-blend", Note, "A blend of oils can flash below the lowest flash point of its parts; only its maker can say. The lowest is used here.")
	}

	// Fragrance against what its suppliers allow, of the exact recipe.
	wax := total(s.Wax)
	if wax > 0 {
		others := total(s.Fragrance) + total(s.Extras)
		for i, o := range r.Oils {
			if oil := s.Fragrance[i].Grams; r.overOil(o, oil, wax, others) {
				add("load-over-max", Stop, "“%s” comes to %s %s; its supplier allows at most %s. Lower the load or its share.",
					o.Name, percent(percentOf(o.Basis, oil, wax, others)), basisWords(o.Basis), units.Percent(o.MaxLoad))
			}
		}
		for _, w := range r.Wax {
			if p := percentOf(w.Basis, total(s.Fragrance), wax, others); w.MaxLoad > 0 && p > w.MaxLoad+1e-9 {
				add("wax-over-max", Caution, "The fragrance comes to %s %s; “%s” holds at most %s by its supplier. More can sweat out, smoke or flare.",
					percent(p), basisWords(w.Basis), w.Name, units.Percent(w.MaxLoad))
			}
		}
		var unstated []string
		for _, o := range r.Oils {
			if o.MaxLoad == 0 {
				unstated = append(unstated, "“"+o.Name+"”")
			}
		}
		if len(unstated) > 0 {
			add("max-unknown", Note, "No supplier maximum is given for %s: it stands on the oil's certificate (IFRA category 12 for candles) or data sheet.", list(unstated))
		}
	}

	// Heat.
	if t.BathCeiling > 0 && t.ScentAdd > t.BathCeiling-2 {
		add("bath-ceiling", Caution, "Water boils at %s here, so a water bath hardly brings the wax to scent-add (%s). Add the fragrance cooler.", s.deg(t.BathCeiling), s.deg(t.ScentAdd))
	}
	if t.Scorch > 0 && t.ScentAdd >= t.Scorch {
		add("scorch", Caution, "Scent-add (%s) is at or over the temperature at which the wax spoils (%s).", s.deg(t.ScentAdd), s.deg(t.Scorch))
	}
	if t.Congeal > 0 && t.PourLow <= t.Congeal {
		add("congeal", Caution, "The pour window reaches down to %s, and the wax starts to set at %s. Close the window above that.", s.deg(t.PourLow), s.deg(t.Congeal))
	}

	// Counts and melts.
	if len(s.Melts) > 1 {
		add("split", Note, "It does not fit into “%s” at once: %d melts, each weighed and scented by itself.", s.Jug, len(s.Melts))
		if s.uneven() {
			add("jars-uneven", Note, "The containers don't come out even over %d melts, so the melts differ: weigh each by its own column.", len(s.Melts))
		}
	}
	if len(r.Jugs) == 0 {
		add("no-jug", Note, "The recipe lists no jug, so nothing checks whether it all fits.")
	}
	s.comesOut(r, add)

	// What the scale can show.
	for _, m := range s.Melts {
		for _, p := range append(append([]Part{}, m.Fragrance...), m.Extras...) {
			step := r.Scale
			if r.FineScale > 0 {
				step = r.FineScale
			}
			if p.Exact > 0 && math.Abs(p.Grams-p.Exact) > 0.05*p.Exact || p.Grams > 0 && p.Grams < step*0.999 {
				add("scale-coarse", Caution, "%s of “%s” is little for a scale that shows steps of %s: use a finer scale, or make a larger melt.", smallMass(p.Exact, s.Show.Mass), p.Name, smallMass(step, s.Show.Mass))
			}
		}
		if len(s.Melts) > 1 {
			break // the other melts are alike
		}
	}

	p := s.PourPlan(s.Options.Window, s.Options.Cooling)
	s.Pour = &p
	switch p.Advice {
	case AdviceReheat, AdviceSplit:
		add("pour-window", Caution, "%s", p.Text)
	case AdviceTight:
		add("pour-window", Note, "%s", p.Text)
	case AdviceUnknown:
		switch {
		case p.GuessHigh > 0 && p.NeedSeconds > p.GuessHigh:
			add("pour-window", Caution, "%s", p.Text)
		case p.GuessHigh > 0 && p.NeedSeconds > p.GuessLow:
			add("pour-window", Note, "%s", p.Text)
		}
	}
	if jug != nil && s.Options.Wax > 0 {
		if c, ok := r.Capacity(*jug); ok && s.Melts[0].TotalGrams > c+1e-6 {
			add("jug-too-small", Stop, "%s don't fit into “%s” with room to stir (%s).", s.mass(s.Melts[0].TotalGrams), jug.Name, s.mass(c))
		}
	}
}

// comesOut says when an amount of wax that was given does not come out with the
// containers that were asked for.
func (s *Sheet) comesOut(r Recipe, add func(key string, level Level, format string, args ...any)) {
	if s.Options.Wax <= 0 {
		return
	}
	if s.Jars == 0 {
		var fills []string
		for _, c := range r.Containers {
			if _, mix, err := r.Grams(c); err == nil && mix > 0 {
				n := math.Floor((s.TotalGrams-s.LossGrams)/(mix*(1+r.TopOff/100)) + 1e-9)
				fills = append(fills, fmt.Sprintf("%.0f × “%s”", n, c.Name))
			}
		}
		if len(fills) > 0 {
			add("wax-fills", Note, "That much wax fills %s.", strings.Join(fills, " or "))
		}
		return
	}
	spare := s.SpareGrams
	smallest := s.Containers[len(s.Containers)-1]
	each := smallest.Grams * (1 + r.TopOff/100)
	switch {
	case spare < -0.005*s.JarGrams:
		add("jars-short", Stop, "The wax does not fill %s: %s are missing. Take %s more wax, or fewer containers.", jarWords(s.Jars), s.mass(-spare), s.mass(-spare/r.MixPerWax()))
	case spare >= each:
		n := int(spare / each)
		add("jars-left-over", Note, "%s stay over: enough for %d more “%s”.", s.mass(spare), n, smallest.Name)
	case spare > 0.02*s.JarGrams && spare > 2*r.Scale:
		add("jars-left-over", Note, "The containers don't come out with the wax: %s stay over, not enough for one more “%s”.", s.mass(spare), smallest.Name)
	}
}

// uneven reports whether the melts hold different containers.
func (s Sheet) uneven() bool {
	for _, m := range s.Melts[1:] {
		if len(m.Containers) != len(s.Melts[0].Containers) {
			return true
		}
		for i, c := range m.Containers {
			if c != s.Melts[0].Containers[i] {
				return true
			}
		}
	}
	return false
}

func sentence(p Problem) string {
	name := strings.ReplaceAll(p.Field[strings.LastIndexByte(p.Field, '.')+1:], "_", "-")
	return fmt.Sprintf("%s is %s: %s; %s.", strings.ToUpper(name[:1])+name[1:], p.Value, p.Rule, p.Mend)
}

func list(names []string) string {
	if n := len(names) - 1; n > 0 {
		return strings.Join(names[:n], ", ") + " and " + names[n]
	}
	return strings.Join(names, "")
}

func methodWords(m string) string {
	if m == "" || m == MethodNotStated {
		return "method not stated"
	}
	return m
}

func basisWords(b Basis) string {
	if b == OfTotal {
		return "of the total"
	}
	return "of the wax"
}

func percent(p float64) string { return units.Percent(math.Round(p*100) / 100) }

// smallMass shows tenths and hundredths whatever the scale's step.
func smallMass(g float64, unit string) string {
	if unit == units.Ounces {
		return units.Mass(g, unit, 0.01*units.GramsPerOunce)
	}
	if g < 1 {
		return units.Mass(g, unit, 0.01)
	}
	return units.Mass(g, unit, 0.1)
}

package plan

import (
	"fmt"
	"math"
	"strings"
	"time"

	"example.org/meltstation/alerts/plan/units"
)

// Validate returns what makes the thresholds unusable, in order of the batch.
// What is merely unwise is a [Warning] on the sheet instead.
func (t Thresholds) Validate() []Problem { return t.validate("C") }

// ValidateIn is Validate with its temperatures in unit, "C" or "F".
func (t Thresholds) ValidateIn(unit string) []Problem { return t.validate(unit) }

func (t Thresholds) validate(unit string) []Problem {
	var out []Problem
	deg := func(c float64) string { return units.Temperature(c, unit, 1) }
	add := func(field string, value float64, rule, mend string) {
		out = append(out, Problem{"temperatures." + field, deg(value), rule, mend})
	}
	for _, f := range []struct {
		name string
		v    float64
		need bool
	}{
		{"scent_add", t.ScentAdd, true}, {"pour_high", t.PourHigh, true}, {"pour", t.Pour, true},
		{"pour_low", t.PourLow, true}, {"congeal", t.Congeal, false}, {"scorch", t.Scorch, false},
		{"bath_ceiling", t.BathCeiling, false},
	} {
		switch {
		case !finite(f.v):
			out = append(out, Problem{"temperatures." + f.name, "not a number", "it must be a temperature", "write it like 135 °F or 57 °C"})
		case f.v == 0 && !f.need:
		case f.v == 0:
			out = append(out, Problem{"temperatures." + f.name, "missing", "every batch needs it", "write it like 135 °F or 57 °C"})
		case f.v < 0 || f.v > 250:
			add(f.name, f.v, "no wax is worked there", "check the number and its unit, °F or °C")
		}
	}
	if len(out) > 0 {
		return out
	}
	if !finite(t.FlashMargin) || t.FlashMargin < 0 {
		out = append(out, Problem{"temperatures.flash_margin", units.Difference(t.FlashMargin, unit, 1), "the margin below the flash point can't be negative", "leave it out for " + units.Difference(DefaultFlashMargin, unit, 0)})
	}
	if t.PourHigh > t.ScentAdd {
		add("pour_high", t.PourHigh, "the pour window must open below scent-add ("+deg(t.ScentAdd)+")", "lower pour_high or raise scent_add")
	}
	if t.Pour > t.PourHigh {
		add("pour", t.Pour, "the best pour temperature must lie inside the window, which opens at "+deg(t.PourHigh), "set pour between pour_low and pour_high")
	}
	if t.Pour < t.PourLow {
		add("pour", t.Pour, "the best pour temperature must lie inside the window, which closes at "+deg(t.PourLow), "set pour between pour_low and pour_high")
	}
	if t.PourLow >= t.PourHigh {
		add("pour_low", t.PourLow, "the window must close below where it opens ("+deg(t.PourHigh)+")", "lower pour_low or raise pour_high")
	}
	if t.Flash != nil && !(t.Flash.Celsius > 0 && t.Flash.Celsius <= 250) {
		out = append(out, Problem{"fragrance.oil.flash", deg(t.Flash.Celsius), "that is no flash point of a fragrance oil", "check the unit, °F or °C, and copy it from the oil's safety data sheet"})
	} else if t.Flash != nil && t.Flash.Celsius <= t.PourHigh {
		out = append(out, Problem{"fragrance.oil.flash", deg(t.Flash.Celsius), "the flash point of " + quoteOr(t.Flash.Oil, "the oil") + " is not above the pour window (" + deg(t.PourHigh) + ")", "check the number and its unit; if it is right, this oil can't be used in this wax"})
	}
	if t.Scorch != 0 && t.Scorch <= t.PourHigh {
		add("scorch", t.Scorch, "the wax would spoil before it can be poured ("+deg(t.PourHigh)+")", "check the number and its unit")
	}
	return out
}

// Validate returns what makes the timers unusable.
func (t Timers) Validate() []Problem {
	var out []Problem
	for _, f := range []struct {
		name string
		v    time.Duration
	}{{"stir", t.Stir}, {"warm_jars", t.WarmJars}, {"cue_lead", t.CueLead}, {"trim", t.Trim}, {"move", t.Move}, {"cure", t.Cure}} {
		if f.v < 0 {
			out = append(out, Problem{"timers." + f.name, units.Duration(f.v), "a wait can't be negative", "write it like 2 min, 3 h or 14 days"})
		}
	}
	if t.Cure < t.Trim {
		out = append(out, Problem{"timers.cure", units.Duration(t.Cure), "curing lasts at least until the wicks are trimmed (" + units.Duration(t.Trim) + ")", "give the cure from pouring on, like 14 days"})
	}
	return out
}

// shareTolerance is how far shares may add up beside 100: three thirds written
// as 33.3 do.
const shareTolerance = 0.15

// maxParts bounds each list of a recipe.
const maxParts = 100

// Validate returns everything that must be put right before a sheet can be
// worked out. Temperatures in the wrong order don't stop the sums: they stand on
// the sheet as warnings of level [Stop].
func (r Recipe) Validate() []Problem {
	var out []Problem
	add := func(field, value, rule, mend string) { out = append(out, Problem{field, value, rule, mend}) }
	pct := func(field string, v, max float64) {
		if !finite(v) || v < 0 || v > max {
			add(field, units.Percent(v), fmt.Sprintf("it must lie between 0 and %g %%", max), "check the number")
		}
	}
	positive := func(field string, v float64, need bool, what string) {
		switch {
		case !finite(v) || v < 0:
			add(field, fmt.Sprintf("%g", v), what+" can't be negative", "check the number")
		case v == 0 && need:
			add(field, "missing", "it is needed", "write "+what)
		case v > 1e7:
			add(field, fmt.Sprintf("%g", v), what+" is beyond any kitchen", "check the number and its unit")
		}
	}
	if strings.TrimSpace(r.Name) == "" {
		add("name", "missing", "a recipe needs a name", `write name = "..." at the top`)
	}
	if r.Show.Temperature != units.C && r.Show.Temperature != units.F {
		add("temperature", quoteOr(r.Show.Temperature, "missing"), "temperatures are shown in C or F", `write temperature = "F" or "C"`)
	}
	if r.Show.Mass != units.Grams && r.Show.Mass != units.Ounces {
		add("mass", quoteOr(r.Show.Mass, "missing"), "masses are shown in g or oz", `write mass = "oz" or "g"`)
	}
	positive("scale", r.Scale, true, `the smallest step your scale shows, like "1 g" or "0.1 oz"`)
	positive("fine_scale", r.FineScale, false, `the smallest step of the fine scale`)
	for _, f := range []struct {
		name string
		v    float64
	}{{"scale", r.Scale}, {"fine_scale", r.FineScale}} {
		if f.v > 0 && f.v < 0.001 || f.v > 1000 {
			add(f.name, units.ExactMass(f.v, r.Show.Mass), "a scale shows steps between 0.001 g and 1 kg", "check the number and its unit")
		}
	}
	if r.FineScale > r.Scale {
		add("fine_scale", units.ExactMass(r.FineScale, r.Show.Mass), "it is coarser than the other scale", "leave it out, or swap the two")
	}
	for _, f := range []struct {
		name string
		n    int
	}{{"wax", len(r.Wax)}, {"fragrance.oil", len(r.Oils)}, {"extra", len(r.Extras)}, {"container", len(r.Containers)}, {"jug", len(r.Jugs)}} {
		if f.n > maxParts {
			add(f.name, fmt.Sprintf("there %d times", f.n), fmt.Sprintf("a recipe has at most %d", maxParts), "make several recipes of it")
			return out
		}
	}

	if len(r.Wax) == 0 {
		add("wax", "missing", "a candle needs a wax", "add a [[wax]] part with a name")
	}
	var share float64
	seen := map[string]bool{}
	for i, w := range r.Wax {
		f := fmt.Sprintf("wax[%d]", i+1)
		named(&out, f, w.Name, seen)
		pct(f+".share", w.Share, 100)
		pct(f+".max_load", w.MaxLoad, 50)
		basis(&out, f+".max_load_basis", w.Basis, true)
		if w.Density != 0 && !(w.Density >= 0.5 && w.Density <= 1.5) {
			add(f+".density", fmt.Sprintf("%g g/ml", w.Density), "molten wax weighs between 0.5 and 1.5 g/ml", "check the number and its unit")
		}
		share += w.Share
	}
	if len(r.Wax) > 0 && !(math.Abs(share-100) <= shareTolerance) {
		add("wax.share", units.Percent(share)+" in all", "the shares of the waxes must add up to 100 %", "put the shares right")
	}

	pct("fragrance.load", r.Load, 50)
	basis(&out, "fragrance.basis", r.Basis, false)
	if r.Load > 0 && len(r.Oils) == 0 {
		add("fragrance.oil", "missing", "there is a load but no oil", "add a [[fragrance.oil]] part, or leave the load out")
	}
	if r.Load == 0 && len(r.Oils) > 0 {
		add("fragrance.load", "missing", "there is an oil but no load", "write load = 6 and basis = \"of wax\"")
	}
	share, seen = 0, map[string]bool{}
	for i, o := range r.Oils {
		f := fmt.Sprintf("fragrance.oil[%d]", i+1)
		named(&out, f, o.Name, seen)
		pct(f+".share", o.Share, 100)
		pct(f+".max_load", o.MaxLoad, 100)
		basis(&out, f+".max_load_basis", o.Basis, true)
		if !finite(o.Flash) || o.Flash < 0 || o.Flash > 400 {
			add(f+".flash", units.Temperature(o.Flash, r.Show.Temperature, 0), "that is no flash point of a fragrance oil", "check the unit, °F or °C, and copy it from the oil's safety data sheet")
		}
		switch o.Method {
		case "", MethodClosed, MethodOpen, MethodNotStated:
		default:
			add(f+".method", quoteOr(o.Method, ""), "a flash point is measured in a closed or an open cup", `write "closed cup", "open cup" or "not stated"`)
		}
		share += o.Share
	}
	if len(r.Oils) > 0 && !(math.Abs(share-100) <= shareTolerance) {
		add("fragrance.oil.share", units.Percent(share)+" in all", "the shares of the oils must add up to 100 %", "put the shares right")
	}
	seen = map[string]bool{}
	for i, x := range r.Extras {
		f := fmt.Sprintf("extra[%d]", i+1)
		named(&out, f, x.Name, seen)
		pct(f+".amount", x.Amount, 100)
	}

	seen = map[string]bool{}
	for i, c := range r.Containers {
		f := fmt.Sprintf("container[%d]", i+1)
		named(&out, f, c.Name, seen)
		positive(f+".wax", c.Wax, false, "the weight of wax in it")
		positive(f+".volume", c.Volume, false, "its volume to the brim")
		positive(f+".headspace", c.Headspace, false, "the headspace")
		switch {
		case c.Wax > 0 && c.Volume > 0:
			add(f, quoteOr(c.Name, "unfinished"), "it has a weight of wax and a volume", "keep one of the two")
		case c.Wax == 0 && c.Volume == 0:
			add(f, quoteOr(c.Name, "unfinished"), "it has neither a weight of wax nor a volume", `write wax = "6 oz", or volume = "250 ml" with a headspace`)
		case c.Volume > 0 && c.Headspace >= c.Volume:
			add(f+".headspace", units.Volume(c.Headspace, r.Show.Mass), "nothing of the container's volume is left", "make the headspace smaller than the volume")
		}
		if _, ok := r.Density(); c.Volume > 0 && !ok {
			add(f+".volume", units.Volume(c.Volume, r.Show.Mass), "a fill by volume needs the density of every wax", "add density to each [[wax]], or give the container's weight of wax")
		}
		if c.Wicks < 0 || c.Wicks > 20 {
			add(f+".wicks", fmt.Sprint(c.Wicks), "a container has one wick, or three in a triangle when it is wide", "check the number")
		}
		if c.FillTime < 0 {
			add(f+".fill_time", units.Duration(c.FillTime), "it can't be negative", `write it like "20 s"`)
		}
	}
	seen = map[string]bool{}
	for i, j := range r.Jugs {
		f := fmt.Sprintf("jug[%d]", i+1)
		named(&out, f, j.Name, seen)
		positive(f+".holds", j.Holds, false, "what it holds")
		positive(f+".volume", j.Volume, false, "its volume")
		positive(f+".loss", j.Loss, false, "what stays in it")
		pct(f+".room", j.Room, 90)
		switch {
		case j.Holds > 0 && j.Volume > 0:
			add(f, quoteOr(j.Name, ""), "it has a weight and a volume", "keep one of the two")
		case j.Holds == 0 && j.Volume == 0:
			add(f, quoteOr(j.Name, ""), "it has no size", `write holds = "4 lb", or volume = "1.9 l"`)
		}
		if _, ok := r.Density(); j.Volume > 0 && !ok {
			add(f+".volume", units.Volume(j.Volume, r.Show.Mass), "a volume needs the density of every wax", `add density to each [[wax]], or write holds = "4 lb"`)
		}
		if c, ok := r.Capacity(j); ok && c <= j.Loss {
			add(f+".loss", units.Mass(j.Loss, r.Show.Mass, 0), "more stays in the jug than it takes", "check loss and size")
		}
	}
	pct("pouring.top_off", r.TopOff, 50)
	if r.FillTime < 0 {
		add("pouring.fill_time", units.Duration(r.FillTime), "it can't be negative", `write it like "20 s"`)
	}
	out = append(out, r.Timers.Validate()...)
	return out
}

func named(out *[]Problem, field, name string, seen map[string]bool) {
	switch {
	case strings.TrimSpace(name) == "":
		*out = append(*out, Problem{field + ".name", "missing", "it needs a name", `write name = "..."`})
	case seen[name]:
		*out = append(*out, Problem{field + ".name", quoteOr(name, ""), "the name is used twice", "give each its own name"})
	}
	seen[name] = true
}

func basis(out *[]Problem, field string, b Basis, optional bool) {
	if b == OfWax || b == OfTotal || b == "" && optional {
		return
	}
	*out = append(*out, Problem{field, quoteOr(string(b), "missing"), "a load is a percentage of the wax or of the total", `write "of wax" or "of total"`})
}

func quoteOr(s, other string) string {
	if s == "" {
		return other
	}
	return "\u201c" + s + "\u201d"
}

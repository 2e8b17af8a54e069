package plan

import (
	"fmt"
	"io"
	"math"
	"slices"
	"strings"
	"unicode/utf8"

	"example.org/meltstation/alerts/plan/units"
)

// width is what a sheet fits into: a plain terminal, or a page of paper.
const width = 80

// Print writes the sheet as plain text, 80 columns wide.
func (s Sheet) Print(w io.Writer) error {
	p := &printer{s: s}
	p.head()
	p.warnings()
	p.weigh()
	p.fill()
	p.heat()
	p.notes()
	p.after()
	_, err := io.WriteString(w, p.b.String())
	if err != nil {
		return fmt.Errorf("print the sheet: %w", err)
	}
	return nil
}

type printer struct {
	b strings.Builder
	s Sheet
}

func (p *printer) line(format string, args ...any) {
	p.b.WriteString(strings.TrimRight(fmt.Sprintf(format, args...), " ") + "\n")
}

// title starts a section: its name, then a rule to the edge.
func (p *printer) title(name string) {
	p.line("\n%s %s", name, strings.Repeat("─", width-1-utf8.RuneCountInString(name)))
}

// wrap writes text with a first and a following indent.
func (p *printer) wrap(first, rest, text string) {
	line := first
	for _, word := range strings.Fields(text) {
		if utf8.RuneCountInString(line)+1+utf8.RuneCountInString(word) > width && strings.TrimSpace(line) != "" && line != first {
			p.line("%s", line)
			line = rest
		}
		if line != first && line != rest {
			line += " "
		}
		line += word
	}
	p.line("%s", line)
}

func left(s string, n int) string {
	if utf8.RuneCountInString(s) > n {
		r := []rune(s)
		return string(r[:n-1]) + "…"
	}
	return s + strings.Repeat(" ", n-utf8.RuneCountInString(s))
}

func right(s string, n int) string {
	return strings.Repeat(" ", max(0, n-utf8.RuneCountInString(s))) + s
}

func (p *printer) head() {
	s := p.s
	p.line("%s", strings.ToUpper(s.Name))
	var parts []string
	if s.Jars > 0 {
		parts = append(parts, jarWords(s.Jars), plural(s.Wicks, "wick"))
	}
	parts = append(parts, s.mass(s.WaxGrams())+" of wax")
	switch {
	case len(s.Melts) > 1 && s.Jug != "":
		parts = append(parts, fmt.Sprintf("%d melts in “%s”", len(s.Melts), s.Jug))
	case s.Jug != "":
		parts = append(parts, fmt.Sprintf("one melt in “%s”", s.Jug))
	}
	p.wrap("", "", strings.Join(parts, " · "))
	if s.From != "" {
		p.line("As batch %s. Its lots are copied: check them.", s.From)
	}
}

func (p *printer) warnings() {
	if len(p.s.Warnings) == 0 {
		return
	}
	p.title("BEFORE YOU START")
	for _, level := range []struct {
		l    Level
		mark string
	}{{Stop, "  STOP  "}, {Caution, "  CARE  "}, {Note, "  note  "}} {
		for _, w := range p.s.Warnings {
			if w.Level == level.l || w.Level == "" && level.l == Note {
				p.wrap(level.mark, "        ", w.Text)
			}
		}
	}
}

// meltGroup is melts that are weighed alike.
type meltGroup struct {
	m     Melt
	first int
	n     int
}

func (g meltGroup) name(melts int) string {
	switch {
	case melts == 1:
		return "weigh"
	case g.n == melts:
		return fmt.Sprintf("each of %d melts", g.n)
	case g.n == 1:
		return fmt.Sprintf("melt %d", g.first)
	case g.n == 2:
		return fmt.Sprintf("melts %d and %d", g.first, g.first+1)
	}
	return fmt.Sprintf("melts %d to %d", g.first, g.first+g.n-1)
}

// groups joins melts in a row that are alike.
func (s Sheet) groups() []meltGroup {
	var out []meltGroup
	for i, m := range s.Melts {
		if n := len(out); n > 0 && sameMelt(out[n-1].m, m) {
			out[n-1].n++
			continue
		}
		out = append(out, meltGroup{m, i + 1, 1})
	}
	return out
}

func sameMelt(a, b Melt) bool {
	same := func(x, y []Part) bool {
		for i := range x {
			if i >= len(y) || x[i] != y[i] {
				return false
			}
		}
		return len(x) == len(y)
	}
	if len(a.Containers) != len(b.Containers) {
		return false
	}
	for i := range a.Containers {
		if a.Containers[i] != b.Containers[i] {
			return false
		}
	}
	return same(a.Wax, b.Wax) && same(a.Fragrance, b.Fragrance) && same(a.Extras, b.Extras)
}

// weighed writes grams as the scale that weighs them shows them.
func (s Sheet) weighed(g float64, fine bool) string {
	step := s.ScaleStep
	if fine && s.FineStep > 0 {
		step = s.FineStep
	}
	unit := units.ScaleUnit(step)
	if step > 0 && g > 0 && g < step*0.999 {
		return smallMass(g, unit)
	}
	return units.Mass(g, unit, step)
}

func (p *printer) weigh() {
	s := p.s
	groups := s.groups()
	p.title("WEIGH")
	const col = 16
	name := 30
	if len(s.Melts) == 1 {
		name += col // no columns beside it
	}
	for from := 0; from < len(groups); from += 2 {
		part := groups[from:min(from+2, len(groups))]
		last := from+2 >= len(groups)
		together := last && len(s.Melts) > 1
		head := left("", name)
		for _, g := range part {
			head += right(g.name(len(s.Melts)), col)
		}
		if together {
			head += right("together", col)
		}
		if len(s.Melts) > 1 {
			p.line("%s", head)
		}
		row := func(label, lot string, cell func(m Melt) string, all string) {
			if lot != "" {
				label += ", lot " + lot
			}
			text := left("  "+label, name)
			for _, g := range part {
				text += right(cell(g.m), col)
			}
			if together {
				text += right(all, col)
			}
			p.line("%s", text)
		}
		for i, w := range s.Wax {
			row(w.Name, w.Lot, func(m Melt) string { return s.weighed(m.Wax[i].Grams, false) }, s.weighed(w.Grams, false))
		}
		for i, o := range s.Fragrance {
			row(o.Name, o.Lot, func(m Melt) string { return s.weighed(m.Fragrance[i].Grams, true) }, s.weighed(o.Grams, true))
		}
		for i, x := range s.Extras {
			row(x.Name, x.Lot, func(m Melt) string { return s.weighed(m.Extras[i].Grams, true) }, s.weighed(x.Grams, true))
		}
		row("in the jug", "", func(m Melt) string { return s.mass(m.TotalGrams) }, s.mass(s.TotalGrams))
	}
	p.line("")
	if len(s.Fragrance) > 0 {
		p.wrap("  ", "  ", fmt.Sprintf("Fragrance: %s of the wax, which is %s of the total. The recipe asks for %s %s.",
			percent(s.LoadOfWax), percent(s.LoadOfTotal), units.Percent(s.Load), basisWords(s.Basis)))
	}
	var rest []string
	if s.TopOffGrams > 0 {
		rest = append(rest, s.mass(s.TopOffGrams)+" for topping off")
	}
	if s.LossGrams > 0 {
		rest = append(rest, s.mass(s.LossGrams)+" that stays in the jug")
	}
	if s.SpareGrams > 0.5*math.Max(s.ScaleStep, 0.1) {
		rest = append(rest, s.mass(s.SpareGrams)+" to spare")
	}
	if len(rest) > 0 && s.Jars > 0 {
		p.wrap("  ", "  ", "In it: "+s.mass(s.JarGrams)+" for the containers, "+list(rest)+".")
	}
}

func (p *printer) fill() {
	s := p.s
	if len(s.Containers) == 0 {
		return
	}
	p.title("WICK AND POUR, IN THIS ORDER")
	for _, g := range s.groups() {
		if len(s.Melts) > 1 {
			p.line("  %s", g.name(len(s.Melts)))
		}
		for _, c := range g.m.Containers {
			wicks := "1 wick each"
			switch c.Wicks {
			case 0:
				wicks = "no wick"
			case 1:
			case 3:
				wicks = "3 wicks each, in a triangle"
			default:
				wicks = fmt.Sprintf("%d wicks each", c.Wicks)
			}
			p.line("  %s %s %s  %s", right(fmt.Sprintf("%d ×", c.Count), 6), left(c.Name, 25), right(s.mass(c.Grams), 13), wicks)
		}
	}
	if s.TopOffGrams > 0 && s.JarGrams > 0 {
		p.line("  %s %s %s  in each, once it has set", right("then", 6), left("top off", 25), right("about "+units.Percent(math.Round(1000*s.TopOffGrams/s.JarGrams)/10), 13))
	}
	p.line("  The weight is that of the finished candle, wax and fragrance together.")
}

func (p *printer) heat() {
	s, t := p.s, p.s.Thresholds
	deg := func(c float64) string { return right(s.deg(c), 10) }
	p.title("TEMPERATURES")
	if limit, ok := t.FlashLimit(); ok {
		p.wrap(deg(limit)+"  ", "            ", fmt.Sprintf("flash-point alarm, %s below %s (“%s”, %s)",
			units.Difference(t.FlashMargin, s.Show.Temperature, 0), s.deg(t.Flash.Celsius), t.Flash.Oil, methodWords(t.Flash.Method)))
	}
	if t.Scorch > 0 {
		p.line("%s  the wax spoils above this", deg(t.Scorch))
	}
	p.line("%s  add the fragrance, stir %s", deg(t.ScentAdd), units.Duration(s.Timers.Stir))
	p.line("%s  pour window opens; warm the jars %s before", deg(t.PourHigh), units.Duration(s.Timers.WarmJars))
	p.line("%s  best to pour", deg(t.Pour))
	p.line("%s  pour window closes", deg(t.PourLow))
	if t.Congeal > 0 {
		p.line("%s  the wax begins to set", deg(t.Congeal))
	}
	if s.Pour != nil && s.Jars > 0 {
		if !slices.ContainsFunc(s.Warnings, func(w Warning) bool { return w.Key == "pour-window" }) { // else it is said already
			p.wrap("  ", "  ", s.Pour.Text)
		}
		if s.Pour.LastCelsius > 0 {
			p.wrap("  ", "  ", fmt.Sprintf("At the last container expect about %s in the jug.", units.Temperature(s.Pour.LastCelsius, s.Show.Temperature, 0)))
		}
	}
}

// notes are the recipe's, each line on its own as the maker wrote them.
func (p *printer) notes() {
	if p.s.Source == nil || p.s.Source.Notes == "" {
		return
	}
	p.title("NOTES OF THE RECIPE")
	for line := range strings.Lines(p.s.Source.Notes) {
		p.wrap("  ", "  ", line)
	}
}

func (p *printer) after() {
	t := p.s.Timers
	p.title("AFTER POURING")
	p.line("  trim the wicks after %s · move after %s · burn or ship after %s",
		units.Duration(t.Trim), units.Duration(t.Move), units.Duration(t.Cure))
	p.line("")
	p.wrap("", "", "Never leave melting wax alone, and never put water on burning wax: cover it. The sheets of your suppliers decide; this one is only sums.")
}

func plural(n int, word string) string {
	if n == 1 {
		return "1 " + word
	}
	return fmt.Sprintf("%d %ss", n, word)
}

// Package lesson compares past batches and says what their numbers support, and
// no more: how many batches stand behind each statement, its interval, and what
// to try next.
//
// A maker changes several things from batch to batch and looks at few batches;
// what comes out of it is a hint for the next trial, never a proof.
package lesson

import (
	"fmt"
	"math"
	"slices"
	"strings"
	"time"

	"gonum.org/v1/gonum/stat"

	"example.org/meltstation/alerts/plan"
	"example.org/meltstation/alerts/plan/units"
	"example.org/meltstation/alerts/record"
)

// Outcome is one batch as far as it can teach. A nil number is not known.
type Outcome struct {
	Batch       string        `json:"batch"`
	Recipe      string        `json:"recipe,omitempty"`
	Jug         string        `json:"jug,omitempty"`
	Melts       int           `json:"melts,omitempty"`
	Poured      time.Time     `json:"poured,omitzero"`
	PourPlanned *float64      `json:"pour_planned,omitempty"` // °C
	PourFirst   *float64      `json:"pour_first,omitempty"`   // °C in the jug at the first container
	PourLast    *float64      `json:"pour_last,omitempty"`    // °C at the last one
	Load        *float64      `json:"load,omitempty"`         // % of the wax, as weighed in
	OilPlanned  *float64      `json:"oil_planned,omitempty"`  // g
	OilActual   *float64      `json:"oil_actual,omitempty"`   // g
	JarsPlanned int           `json:"jars_planned,omitempty"`
	JarsActual  *int          `json:"jars_actual,omitempty"`
	LeftOver    *float64      `json:"left_over,omitempty"` // g, of all melts
	Cooling     *float64      `json:"cooling,omitempty"`   // s from heat off to the first container
	Pouring     *float64      `json:"pouring,omitempty"`   // s from the first to the last container
	Smooth      *bool         `json:"smooth,omitempty"`    // the surface came out right
	Finish      []plan.Finish `json:"finish,omitempty"`
	ColdThrow   *float64      `json:"cold_throw,omitempty"`   // 1 to 5, mean of the looks
	HotThrow    *float64      `json:"hot_throw,omitempty"`    // 1 to 5
	WallReached *bool         `json:"wall_reached,omitempty"` // melt pool at the wall in the last test burn
	WallTime    *float64      `json:"wall_time,omitempty"`    // s until it was
}

// FromRecord reads an outcome off a batch's record and the sheet it started from.
func FromRecord(r record.Record, s plan.Sheet) Outcome {
	o := Outcome{Batch: r.Code, Recipe: r.Recipe, Jug: s.Jug, Melts: max(1, len(s.Melts)), Poured: r.Poured, JarsPlanned: s.Jars}
	for _, l := range r.Lines {
		switch l.Key {
		case "fragrance":
			o.OilPlanned, o.OilActual = l.Planned, l.Actual
		case "load":
			o.Load = l.Actual
		case "pour-first":
			o.PourPlanned, o.PourFirst = l.Planned, l.Actual
		case "pour-last":
			o.PourLast = l.Actual
		case "left-over":
			o.LeftOver = l.Actual
		case "cooling":
			o.Cooling = l.Actual
		case "pouring":
			o.Pouring = l.Actual
		case "jars":
			if l.Actual != nil {
				n := int(*l.Actual)
				o.JarsActual = &n
			}
		}
	}
	var cold, hot []float64
	for _, f := range r.Findings {
		if good, known := f.Good(); known {
			all := good && (o.Smooth == nil || *o.Smooth) // one flawed look is enough
			o.Smooth = &all
		}
		for _, x := range f.Finish {
			if !slices.Contains(o.Finish, x) {
				o.Finish = append(o.Finish, x)
			}
		}
		if f.ColdThrow > 0 {
			cold = append(cold, float64(f.ColdThrow))
		}
		if f.HotThrow > 0 {
			hot = append(hot, float64(f.HotThrow))
		}
		if b := f.Burn; b != nil {
			reached := b.Reached
			o.WallReached, o.WallTime = &reached, nil
			if b.Reached && b.ReachedIn > 0 {
				sec := b.ReachedIn.Seconds()
				o.WallTime = &sec
			}
		}
	}
	if len(cold) > 0 {
		m := stat.Mean(cold, nil)
		o.ColdThrow = &m
	}
	if len(hot) > 0 {
		m := stat.Mean(hot, nil)
		o.HotThrow = &m
	}
	return o
}

// Verdict says how much a finding supports.
type Verdict string

// The verdicts.
const (
	TooFew  Verdict = "too-few" // not enough batches to say anything
	Open    Verdict = "open"    // enough to look, but the interval leaves both answers open
	Hint    Verdict = "hint"    // the interval lies on one side: worth acting on, not proof
	Measure Verdict = "measure" // a plain mean or share; there is nothing to decide
)

// Finding is the answer to one question.
type Finding struct {
	Key      string    `json:"key"`
	Question string    `json:"question"`
	N        int       `json:"n"` // batches behind it
	Estimate *Estimate `json:"estimate"`
	Unit     string    `json:"unit,omitempty"` // of the estimate: "K", "g", "%", "s", "n", "points per %", "share"
	Verdict  Verdict   `json:"verdict"`
	Text     string    `json:"text"`
	Points   []Point   `json:"points,omitempty"` // to plot behind it
}

// Point is one batch in a plot.
type Point struct {
	Batch string  `json:"batch"`
	X     float64 `json:"x"`
	Y     float64 `json:"y"`
}

// Trial is what to try next.
type Trial struct {
	Key  string   `json:"key"`
	Text string   `json:"text"`
	To   *float64 `json:"to,omitempty"`   // the setting to try
	Unit string   `json:"unit,omitempty"` // "C" or "%"
}

// Findings is everything the batches support.
type Findings struct {
	N        int       `json:"n"`
	Recipes  []string  `json:"recipes"`
	Findings []Finding `json:"findings"`
	Trial    Trial     `json:"trial"`
	Caution  string    `json:"caution"` // how far to trust it
}

// Options say how to word things and within which limits to suggest.
type Options struct {
	Show       plan.Display
	Thresholds plan.Thresholds // of the recipe; a zero one suggests no temperature
	MaxLoad    float64         // % of the wax; 0 = not known, and no higher load is suggested
}

// Fewest batches for each kind of statement. With less an interval is a formality.
const (
	fewestForMean  = 3
	fewestPerSide  = 3
	fewestForSlope = 6
)

// Compare works out what the batches support.
func Compare(batches []Outcome, o Options) Findings {
	out := Findings{N: len(batches), Recipes: []string{}, Findings: []Finding{}}
	for _, b := range batches {
		if b.Recipe != "" && !slices.Contains(out.Recipes, b.Recipe) {
			out.Recipes = append(out.Recipes, b.Recipe)
		}
	}
	c := comparison{batches, o}
	smooth := c.smooth()
	pour := c.pourAndFinish()
	load := c.loadAndThrow()
	out.Findings = append(out.Findings, smooth, pour, load, c.pourDrift(), c.weighing(), c.jars())
	out.Findings = append(out.Findings, c.losses()...)
	out.Trial = c.trial(smooth, pour, load)
	out.Caution = "Other things differ between batches too, so a hint is a reason for a trial and not a proof. Of twenty such intervals about one misses."
	if len(out.Recipes) > 1 {
		out.Caution = fmt.Sprintf("These batches are of %d recipes (%s): a difference can come from the recipe. ", len(out.Recipes), strings.Join(out.Recipes, ", ")) + out.Caution
	}
	return out
}

type comparison struct {
	b []Outcome
	o Options
}

func (c comparison) diff(k float64) string {
	return units.Difference(math.Abs(k), c.o.Show.Temperature, 1)
}

func (c comparison) smooth() Finding {
	f := Finding{Key: "smooth", Question: "How often does it come out smooth?", Unit: "share", Verdict: TooFew}
	k := 0
	for _, b := range c.b {
		if b.Smooth != nil {
			f.N++
			if *b.Smooth {
				k++
			}
		}
	}
	e, ok := share(k, f.N, Level)
	if !ok || f.N < fewestForMean {
		f.Text = fmt.Sprintf("Too few to say: the finish of %s is written down. It takes %d.", batchWords(f.N), fewestForMean)
		return f
	}
	f.Estimate, f.Verdict = &e, Measure
	f.Text = fmt.Sprintf("%d of %d batches came out smooth. In the long run that can mean anything from %.0f to %.0f of a hundred (95 %% interval).", k, f.N, 100*e.Lo, 100*e.Hi)
	return f
}

func (c comparison) pourAndFinish() Finding {
	f := Finding{Key: "pour-finish", Question: "Does the pour temperature matter for the finish?", Unit: "K", Verdict: TooFew}
	good, bad := c.pours()
	f.N = len(good) + len(bad)
	for _, b := range c.b {
		if b.Smooth != nil && b.PourFirst != nil {
			y := 0.0
			if *b.Smooth {
				y = 1
			}
			f.Points = append(f.Points, Point{b.Batch, *b.PourFirst, y})
		}
	}
	if len(good) < fewestPerSide || len(bad) < fewestPerSide {
		f.Text = fmt.Sprintf("Too few to say: pour temperature and finish are known of %d smooth and %d other batches. It takes %d of each.", len(good), len(bad), fewestPerSide)
		return f
	}
	e, ok := difference(good, bad, Level)
	if !ok {
		f.Text = "Too alike to say: all were poured at the same temperature."
		return f
	}
	f.Estimate = &e
	way := "warmer"
	if e.Value < 0 {
		way = "cooler"
	}
	f.Text = fmt.Sprintf("The smooth batches were poured %s %s on average than the others (%d smooth, %d not; 95 %% interval %s).",
		c.diff(e.Value), way, len(good), len(bad), c.between(e, "warmer", "cooler"))
	if e.Sided() {
		f.Verdict = Hint
		f.Text += " That speaks for pouring " + way + "."
	} else {
		f.Verdict = Open
		f.Text += " The interval leaves both open: these batches don't say."
	}
	return f
}

// pours are the temperatures at the first container of smooth and other batches.
func (c comparison) pours() (good, bad []float64) {
	for _, b := range c.b {
		switch {
		case b.Smooth == nil || b.PourFirst == nil:
		case *b.Smooth:
			good = append(good, *b.PourFirst)
		default:
			bad = append(bad, *b.PourFirst)
		}
	}
	return good, bad
}

// between words an interval of a difference in temperature.
func (c comparison) between(e Estimate, more, less string) string {
	side := func(v float64) string {
		if v < 0 {
			return c.diff(v) + " " + less
		}
		return c.diff(v) + " " + more
	}
	switch {
	case e.Lo >= 0:
		return c.diff(e.Lo) + " to " + side(e.Hi)
	case e.Hi <= 0:
		return c.diff(e.Hi) + " to " + side(e.Lo)
	}
	return side(e.Lo) + " to " + side(e.Hi)
}

func (c comparison) loadAndThrow() Finding {
	f := Finding{Key: "load-throw", Question: "Does more fragrance give more scent when lit?", Unit: "points per %", Verdict: TooFew}
	var x, y []float64
	for _, b := range c.b {
		if b.Load != nil && b.HotThrow != nil {
			x, y = append(x, *b.Load), append(y, *b.HotThrow)
			f.Points = append(f.Points, Point{b.Batch, *b.Load, *b.HotThrow})
		}
	}
	f.N = len(x)
	if f.N < fewestForSlope {
		f.Text = fmt.Sprintf("Too few to say: load and hot throw are known of %s. It takes %d.", batchWords(f.N), fewestForSlope)
		return f
	}
	if slices.Max(x)-slices.Min(x) < 0.5 {
		f.Text = fmt.Sprintf("Too alike to say: all %d loads lie within half a per cent.", f.N)
		return f
	}
	e, ok := slope(x, y, Level)
	if !ok {
		f.Text = "Too alike to say."
		return f
	}
	f.Estimate = &e
	f.Text = fmt.Sprintf("For each per cent more of the wax the hot throw was judged %.1f points %s (%d batches; 95 %% interval %s to %s).",
		math.Abs(e.Value), higher(e.Value), f.N, signed(e.Lo, 1), signed(e.Hi, 1))
	if e.Sided() {
		f.Verdict = Hint
	} else {
		f.Verdict = Open
		f.Text += " The interval leaves both open: these batches don't say."
	}
	return f
}

func (c comparison) pourDrift() Finding {
	f := Finding{Key: "pour-drift", Question: "Do you pour when you mean to?", Unit: "K", Verdict: TooFew}
	var x []float64
	for _, b := range c.b {
		if b.PourFirst != nil && b.PourPlanned != nil {
			x = append(x, *b.PourFirst-*b.PourPlanned)
		}
	}
	f.N = len(x)
	e, ok := mean(x, Level)
	if !ok || f.N < fewestForMean {
		f.Text = fmt.Sprintf("Too few to say: the pour temperature of %s is known. It takes %d.", batchWords(f.N), fewestForMean)
		return f
	}
	f.Estimate, f.Verdict = &e, Open
	way := "above"
	if e.Value < 0 {
		way = "below"
	}
	if e.Lo == e.Hi { // no scatter, no interval
		f.Verdict = Measure
		f.Text = fmt.Sprintf("In all %d batches the first container was poured %s %s the plan.", f.N, c.diff(e.Value), way)
		return f
	}
	f.Text = fmt.Sprintf("The first container was poured %s %s the plan on average (%d batches; 95 %% interval %s).", c.diff(e.Value), way, f.N, c.between(e, "above", "below"))
	if e.Sided() {
		f.Verdict = Hint
	}
	return f
}

func (c comparison) weighing() Finding {
	f := Finding{Key: "weighing", Question: "Is the fragrance weighed in as planned?", Unit: "%", Verdict: TooFew}
	var x []float64
	for _, b := range c.b {
		if b.OilActual != nil && b.OilPlanned != nil && *b.OilPlanned > 0 {
			x = append(x, 100*(*b.OilActual / *b.OilPlanned - 1))
		}
	}
	f.N = len(x)
	e, ok := mean(x, Level)
	if !ok || f.N < fewestForMean {
		f.Text = fmt.Sprintf("Too few to say: the fragrance of %s was weighed. It takes %d.", batchWords(f.N), fewestForMean)
		return f
	}
	f.Estimate, f.Verdict = &e, Open
	if e.Lo == e.Hi {
		f.Verdict = Measure
		f.Text = fmt.Sprintf("In all %d batches %.1f %% %s was weighed in than planned.", f.N, math.Abs(e.Value), moreLess(e.Value))
		return f
	}
	f.Text = fmt.Sprintf("Weighed in is %.1f %% %s than planned on average (%d batches; 95 %% interval %s to %s %%).", math.Abs(e.Value), moreLess(e.Value), f.N, signed(e.Lo, 1), signed(e.Hi, 1))
	if e.Sided() {
		f.Verdict = Hint
	}
	return f
}

func (c comparison) jars() Finding {
	f := Finding{Key: "jars", Question: "Do the containers come out?", Unit: "n", Verdict: TooFew}
	var x []float64
	for _, b := range c.b {
		if b.JarsActual != nil && b.JarsPlanned > 0 {
			x = append(x, float64(*b.JarsActual-b.JarsPlanned))
		}
	}
	f.N = len(x)
	e, ok := mean(x, Level)
	if !ok || f.N < fewestForMean {
		f.Text = fmt.Sprintf("Too few to say: the containers of %s were counted. It takes %d.", batchWords(f.N), fewestForMean)
		return f
	}
	f.Estimate, f.Verdict = &e, Open
	if e.Lo == e.Hi {
		f.Verdict = Measure
		f.Text = fmt.Sprintf("All %d batches filled as many as planned.", f.N)
		if e.Value != 0 {
			f.Text = fmt.Sprintf("All %d batches filled %.0f containers %s than planned.", f.N, math.Abs(e.Value), moreFewer(e.Value))
		}
		return f
	}
	f.Text = fmt.Sprintf("%.2f containers %s than planned on average (%d batches; 95 %% interval %s to %s).", math.Abs(e.Value), moreFewer(e.Value), f.N, signed(e.Lo, 2), signed(e.Hi, 2))
	if e.Sided() {
		f.Verdict = Hint
	}
	return f
}

// losses says for each jug what stays in it.
func (c comparison) losses() []Finding {
	byJug := map[string][]float64{}
	var jugs []string
	for _, b := range c.b {
		if b.LeftOver == nil {
			continue
		}
		if _, ok := byJug[b.Jug]; !ok {
			jugs = append(jugs, b.Jug)
		}
		byJug[b.Jug] = append(byJug[b.Jug], *b.LeftOver/float64(max(1, b.Melts)))
	}
	slices.Sort(jugs)
	var out []Finding
	for _, j := range jugs {
		x := byJug[j]
		name := "the jug"
		if j != "" {
			name = "“" + j + "”"
		}
		f := Finding{Key: "loss", Question: "How much stays in " + name + "?", N: len(x), Unit: "g", Verdict: TooFew}
		e, ok := mean(x, Level)
		if !ok || f.N < fewestForMean {
			f.Text = fmt.Sprintf("Too few to say: what stays in %s was weighed in %s. It takes %d.", name, batchWords(f.N), fewestForMean)
		} else {
			f.Estimate, f.Verdict = &e, Measure
			m := func(g float64) string { return units.Mass(math.Max(0, g), c.o.Show.Mass, 0) }
			f.Text = fmt.Sprintf("%s stay in %s on average after each melt (%d batches; 95 %% interval %s to %s). Give that as the jug's loss in the recipe.", m(e.Value), name, f.N, m(e.Lo), m(e.Hi))
		}
		out = append(out, f)
	}
	return out
}

// smallStep is the change of a pour temperature worth a trial, in K (5 °F, common
// practice, no source).
const smallStep = 5 / 1.8

// trial suggests one change, within the recipe's own limits.
func (c comparison) trial(smooth, pour, load Finding) Trial {
	t := c.o.Thresholds
	deg := func(v float64) string { return units.Temperature(v, c.o.Show.Temperature, 0) }
	clamp := func(v float64) float64 { return math.Min(t.PourHigh, math.Max(t.PourLow, v)) }
	window := t.PourHigh > t.PourLow && t.PourLow > 0
	if smooth.N < fewestForMean {
		return Trial{Key: "write-down", Text: "Change nothing yet. Write down the finish of each batch a day or two after pouring; three of them make a start."}
	}
	good, bad := c.pours()
	flaws := smooth.Estimate != nil && smooth.Estimate.Value < 0.8
	if flaws && window && len(good)+len(bad) > 0 {
		all := append(append([]float64{}, good...), bad...)
		at := stat.Mean(all, nil)
		switch {
		case pour.Verdict == Hint:
			to := clamp(stat.Mean(good, nil))
			return Trial{Key: "pour", To: &to, Unit: "C", Text: fmt.Sprintf("Pour the next batch at %s, where the smooth ones were, and keep everything else as it is.", deg(to))}
		case len(all) >= 2 && slices.Max(all)-slices.Min(all) >= 2*smallStep:
			sd := stat.StdDev(all, nil)
			to := clamp(t.PourHigh)
			if at > (t.PourHigh+t.PourLow)/2 {
				to = clamp(t.PourLow)
			}
			return Trial{Key: "pour", To: &to, Unit: "C", Text: fmt.Sprintf("Pour the next batch at %s, which has been tried least, and keep everything else as it is. As the batches scatter, a difference of %s would take about %d smooth and %d other ones to see.",
				deg(to), units.Difference(smallStep, c.o.Show.Temperature, 0), needed(sd, smallStep), needed(sd, smallStep))}
		default:
			to := clamp(at + smallStep)
			if at > (t.PourHigh+t.PourLow)/2 {
				to = clamp(at - smallStep)
			}
			if math.Abs(to-at) < 0.5 {
				break
			}
			return Trial{Key: "pour", To: &to, Unit: "C", Text: fmt.Sprintf("All were poured near %s, and not all came out smooth. Pour the next batch at %s and keep everything else as it is.", deg(at), deg(to))}
		}
	}
	short, burns := 0, 0
	for _, b := range c.b {
		if b.WallReached != nil {
			burns++
			if !*b.WallReached {
				short++
			}
		}
	}
	if short >= 2 && 2*short >= burns {
		return Trial{Key: "wick", Text: fmt.Sprintf("In %d of %d test burns the melt pool did not reach the wall. Put the next larger wick into one candle of the next batch and test that one.", short, burns)}
	}
	if load.Verdict == Hint && load.Estimate.Value > 0 && c.o.MaxLoad > 0 {
		var top float64
		for _, p := range load.Points {
			top = math.Max(top, p.X)
		}
		if to := math.Min(top+0.5, c.o.MaxLoad); to > top+0.1 {
			to = math.Floor(to*10) / 10
			return Trial{Key: "load", To: &to, Unit: "%", Text: fmt.Sprintf("More fragrance went with more scent so far. Try %s of the wax, below the suppliers' maximum of %s, and keep everything else as it is.", units.Percent(to), units.Percent(c.o.MaxLoad))}
		}
	}
	return Trial{Key: "repeat", Text: "Nothing here asks for a change. Repeat the batch as it is: each one makes the intervals narrower."}
}

func batchWords(n int) string {
	switch n {
	case 0:
		return "no batch"
	case 1:
		return "1 batch"
	}
	return fmt.Sprintf("%d batches", n)
}

func higher(v float64) string {
	if v < 0 {
		return "lower"
	}
	return "higher"
}

func moreFewer(v float64) string {
	if v < 0 {
		return "fewer"
	}
	return "more"
}

// signed writes a number with so many decimals, its sign and a true minus.
func signed(v float64, decimals int) string {
	return strings.Replace(fmt.Sprintf("%+.*f", decimals, v), "-", "−", 1)
}

func moreLess(v float64) string {
	if v < 0 {
		return "less"
	}
	return "more"
}

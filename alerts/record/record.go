// Package record puts a batch on paper: what was planned and what was done, when
// and by whom, with which lots, how it came out. It is worked out from the
// batch's sheet and its events; every correction shows what stood there before.
package record

import (
	"fmt"
	"math"
	"slices"
	"strings"
	"time"

	"example.org/meltstation/alerts/plan"
	"example.org/meltstation/alerts/plan/units"
)

// Batch is what a record is made from.
type Batch struct {
	Code    string
	Station string    // "The Boathouse"; may be empty
	Pot     string    // its name
	Started time.Time // UTC
	Ended   time.Time // UTC; zero while it goes on
	Sheet   plan.Sheet
	History []plan.Event // with corrections and withdrawals, as they were made
	Summary Summary
}

// Summary is what the readings and the alarms of the batch come to. All of it
// may be left out.
type Summary struct {
	Peak     *float64    `json:"peak,omitempty"`   // °C, the hottest good reading
	PeakAt   time.Time   `json:"peak_at,omitzero"` // UTC
	Room     *float64    `json:"room,omitempty"`   // °C, mean of the room
	Readings int         `json:"readings,omitempty"`
	Alarms   []AlarmLine `json:"alarms,omitempty"` // those that were raised, oldest first
}

// AlarmLine is one alarm of the batch.
type AlarmLine struct {
	At   time.Time `json:"at"` // UTC
	Text string    `json:"text"`
}

// Record is a batch on paper. Masses are grams, temperatures °C.
type Record struct {
	Code       string         `json:"code"`
	Name       string         `json:"name"`
	Recipe     string         `json:"recipe,omitempty"`
	From       string         `json:"from,omitempty"`
	Station    string         `json:"station,omitempty"`
	Pot        string         `json:"pot,omitempty"`
	Show       plan.Display   `json:"show"`
	Started    time.Time      `json:"started"`
	Poured     time.Time      `json:"poured,omitzero"`
	Ended      time.Time      `json:"ended,omitzero"`
	Trim       time.Time      `json:"trim,omitzero"` // not before
	Move       time.Time      `json:"move,omitzero"`
	Ready      time.Time      `json:"ready,omitzero"`
	Abandoned  bool           `json:"abandoned,omitempty"`
	Materials  []Material     `json:"materials"`
	Containers []Filled       `json:"containers"`
	Lines      []Line         `json:"lines"` // planned against actual
	Steps      []Step         `json:"steps"` // what was done, oldest first
	Findings   []Finding      `json:"findings"`
	Warnings   []plan.Warning `json:"warnings"`
	Summary    Summary        `json:"summary"`
	Lots       []string       `json:"lots"`            // every lot in it, for the look-up
	Notes      string         `json:"notes,omitempty"` // of the recipe, with the maker's line breaks

	Curve  []byte           `json:"-"` // SVG of its trace, for the printed page; nil = none
	Photos map[string]Photo `json:"-"` // by their names in Found, for the printed page

	step1, step2 float64 // g, of the scale and the fine scale
}

// Photo is one picture of the candles.
type Photo struct {
	Type string // "image/jpeg" or another that a browser shows
	Data []byte
}

// Material is one thing that went in.
type Material struct {
	Kind    string   `json:"kind"` // "wax", "fragrance", "extra" or "wicks"
	Name    string   `json:"name"`
	Planned float64  `json:"planned"`        // g; of wicks, pieces
	Actual  *float64 `json:"actual"`         // g; null = not weighed by itself
	Step    float64  `json:"step,omitempty"` // g, of the scale that weighs it
	Lot     string   `json:"lot,omitempty"`
}

// Filled is one kind of container.
type Filled struct {
	Name    string `json:"name"`
	Planned int    `json:"planned"`
	Actual  *int   `json:"actual"` // null = not poured yet
	Wicks   int    `json:"wicks"`  // in each
}

// Line sets what was planned against what was done.
type Line struct {
	Key     string   `json:"key"`
	What    string   `json:"what"`
	Unit    string   `json:"unit"` // "g", "C", "%", "s" or "n"
	Planned *float64 `json:"planned"`
	Low     *float64 `json:"low,omitempty"`  // the lower end of what was planned, where it is a band
	High    *float64 `json:"high,omitempty"` // and the upper
	Actual  *float64 `json:"actual"`
	Step    float64  `json:"step,omitempty"` // g, of the scale that weighs it
	Mark    string   `json:"mark,omitempty"` // "above" or "below" when it lies outside
}

// Step is one thing done, with whatever it replaced.
type Step struct {
	ID       string         `json:"id"`
	Kind     plan.EventKind `json:"kind"`
	Wall     time.Time      `json:"wall"`
	Title    string         `json:"title"`
	Celsius  float64        `json:"celsius,omitempty"`
	Grams    float64        `json:"grams,omitempty"`
	Counts   map[string]int `json:"counts,omitempty"`
	First    float64        `json:"first,omitempty"`
	Last     float64        `json:"last,omitempty"`
	Text     string         `json:"text,omitempty"`  // all of it in one line, in the recipe's units
	Note     string         `json:"note,omitempty"`  // of it, what the maker wrote
	Found    *plan.Found    `json:"found,omitempty"` // of it, what was found of the candles
	Who      string         `json:"who,omitempty"`
	Detected bool           `json:"detected,omitempty"` // noticed by the station and never confirmed
	Taken    bool           `json:"taken,omitempty"`    // taken back: kept, but it does not count
	Before   []Change       `json:"before,omitempty"`   // earlier versions, oldest first
}

// Change is what stood there before a correction.
type Change struct {
	Text string    `json:"text"`          // what it said
	Wall time.Time `json:"wall,omitzero"` // the time it gave
	At   time.Time `json:"at"`            // when it was replaced
	Who  string    `json:"who,omitempty"`
}

// Finding is what was seen of the candles later on.
type Finding struct {
	plan.Found
	ID   string        `json:"id"`
	Wall time.Time     `json:"wall"`
	Age  time.Duration `json:"age"` // since pouring, ns; 0 = not poured
	Text string        `json:"text,omitempty"`
	Who  string        `json:"who,omitempty"`
}

// Titles of the events in words of the kitchen.
var titles = map[plan.EventKind]string{
	plan.EventStart: "Started: wax in, heat on", plan.EventScentAdded: "Fragrance added",
	plan.EventStirred: "Stirred", plan.EventHeatOff: "Heat off", plan.EventHeatOn: "Heat on again",
	plan.EventJugOut: "Jug out of the bath", plan.EventPourStart: "First container poured",
	plan.EventPoured: "Last container poured", plan.EventLeftOver: "Left in the jug",
	plan.EventWicks: "Wicks straightened", plan.EventTrimmed: "Wicks trimmed", plan.EventMoved: "Moved off the bench",
	plan.EventCured: "Cured: ready to burn or ship", plan.EventAbandoned: "Given up", plan.EventNote: "Note",
	plan.EventProbeOut: "Probe out of the wax", plan.EventProbeIn: "Probe back in the wax",
	plan.EventLots: "Lots", plan.EventFound: "Looked at", plan.EventTouched: "Somebody was there",
}

// Build works a record out. Several pours of one batch add up.
func Build(b Batch) Record {
	s := b.Sheet
	r := Record{
		Code: b.Code, Name: s.Name, Recipe: s.Recipe, From: s.From, Station: b.Station, Pot: b.Pot, Show: s.Show,
		Started: b.Started, Ended: b.Ended, Warnings: s.Warnings, Summary: b.Summary,
		Findings: []Finding{}, Lines: []Line{}, Materials: []Material{}, Containers: []Filled{}, Lots: []string{},
	}
	if s.Source != nil {
		r.Notes = s.Source.Notes
	}
	r.step1, r.step2 = s.ScaleStep, s.FineStep
	if r.Show.Temperature == "" {
		r.Show.Temperature = units.C
	}
	if r.Show.Mass == "" {
		r.Show.Mass = units.Grams
	}
	if r.Warnings == nil {
		r.Warnings = []plan.Warning{}
	}
	var (
		events               = plan.Fold(b.History)
		lots                 = map[string]string{}
		poured               = map[string]int{}
		scent, leftOver      float64
		scentAt, first, last float64
		heatOff, pourStart   time.Time
		scented, left, done  bool
	)
	for _, e := range events {
		for name, lot := range e.Lots {
			lots[name] = lot
		}
		switch e.Kind {
		case plan.EventScentAdded:
			scented, scent, scentAt = true, scent+e.Grams, e.Celsius
		case plan.EventHeatOff, plan.EventJugOut:
			if heatOff.IsZero() {
				heatOff = e.Wall
			}
		case plan.EventPourStart:
			if pourStart.IsZero() {
				pourStart = e.Wall
			}
			if e.Celsius != 0 && first == 0 {
				first = e.Celsius
			}
		case plan.EventPoured:
			done, r.Poured = true, e.Wall
			if e.First != 0 {
				first = e.First
			}
			switch {
			case e.Last != 0:
				last = e.Last
			case e.Celsius != 0:
				last = e.Celsius
			}
			for name, n := range e.Counts {
				poured[name] += n
			}
		case plan.EventLeftOver:
			left, leftOver = true, leftOver+e.Grams
		case plan.EventAbandoned:
			r.Abandoned = true
		}
	}
	if done {
		r.Trim, r.Move = r.Poured.Add(s.Timers.Trim), r.Poured.Add(s.Timers.Move)
		r.Ready = r.Poured.Add(max(s.Timers.Cure, s.Timers.Move))
	}
	r.materials(s, lots, scented, scent)
	r.containers(s, done, poured)
	r.compare(s, scented, scent, scentAt, first, last, left, leftOver, done, heatOff, pourStart)
	r.steps(b.History, events)
	for _, e := range events {
		if e.Kind != plan.EventFound || e.Found == nil {
			continue
		}
		f := Finding{Found: *e.Found, ID: e.ID, Wall: e.Wall, Text: e.Text, Who: e.Who}
		if done {
			f.Age = e.Wall.Sub(r.Poured)
		}
		r.Findings = append(r.Findings, f)
	}
	return r
}

func (r *Record) materials(s plan.Sheet, lots map[string]string, scented bool, scent float64) {
	add := func(kind string, parts []plan.Part) {
		step := s.ScaleStep
		if kind != "wax" && s.FineStep > 0 {
			step = s.FineStep
		}
		for _, p := range parts {
			m := Material{Kind: kind, Name: p.Name, Planned: p.Grams, Step: step, Lot: p.Lot}
			if l, ok := lots[p.Name]; ok {
				m.Lot = l
			}
			if kind == "fragrance" && scented && scent > 0 && len(parts) == 1 {
				m.Actual = &scent
			}
			r.Materials = append(r.Materials, m)
		}
	}
	add("wax", s.Wax)
	add("fragrance", s.Fragrance)
	add("extra", s.Extras)
	if s.Wicks > 0 || lots["wicks"] != "" {
		r.Materials = append(r.Materials, Material{Kind: "wicks", Name: "Wicks", Planned: float64(s.Wicks), Lot: lots["wicks"]})
	}
	named := map[string]bool{"wicks": true}
	for _, m := range r.Materials {
		named[m.Name] = true
		if m.Lot != "" && !slices.Contains(r.Lots, m.Lot) {
			r.Lots = append(r.Lots, m.Lot)
		}
	}
	var others []string // lots of things the sheet does not list
	for name := range lots {
		if !named[name] {
			others = append(others, name)
		}
	}
	slices.Sort(others)
	for _, name := range others {
		r.Materials = append(r.Materials, Material{Kind: "extra", Name: name, Lot: lots[name]})
		if lots[name] != "" && !slices.Contains(r.Lots, lots[name]) {
			r.Lots = append(r.Lots, lots[name])
		}
	}
}

func (r *Record) containers(s plan.Sheet, done bool, poured map[string]int) {
	seen := map[string]bool{}
	for _, c := range s.Containers {
		f := Filled{Name: c.Name, Planned: c.Count, Wicks: c.Wicks}
		if done && len(poured) > 0 {
			n := poured[c.Name]
			f.Actual = &n
		}
		seen[c.Name] = true
		r.Containers = append(r.Containers, f)
	}
	var others []string
	for name := range poured {
		if !seen[name] {
			others = append(others, name)
		}
	}
	slices.Sort(others)
	for _, name := range others {
		n := poured[name]
		r.Containers = append(r.Containers, Filled{Name: name, Actual: &n})
	}
}

// compare fills the lines of planned against actual.
func (r *Record) compare(s plan.Sheet, scented bool, scent, scentAt, first, last float64, left bool, leftOver float64, done bool, heatOff, pourStart time.Time) {
	some := func(v float64, ok bool) *float64 {
		if !ok {
			return nil
		}
		return &v
	}
	t := s.Thresholds
	oil := s.FragranceGrams()
	fine := s.FineStep
	if fine == 0 {
		fine = s.ScaleStep
	}
	r.line(Line{Key: "fragrance", What: "Fragrance", Unit: "g", Step: fine, Planned: some(oil, oil > 0), Actual: some(scent, scented && scent > 0)}, 0.02*oil)
	if wax := s.WaxGrams(); wax > 0 && scented && scent > 0 {
		r.line(Line{Key: "load", What: "Load, of the wax", Unit: "%", Planned: some(s.LoadOfWax, s.LoadOfWax > 0), Actual: some(100*scent/wax, true)}, 0.02*s.LoadOfWax)
	}
	r.line(Line{Key: "scent-temperature", What: "Fragrance went in at", Unit: "C", Planned: some(t.ScentAdd, t.ScentAdd > 0), Actual: some(scentAt, scentAt != 0)}, 2)
	r.line(Line{Key: "pour-first", What: "In the jug at the first container", Unit: "C", Planned: some(t.Pour, t.Pour > 0), Low: some(t.PourLow, t.PourLow > 0), High: some(t.PourHigh, t.PourHigh > 0), Actual: some(first, first != 0)}, 0)
	r.line(Line{Key: "pour-last", What: "In the jug at the last container", Unit: "C", Planned: some(t.Pour, t.Pour > 0), Low: some(t.PourLow, t.PourLow > 0), High: some(t.PourHigh, t.PourHigh > 0), Actual: some(last, last != 0)}, 0)
	if limit, ok := t.FlashLimit(); ok || r.Summary.Peak != nil {
		l := Line{Key: "peak", What: "Hottest reading", Unit: "C", Actual: r.Summary.Peak}
		if ok {
			l.High = &limit // where the flash-point alarm stands
		}
		if l.Actual != nil {
			r.line(l, 0)
		}
	}
	jars, known := 0, false
	for _, c := range r.Containers {
		if c.Actual != nil {
			jars, known = jars+*c.Actual, true
		}
	}
	r.line(Line{Key: "jars", What: "Containers", Unit: "n", Planned: some(float64(s.Jars), s.Jars > 0), Actual: some(float64(jars), known)}, 0.5)
	r.line(Line{Key: "left-over", What: "Left in the jug", Unit: "g", Step: s.ScaleStep, Planned: some(s.LossGrams+s.SpareGrams, s.TotalGrams > 0 && s.Jars > 0), Actual: some(leftOver, left)}, math.Max(5, 0.01*s.TotalGrams))
	if done && !heatOff.IsZero() {
		start := pourStart
		if start.IsZero() {
			start = r.Poured
		}
		r.line(Line{Key: "cooling", What: "Heat off to the first container", Unit: "s", Actual: some(start.Sub(heatOff).Seconds(), start.After(heatOff))}, 0)
	}
	if done && !pourStart.IsZero() {
		var planned float64
		for _, m := range s.Melts {
			planned += m.PourSeconds
		}
		r.line(Line{Key: "pouring", What: "First to last container", Unit: "s", Planned: some(planned, planned > 0), Actual: some(r.Poured.Sub(pourStart).Seconds(), true)}, math.Max(60, planned/2))
	}
}

// line adds a line if there is anything in it, and marks what lies outside the
// plan by more than slack.
func (r *Record) line(l Line, slack float64) {
	if l.Planned == nil && l.Actual == nil && l.High == nil {
		return
	}
	low, high := l.Low, l.High
	if low == nil && high == nil && l.Planned != nil {
		low, high = l.Planned, l.Planned
	}
	if l.Actual != nil {
		if high != nil && *l.Actual > *high+slack+1e-9 {
			l.Mark = "above"
		}
		if low != nil && *l.Actual < *low-slack-1e-9 {
			l.Mark = "below"
		}
	}
	r.Lines = append(r.Lines, l)
}

// steps sets out the history: every event that was ever made, as it now holds,
// with what it said before.
func (r *Record) steps(history, events []plan.Event) {
	r.Steps = []Step{}
	now := map[string]plan.Event{}
	for _, e := range events {
		now[e.ID] = e
	}
	withdrawn := map[string]bool{}
	for i := len(history) - 1; i >= 0; i-- {
		if e := history[i]; e.Kind == plan.EventWithdrawal && !withdrawn[e.ID] {
			withdrawn[e.Corrects] = true
		}
	}
	for _, e := range history {
		if e.Kind == plan.EventCorrection || e.Kind == plan.EventWithdrawal || e.Kind == plan.EventTouched {
			continue
		}
		holds, ok := now[e.ID]
		if !ok {
			holds = e
		}
		st := r.step(holds)
		st.Taken = !ok
		said, when := r.words(e), e.Wall
		for _, c := range history {
			if c.Corrects != e.ID || withdrawn[c.ID] {
				continue
			}
			switch {
			case c.Kind == plan.EventCorrection && c.Corrected != nil:
				st.Before = append(st.Before, Change{Text: said, Wall: when, At: c.Wall, Who: c.Who})
				said, when = r.words(*c.Corrected), c.Corrected.Wall
			case c.Kind == plan.EventWithdrawal:
				st.Before = append(st.Before, Change{Text: "taken back", At: c.Wall, Who: c.Who})
			}
		}
		r.Steps = append(r.Steps, st)
	}
	slices.SortStableFunc(r.Steps, func(a, b Step) int { return a.Wall.Compare(b.Wall) })
}

func (r *Record) step(e plan.Event) Step {
	title := titles[e.Kind]
	if title == "" {
		title = strings.ReplaceAll(string(e.Kind), "-", " ")
	}
	return Step{ID: e.ID, Kind: e.Kind, Wall: e.Wall, Title: title, Celsius: e.Celsius, Grams: e.Grams, Counts: e.Counts,
		First: e.First, Last: e.Last, Text: r.words(e), Note: e.Text, Found: e.Found, Who: e.Who, Detected: e.Detected}
}

// words puts what an event carries into one line, without its title and time.
func (r *Record) words(e plan.Event) string {
	var parts []string
	if e.Grams != 0 || e.Kind == plan.EventLeftOver {
		step := r.step1
		if e.Kind == plan.EventScentAdded && r.step2 > 0 {
			step = r.step2
		}
		parts = append(parts, weighed(e.Grams, step, r.Show))
	}
	if len(e.Counts) > 0 {
		var names []string
		for n := range e.Counts {
			names = append(names, n)
		}
		slices.Sort(names)
		for _, n := range names {
			parts = append(parts, fmt.Sprintf("%d × %s", e.Counts[n], n))
		}
	}
	deg := func(c float64) string { return units.Temperature(c, r.Show.Temperature, 1) }
	switch {
	case e.First != 0 && e.Last != 0:
		parts = append(parts, "from "+deg(e.First)+" to "+deg(e.Last))
	case e.Celsius != 0:
		parts = append(parts, "at "+deg(e.Celsius))
	}
	if len(e.Lots) > 0 {
		var names []string
		for n := range e.Lots {
			names = append(names, n)
		}
		slices.Sort(names)
		for _, n := range names {
			parts = append(parts, n+": "+e.Lots[n])
		}
	}
	if e.Found != nil {
		parts = append(parts, FoundWords(*e.Found, r.Show)...)
	}
	if e.Text != "" {
		parts = append(parts, e.Text)
	}
	return strings.Join(parts, ", ")
}

// weighed writes grams as the scale of that step shows them; without a scale, as
// the maker likes them.
func weighed(g, step float64, show plan.Display) string {
	if step <= 0 {
		return units.Mass(g, show.Mass, 0)
	}
	return units.Mass(g, units.ScaleUnit(step), step)
}

// FoundWords puts a finding into short phrases.
func FoundWords(f plan.Found, show plan.Display) []string {
	var out []string
	if f.Container != "" {
		out = append(out, f.Container)
	}
	for _, x := range f.Finish {
		out = append(out, string(x))
	}
	if f.ColdThrow > 0 {
		out = append(out, fmt.Sprintf("cold throw %d of 5", f.ColdThrow))
	}
	if f.HotThrow > 0 {
		out = append(out, fmt.Sprintf("hot throw %d of 5", f.HotThrow))
	}
	if b := f.Burn; b != nil {
		text := "test burn"
		if b.Wick != "" {
			text += " with wick " + b.Wick
		}
		if b.Lasted > 0 {
			text += " of " + units.Duration(b.Lasted)
		}
		switch {
		case b.Reached && b.ReachedIn > 0:
			text += ": melt pool at the wall after " + units.Duration(b.ReachedIn)
		case b.Reached:
			text += ": melt pool reached the wall"
		default:
			text += ": melt pool did not reach the wall"
		}
		out = append(out, text)
		for _, m := range []struct {
			what string
			mm   float64
		}{{"pool width", b.PoolWidth}, {"pool depth", b.PoolDepth}, {"flame", b.FlameHeight}} {
			if m.mm > 0 {
				out = append(out, m.what+" "+length(m.mm, show))
			}
		}
	}
	if n := len(f.Photos); n > 0 {
		out = append(out, count(n, "photo"))
	}
	return out
}

// length writes millimetres, or inches (25.4 mm exactly) for who weighs in ounces.
func length(mm float64, show plan.Display) string {
	if show.Mass == units.Ounces {
		return fmt.Sprintf("%.1f in", mm/25.4)
	}
	return fmt.Sprintf("%.0f mm", mm)
}

// Package recipe reads and writes recipe files: TOML that a candle maker can read
// and change in any editor, with quantities as they are said ("185 °F", "2 lb").
//
// The page's form edits the same document as JSON: [ToJSON] and [FromJSON] carry
// it over without loss. Comments in a file live only in the file; [Update] keeps
// those at its head.
package recipe

import (
	"bytes"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"math"
	"path"
	"regexp"
	"slices"
	"strings"
	"time"

	"github.com/pelletier/go-toml/v2"
	"github.com/pelletier/go-toml/v2/unstable"

	"example.org/meltstation/alerts/plan"
	"example.org/meltstation/alerts/plan/units"
)

// Ext is how the name of a recipe file ends.
const Ext = ".toml"

// Error is one thing wrong with a recipe file.
type Error struct {
	File  string // name of the file; "" for a form
	Line  int    // from 1; 0 = not tied to a line
	Field string // as in the file, "wax[1].density"; "" = the whole file
	Text  string // what is wrong and how to mend it
}

// Error puts it in one line: file, line, field, and the mend.
func (e *Error) Error() string {
	var b strings.Builder
	if e.File != "" {
		b.WriteString(e.File)
		if e.Line > 0 {
			fmt.Fprintf(&b, ":%d", e.Line)
		}
		b.WriteString(": ")
	}
	if e.Field != "" {
		b.WriteString(e.Field)
		b.WriteByte(' ')
	}
	b.WriteString(e.Text)
	return b.String()
}

// Errors returns the single errors inside err, for showing beside their fields.
func Errors(err error) []*Error {
	var out []*Error
	var walk func(error)
	walk = func(err error) {
		switch e := err.(type) {
		case nil:
		case *Error:
			out = append(out, e)
		case interface{ Unwrap() []error }:
			for _, x := range e.Unwrap() {
				walk(x)
			}
		case interface{ Unwrap() error }:
			walk(e.Unwrap())
		}
	}
	walk(err)
	return out
}

// maxSize is the most a recipe file may hold; no recipe comes near.
const maxSize = 1 << 20

// Parse reads a recipe file. What the file leaves out has its common value, see
// [plan.Defaults]; what it must have and has not, what it spells wrong and what
// can't be are all listed in the error, each with its line and the mend.
func Parse(name string, data []byte) (plan.Recipe, error) {
	fail := func(line int, text string) (plan.Recipe, error) {
		return plan.Recipe{}, &Error{File: name, Line: line, Text: text}
	}
	if len(data) > maxSize {
		return fail(0, "is too big for a recipe (over 1 MB)")
	}
	data = bytes.TrimPrefix(data, []byte("\xef\xbb\xbf")) // a byte order mark, as some editors leave
	var d document
	dec := toml.NewDecoder(bytes.NewReader(data)).DisallowUnknownFields()
	if err := dec.Decode(&d); err != nil {
		var strict *toml.StrictMissingError
		if errors.As(err, &strict) {
			if !speaksOfCandles(data) {
				line, _ := strict.Errors[0].Position()
				return fail(line, notARecipe)
			}
			var errs []error
			for _, e := range strict.Errors {
				line, _ := e.Position()
				key := strings.Join(e.Key(), ".")
				errs = append(errs, &Error{File: name, Line: line, Field: key, Text: "is not a key of a recipe; " + suggest(e.Key())})
			}
			return plan.Recipe{}, errors.Join(errs...)
		}
		var de *toml.DecodeError
		if errors.As(err, &de) {
			line, _ := de.Position()
			return plan.Recipe{}, &Error{File: name, Line: line, Field: strings.Join(de.Key(), "."), Text: plainDecode(de.Error())}
		}
		return fail(0, plainDecode(err.Error()))
	}
	return build(name, d, scan(data).lines)
}

// notARecipe is said of a file that holds nothing a recipe is made of, such as
// the station's settings.
const notARecipe = `is not a recipe: it has no [[wax]], [fragrance] or [[container]]; give a recipe file, one of those in the station's folder "recipes"`

// speaksOfCandles reports whether a file has a part that only a recipe has.
func speaksOfCandles(data []byte) bool {
	var top map[string]any
	if toml.Unmarshal(data, &top) != nil {
		return true // broken: its own error says more
	}
	for _, k := range []string{"wax", "fragrance", "extra", "container", "jug", "temperatures", "pouring"} {
		if _, ok := top[k]; ok {
			return true
		}
	}
	return false
}

func plainDecode(s string) string {
	s = strings.TrimPrefix(s, "toml: ")
	if strings.Contains(s, "cannot decode") || strings.Contains(s, "type mismatch") || strings.Contains(s, "incompatible") {
		return `has a value of the wrong kind; write text and quantities in quotes, like "185 F", and numbers without`
	}
	return "can't be read as TOML: " + s
}

// FromJSON reads a recipe from the form's JSON, whose fields are the keys of the
// file. Errors name the field.
func FromJSON(data []byte) (plan.Recipe, error) {
	if len(data) > maxSize {
		return plan.Recipe{}, &Error{Text: "the recipe is too big (over 1 MB)"}
	}
	var d document
	dec := json.NewDecoder(bytes.NewReader(data))
	dec.DisallowUnknownFields()
	if err := dec.Decode(&d); err != nil {
		return plan.Recipe{}, &Error{Text: "the recipe can't be read: " + strings.TrimPrefix(err.Error(), "json: ")}
	}
	if _, err := dec.Token(); !errors.Is(err, io.EOF) {
		return plan.Recipe{}, &Error{Text: "there is something after the recipe"}
	}
	return build("", d, nil)
}

// ToJSON writes a recipe as the form's JSON.
func ToJSON(r plan.Recipe) ([]byte, error) {
	d, err := take(r)
	if err != nil {
		return nil, err
	}
	out, err := json.MarshalIndent(d, "", "  ")
	if err != nil {
		return nil, fmt.Errorf("write recipe %q: %w", r.Name, err)
	}
	return append(out, '\n'), nil
}

// Format writes a recipe as a file that [Parse] reads back to the very same
// recipe.
func Format(r plan.Recipe) ([]byte, error) {
	d, err := take(r)
	if err != nil {
		return nil, err
	}
	return d.write(layout{}), nil
}

// Update writes a recipe in place of an old file's content and keeps the old
// one's comments: each stays with its key, and goes when the key goes. An old
// file that can't be read keeps none.
func Update(old []byte, r plan.Recipe) ([]byte, error) {
	d, err := take(r)
	if err != nil {
		return nil, err
	}
	var was map[string]any
	if len(old) > maxSize || toml.Unmarshal(old, &was) != nil {
		return d.write(layout{}), nil
	}
	return d.write(scan(bytes.TrimPrefix(old, []byte("\xef\xbb\xbf")))), nil
}

// LoadDir reads every recipe of a directory, in order of their file names. Files
// that can't be used are in the error; the others are returned beside it. The key
// of the map is the file's name without its ending.
func LoadDir(dir fs.FS) (map[string]plan.Recipe, error) {
	names, err := fs.Glob(dir, "*"+Ext)
	if err != nil {
		return nil, fmt.Errorf("list recipes: %w", err)
	}
	slices.Sort(names)
	out := map[string]plan.Recipe{}
	seen := map[string]string{}
	var errs []error
	for _, n := range names {
		data, err := fs.ReadFile(dir, n)
		if err != nil {
			errs = append(errs, fmt.Errorf("read recipe: %w", err))
			continue
		}
		r, err := Parse(n, data)
		if err != nil {
			errs = append(errs, err)
			continue
		}
		if other, ok := seen[r.Name]; ok {
			errs = append(errs, &Error{File: n, Field: "name", Text: fmt.Sprintf("%q is the name of the recipe in %s too; give each its own", r.Name, other)})
			continue
		}
		seen[r.Name] = n
		out[strings.TrimSuffix(path.Base(n), Ext)] = r
	}
	return out, errors.Join(errs...)
}

// layout is where things stand in a file, and what the maker wrote beside them.
type layout struct {
	lines    map[string]int     // line of every key and table: "wax[1].density" → 12
	comments map[string]comment // of every key and table that has some
	head     []string           // comments at the head of the file, before a blank line
	tail     []string           // comments after the last key
}

// comment is what stands at one key.
type comment struct {
	lead  []string // lines of their own before it
	trail string   // on its line
}

var blankLine = regexp.MustCompile(`\n[ \t]*\r?\n`)

// scan finds the lines and comments of a file that the decoder took.
func scan(data []byte) layout {
	l := layout{lines: map[string]int{}, comments: map[string]comment{}}
	count := map[string]int{}
	p := unstable.Parser{KeepComments: true}
	p.Reset(data)
	// name spells a path with the index of each array it runs through.
	name := func(prefix string, it unstable.Iterator, table, array bool) (string, int) {
		path, at := prefix, -1
		for it.Next() {
			if at < 0 {
				at = int(it.Node().Raw.Offset)
			}
			path = strings.TrimPrefix(path+"."+string(it.Node().Data), ".")
			if !table {
				continue
			}
			if array && it.IsLast() {
				count[path]++
			}
			if n := count[path]; n > 0 {
				path = fmt.Sprintf("%s[%d]", path, n)
			}
		}
		return path, max(at, 0)
	}
	prefix := ""
	var before []string // comments since the last key
	var ends []int      // and where each ends
	first := true
	for p.NextExpression() {
		e := p.Expression()
		var path string
		var at int
		switch e.Kind {
		case unstable.Comment:
			before = append(before, strings.TrimSpace(string(e.Data)))
			ends = append(ends, int(e.Raw.Offset+e.Raw.Length))
			continue
		case unstable.Table, unstable.ArrayTable:
			path, at = name("", e.Key(), true, e.Kind == unstable.ArrayTable)
			prefix = path
		case unstable.KeyValue:
			path, at = name(prefix, e.Key(), false, false)
		default:
			continue
		}
		l.lines[path] = 1 + bytes.Count(data[:min(at, len(data))], []byte("\n"))
		if first { // what a blank line parts from the first key is the head of the file
			for i := len(ends) - 1; i >= 0; i-- {
				next := at
				if i+1 < len(ends) {
					next = ends[i+1] - len(before[i+1])
				}
				if ends[i] <= next && blankLine.Match(data[ends[i]:next]) {
					l.head, before = before[:i+1], before[i+1:]
					break
				}
			}
			first = false
		}
		c := comment{lead: before}
		if n := e.Next(); n != nil && n.Kind == unstable.Comment {
			c.trail = strings.TrimSpace(string(n.Data))
		}
		l.comments[path] = c
		before, ends = nil, nil
	}
	l.tail = before
	return l
}

// builder collects what is wrong while a document becomes a recipe.
type builder struct {
	file  string
	lines map[string]int
	errs  []error
}

func (b *builder) wrong(field, text string) {
	b.errs = append(b.errs, &Error{File: b.file, Line: b.line(field), Field: field, Text: text})
}

// line finds a field's line, or that of the part it should stand in.
func (b *builder) line(field string) int {
	for field != "" {
		if n, ok := b.lines[field]; ok {
			return n
		}
		if n, ok := b.lines[field+"[1]"]; ok {
			return n
		}
		i := strings.LastIndexByte(field, '.')
		if i < 0 {
			// A problem that concerns all of a list stands at the first of it.
			return 0
		}
		field = field[:i]
	}
	return 0
}

func quantity[T any](b *builder, field, text string, to *T, parse func(string) (T, error)) {
	if text == "" {
		return
	}
	v, err := parse(text)
	if err != nil {
		b.wrong(field, "is "+err.Error())
		return
	}
	*to = v
}

// percent reads a percentage given as a number or as text.
func (b *builder) percent(field string, v any, to *float64) {
	switch v := v.(type) {
	case nil:
	case int64:
		*to = float64(v)
	case float64:
		if math.IsNaN(v) || math.IsInf(v, 0) {
			b.wrong(field, "is not a number; write a percentage, like 6.25")
			return
		}
		*to = v
	case string:
		if strings.TrimSpace(v) != "" { // an empty field of a form is one left out
			quantity(b, field, v, to, units.ParsePercent)
		}
	default:
		b.wrong(field, fmt.Sprintf("is %v; write a percentage, like 6.25", v))
	}
}

func build(file string, d document, lines map[string]int) (plan.Recipe, error) {
	b := &builder{file: file, lines: lines}
	r := plan.Defaults()
	r.Name, r.Notes = strings.TrimSpace(d.Name), strings.TrimSpace(d.Notes)
	if d.Temperature != "" {
		r.Show.Temperature = strings.TrimPrefix(strings.TrimSpace(d.Temperature), "°")
	}
	if d.Mass != "" {
		r.Show.Mass = strings.TrimSpace(d.Mass)
	}
	quantity(b, "scale", d.Scale, &r.Scale, units.ParseMass)
	quantity(b, "fine_scale", d.FineScale, &r.FineScale, units.ParseMass)
	for i, w := range d.Wax {
		f := fmt.Sprintf("wax[%d]", i+1)
		x := plan.Wax{Name: w.Name, Basis: plan.Basis(w.Basis), Lot: w.Lot}
		if len(d.Wax) == 1 {
			x.Share = 100
		}
		b.percent(f+".share", w.Share, &x.Share)
		b.percent(f+".max_load", w.MaxLoad, &x.MaxLoad)
		quantity(b, f+".density", w.Density, &x.Density, units.ParseDensity)
		r.Wax = append(r.Wax, x)
	}
	if fr := d.Fragrance; fr != nil {
		b.percent("fragrance.load", fr.Load, &r.Load)
		switch {
		case fr.Basis != "":
			r.Basis = plan.Basis(fr.Basis)
		case len(fr.Oil) > 0:
			b.wrong("fragrance.basis", `is missing: a load is a percentage of the wax or of the total, and the two differ; write basis = "of wax" or basis = "of total"`)
		}
		for i, o := range fr.Oil {
			f := fmt.Sprintf("fragrance.oil[%d]", i+1)
			x := plan.Oil{Name: o.Name, Method: o.Method, Basis: plan.Basis(o.Basis), Lot: o.Lot}
			if len(fr.Oil) == 1 {
				x.Share = 100
			}
			b.percent(f+".share", o.Share, &x.Share)
			b.percent(f+".max_load", o.MaxLoad, &x.MaxLoad)
			quantity(b, f+".flash", o.Flash, &x.Flash, units.ParseTemperature)
			r.Oils = append(r.Oils, x)
		}
	}
	for i, e := range d.Extra {
		x := plan.Extra{Name: e.Name, Lot: e.Lot}
		b.percent(fmt.Sprintf("extra[%d].amount", i+1), e.Amount, &x.Amount)
		r.Extras = append(r.Extras, x)
	}
	for i, c := range d.Container {
		f := fmt.Sprintf("container[%d]", i+1)
		x := plan.Container{Name: c.Name, Wicks: 1}
		if c.Wicks != nil {
			x.Wicks = *c.Wicks
		}
		quantity(b, f+".wax", c.Wax, &x.Wax, units.ParseMass)
		quantity(b, f+".volume", c.Volume, &x.Volume, units.ParseVolume)
		quantity(b, f+".headspace", c.Headspace, &x.Headspace, func(s string) (float64, error) {
			if strings.HasSuffix(strings.TrimSpace(s), "%") {
				p, err := units.ParsePercent(s)
				return x.Volume * p / 100, err
			}
			return units.ParseVolume(s)
		})
		quantity(b, f+".fill_time", c.FillTime, &x.FillTime, units.ParseDuration)
		r.Containers = append(r.Containers, x)
	}
	for i, j := range d.Jug {
		f := fmt.Sprintf("jug[%d]", i+1)
		x := plan.Jug{Name: j.Name, Room: defaultRoom}
		quantity(b, f+".holds", j.Holds, &x.Holds, units.ParseMass)
		quantity(b, f+".volume", j.Volume, &x.Volume, units.ParseVolume)
		b.percent(f+".room", j.Room, &x.Room)
		quantity(b, f+".loss", j.Loss, &x.Loss, units.ParseMass)
		r.Jugs = append(r.Jugs, x)
	}
	if p := d.Pouring; p != nil {
		quantity(b, "pouring.fill_time", p.FillTime, &r.FillTime, units.ParseDuration)
		b.percent("pouring.top_off", p.TopOff, &r.TopOff)
	}
	if t := d.Temperatures; t != nil {
		deg := func(name, text string, to *float64) {
			quantity(b, "temperatures."+name, text, to, units.ParseTemperature)
		}
		deg("scent_add", t.ScentAdd, &r.Thresholds.ScentAdd)
		deg("pour_high", t.PourHigh, &r.Thresholds.PourHigh)
		deg("pour", t.Pour, &r.Thresholds.Pour)
		deg("pour_low", t.PourLow, &r.Thresholds.PourLow)
		deg("congeal", t.Congeal, &r.Thresholds.Congeal)
		deg("scorch", t.Scorch, &r.Thresholds.Scorch)
		deg("bath_ceiling", t.BathCeiling, &r.Thresholds.BathCeiling)
		quantity(b, "temperatures.flash_margin", t.FlashMargin, &r.Thresholds.FlashMargin, units.ParseDifference)
		// A window of which only the best temperature is given opens and closes 5 °F
		// from it (common practice, no source).
		if t.Pour != "" && t.PourHigh == "" {
			r.Thresholds.PourHigh = r.Thresholds.Pour + units.KelvinDifference(5)
		}
		if t.Pour != "" && t.PourLow == "" {
			r.Thresholds.PourLow = r.Thresholds.Pour - units.KelvinDifference(5)
		}
	}
	if t := d.Timers; t != nil {
		wait := func(name, text string, to *time.Duration) {
			quantity(b, "timers."+name, text, to, units.ParseDuration)
		}
		wait("stir", t.Stir, &r.Timers.Stir)
		wait("warm_jars", t.WarmJars, &r.Timers.WarmJars)
		wait("cue_lead", t.CueLead, &r.Timers.CueLead)
		wait("trim", t.Trim, &r.Timers.Trim)
		wait("move", t.Move, &r.Timers.Move)
		wait("cure", t.Cure, &r.Timers.Cure)
	}
	if len(b.errs) == 0 {
		for _, p := range r.Validate() {
			b.wrong(p.Field, fmt.Sprintf("is %s: %s; %s", p.Value, p.Rule, p.Mend))
		}
	}
	if len(b.errs) > 0 {
		slices.SortStableFunc(b.errs, func(x, y error) int { return x.(*Error).Line - y.(*Error).Line })
		return plan.Recipe{}, errors.Join(b.errs...)
	}
	r.Thresholds = r.Bands()
	return r, nil
}

// defaultRoom is the share of a jug left empty to stir in, in per cent (common
// practice, no source).
const defaultRoom = 15

// take turns a recipe into a document. Every text reads back to the same number.
func take(r plan.Recipe) (document, error) {
	if ps := r.Validate(); len(ps) > 0 {
		return document{}, fmt.Errorf("write recipe %q: %w", r.Name, plan.Problems(ps))
	}
	mass := func(g float64) string {
		if g == 0 {
			return ""
		}
		return units.ExactMass(g, r.Show.Mass)
	}
	volume := func(ml float64) string {
		if ml == 0 {
			return ""
		}
		return units.ExactVolume(ml, r.Show.Mass)
	}
	deg := func(c float64) string {
		if c == 0 {
			return ""
		}
		return units.ExactTemperature(c, r.Show.Temperature)
	}
	wait := func(d time.Duration) string { return units.ExactDuration(d) }
	percent := func(p float64) any {
		if p == 0 {
			return nil
		}
		if p == math.Trunc(p) {
			return int64(p)
		}
		return p
	}
	d := document{
		Name: r.Name, Notes: r.Notes, Temperature: r.Show.Temperature, Mass: r.Show.Mass,
		Scale: mass(r.Scale), FineScale: mass(r.FineScale),
	}
	for _, w := range r.Wax {
		p := waxPart{Name: w.Name, Share: percent(w.Share), MaxLoad: percent(w.MaxLoad), Basis: string(w.Basis), Lot: w.Lot}
		if w.Density != 0 {
			p.Density = units.ExactDensity(w.Density)
		}
		d.Wax = append(d.Wax, p)
	}
	if len(r.Oils) > 0 || r.Basis != plan.OfWax {
		d.Fragrance = &fragrancePart{Load: percent(r.Load), Basis: string(r.Basis)}
		for _, o := range r.Oils {
			d.Fragrance.Oil = append(d.Fragrance.Oil, oilPart{Name: o.Name, Share: percent(o.Share), Flash: deg(o.Flash),
				Method: o.Method, MaxLoad: percent(o.MaxLoad), Basis: string(o.Basis), Lot: o.Lot})
		}
	}
	for _, e := range r.Extras {
		p := extraPart{Name: e.Name, Amount: percent(e.Amount), Lot: e.Lot}
		if p.Amount == nil {
			p.Amount = int64(0)
		}
		d.Extra = append(d.Extra, p)
	}
	for _, c := range r.Containers {
		p := containerPart{Name: c.Name, Wax: mass(c.Wax), Volume: volume(c.Volume), Headspace: volume(c.Headspace), Wicks: &c.Wicks}
		if pct := math.Round(1000*c.Headspace/c.Volume) / 10; c.Headspace > 0 && c.Volume*pct/100 == c.Headspace {
			p.Headspace = units.Percent(pct) // it was given so
		}
		if c.FillTime != 0 {
			p.FillTime = wait(c.FillTime)
		}
		d.Container = append(d.Container, p)
	}
	for _, j := range r.Jugs {
		p := jugPart{Name: j.Name, Holds: mass(j.Holds), Volume: volume(j.Volume), Room: percent(j.Room), Loss: mass(j.Loss)}
		if p.Room == nil {
			p.Room = int64(0)
		}
		d.Jug = append(d.Jug, p)
	}
	d.Pouring = &pouringPart{FillTime: wait(r.FillTime), TopOff: percent(r.TopOff)}
	t := r.Thresholds
	needed := func(c float64) string { return units.ExactTemperature(c, r.Show.Temperature) } // 0 °C is wrong, but it is what stands there
	d.Temperatures = &heatPart{ScentAdd: needed(t.ScentAdd), PourHigh: needed(t.PourHigh), Pour: needed(t.Pour), PourLow: needed(t.PourLow),
		Congeal: deg(t.Congeal), Scorch: deg(t.Scorch), BathCeiling: deg(t.BathCeiling)}
	if t.FlashMargin != 0 {
		d.Temperatures.FlashMargin = units.ExactDifference(t.FlashMargin, r.Show.Temperature)
	}
	m := r.Timers
	d.Timers = &timersPart{Stir: wait(m.Stir), WarmJars: wait(m.WarmJars), CueLead: wait(m.CueLead),
		Trim: wait(m.Trim), Move: wait(m.Move), Cure: wait(m.Cure)}
	return d, nil
}

// suggest names the key that may have been meant.
func suggest(key []string) string {
	if len(key) == 0 {
		return "take it out"
	}
	k := key[len(key)-1]
	best, dist := "", 3
	for _, known := range knownKeys {
		if n := distance(strings.ToLower(k), known, 3); n < dist {
			best, dist = known, n
		}
	}
	if best != "" {
		return fmt.Sprintf("did you mean %q?", best)
	}
	return "take it out or put a # before it"
}

var knownKeys = []string{"name", "notes", "temperature", "mass", "scale", "fine_scale", "wax", "fragrance", "extra",
	"container", "jug", "pouring", "temperatures", "timers", "share", "density", "max_load", "max_load_basis", "lot", "load",
	"basis", "oil", "flash", "method", "amount", "volume", "headspace", "wicks", "fill_time", "holds", "room", "loss", "top_off",
	"scent_add", "pour_high", "pour", "pour_low", "congeal", "scorch", "flash_margin", "bath_ceiling", "stir", "warm_jars",
	"cue_lead", "trim", "move", "cure"}

// distance is the number of single letters to change, add or drop (Levenshtein);
// limit or more is as good as anything.
func distance(a, b string, limit int) int {
	if len(a)-len(b) >= limit || len(b)-len(a) >= limit {
		return limit
	}
	row := make([]int, len(b)+1)
	for j := range row {
		row[j] = j
	}
	for i := range len(a) {
		prev := row[0]
		row[0] = i + 1
		for j := range len(b) {
			cost := 1
			if a[i] == b[j] {
				cost = 0
			}
			prev, row[j+1] = row[j+1], min(row[j+1]+1, row[j]+1, prev+cost)
		}
	}
	return row[len(b)]
}

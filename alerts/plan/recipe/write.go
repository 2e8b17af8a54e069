package recipe

import (
	"fmt"
	"strconv"
	"strings"
	"unicode/utf8"
)

// writer lays a recipe file out: one part a block, values in line, a word of
// explanation where a number alone would not say enough. Where the maker's own
// file has the key already, it is the maker's comments that stand there.
type writer struct {
	b     strings.Builder
	rows  []row
	old   layout
	path  string         // of the table that is open
	count map[string]int // of each array so far
}

type row struct {
	key, value string
	comment
}

// table ends the block before and starts another.
func (w *writer) table(header string) {
	w.flush()
	w.path = strings.Trim(header, "[]")
	if strings.HasPrefix(header, "[[") {
		if w.count == nil {
			w.count = map[string]int{}
		}
		w.count[w.path]++
		w.path = fmt.Sprintf("%s[%d]", w.path, w.count[w.path])
	}
	c := w.old.comments[w.path]
	w.b.WriteByte('\n')
	w.lead(c)
	w.b.WriteString(header)
	if c.trail != "" {
		w.b.WriteString("   " + c.trail)
	}
	w.b.WriteByte('\n')
}

func (w *writer) lead(c comment) {
	for _, line := range c.lead {
		w.b.WriteString(line + "\n")
	}
}

// add adds a key. Its remark is for a key that the old file has not.
func (w *writer) add(key, value, remark string) {
	path := strings.TrimPrefix(w.path+"."+key, ".")
	c, ok := w.old.comments[path]
	if !ok && remark != "" {
		c.trail = "# " + remark
	}
	w.rows = append(w.rows, row{key, value, c})
}

// text adds a key with a text value, unless it is empty.
func (w *writer) text(key, value, remark string) {
	if value != "" {
		w.add(key, quote(value), remark)
	}
}

// number adds a key with a number, unless there is none.
func (w *writer) number(key string, value any, remark string) {
	switch v := value.(type) {
	case int64:
		w.add(key, strconv.FormatInt(v, 10), remark)
	case int:
		w.add(key, strconv.Itoa(v), remark)
	case float64:
		s := strconv.FormatFloat(v, 'f', -1, 64)
		if !strings.Contains(s, ".") {
			s += ".0"
		}
		w.add(key, s, remark)
	}
}

func (w *writer) flush() {
	keys, values := 0, 0
	for _, r := range w.rows {
		keys = max(keys, len(r.key))
		if n := utf8.RuneCountInString(r.value); r.trail != "" && n <= 32 && !strings.Contains(r.value, "\n") {
			values = max(values, n)
		}
	}
	for _, r := range w.rows {
		w.lead(r.comment)
		fmt.Fprintf(&w.b, "%-*s = %s", keys, r.key, r.value)
		if r.trail != "" {
			pad := max(0, values-utf8.RuneCountInString(r.value))
			if strings.Contains(r.value, "\n") {
				pad = 0
			}
			w.b.WriteString(strings.Repeat(" ", pad) + "   " + r.trail)
		}
		w.b.WriteByte('\n')
	}
	w.rows = nil
}

// quote writes a TOML basic string. Invalid UTF-8, which TOML can't hold, becomes
// the replacement character.
func quote(s string) string {
	s = strings.ToValidUTF8(s, "\ufffd")
	if strings.Contains(s, "\n") {
		return `"""` + "\n" + escape(s, true) + `"""`
	}
	return `"` + escape(s, false) + `"`
}

func escape(s string, lines bool) string {
	var b strings.Builder
	for _, r := range s {
		switch {
		case r == '"' || r == '\\':
			b.WriteByte('\\')
			b.WriteRune(r)
		case r == '\n' && lines:
			b.WriteByte('\n')
		case r == '\n':
			b.WriteString(`\n`)
		case r == '\t':
			b.WriteString(`\t`)
		case r < 0x20 || r == 0x7f:
			fmt.Fprintf(&b, `\u%04X`, r)
		default:
			b.WriteRune(r)
		}
	}
	return b.String()
}

func (d document) write(old layout) []byte {
	w := writer{old: old}
	for _, line := range old.head {
		w.b.WriteString(line + "\n")
	}
	if len(old.head) > 0 {
		w.b.WriteByte('\n')
	}
	w.text("name", d.Name, "")
	w.text("notes", d.Notes, "")
	w.text("temperature", d.Temperature, "show temperatures in F or C")
	w.text("mass", d.Mass, "show masses in oz (and lb) or g")
	w.text("scale", d.Scale, "the smallest step the scale shows")
	w.text("fine_scale", d.FineScale, "and that of the fine one for oils and extras")
	for _, x := range d.Wax {
		w.table("[[wax]]")
		w.text("name", x.Name, "")
		w.number("share", x.Share, "per cent of the wax")
		w.text("density", x.Density, "at pour temperature")
		w.number("max_load", x.MaxLoad, "per cent of fragrance that it holds")
		w.text("max_load_basis", x.Basis, "")
		w.text("lot", x.Lot, "")
	}
	if f := d.Fragrance; f != nil {
		w.table("[fragrance]")
		w.number("load", f.Load, "per cent")
		w.text("basis", f.Basis, "or \"of wax\" / \"of total\"")
		for _, x := range f.Oil {
			w.table("[[fragrance.oil]]")
			w.text("name", x.Name, "")
			w.number("share", x.Share, "per cent of the fragrance")
			w.text("flash", x.Flash, "from its safety data sheet")
			w.text("method", x.Method, "closed cup, open cup or not stated")
			w.number("max_load", x.MaxLoad, "per cent, its supplier's maximum")
			w.text("max_load_basis", x.Basis, "")
			w.text("lot", x.Lot, "")
		}
	}
	for _, x := range d.Extra {
		w.table("[[extra]]")
		w.text("name", x.Name, "")
		w.number("amount", x.Amount, "per cent of the wax")
		w.text("lot", x.Lot, "")
	}
	for _, x := range d.Container {
		w.table("[[container]]")
		w.text("name", x.Name, "")
		w.text("wax", x.Wax, "in each")
		w.text("volume", x.Volume, "to the brim")
		w.text("headspace", x.Headspace, "left empty")
		if x.Wicks != nil {
			w.number("wicks", *x.Wicks, "")
		}
		w.text("fill_time", x.FillTime, "")
	}
	for _, x := range d.Jug {
		w.table("[[jug]]")
		w.text("name", x.Name, "")
		w.text("holds", x.Holds, "to the brim")
		w.text("volume", x.Volume, "to the brim")
		w.number("room", x.Room, "per cent left empty, to stir in")
		w.text("loss", x.Loss, "stays in it after pouring")
	}
	if x := d.Pouring; x != nil {
		w.table("[pouring]")
		w.text("fill_time", x.FillTime, "to fill one container")
		w.number("top_off", x.TopOff, "per cent kept back for the second pour")
	}
	if x := d.Temperatures; x != nil {
		w.table("[temperatures]")
		w.text("scent_add", x.ScentAdd, "")
		w.text("pour_high", x.PourHigh, "the pour window opens as the wax cools to this")
		w.text("pour", x.Pour, "best")
		w.text("pour_low", x.PourLow, "and closes here")
		w.text("congeal", x.Congeal, "the wax starts to set")
		w.text("scorch", x.Scorch, "the wax spoils")
		w.text("flash_margin", x.FlashMargin, "below the lowest flash point stands the alarm")
		w.text("bath_ceiling", x.BathCeiling, "water boils")
	}
	if x := d.Timers; x != nil {
		w.table("[timers]")
		w.text("stir", x.Stir, "after the fragrance goes in")
		w.text("warm_jars", x.WarmJars, "before the pour window opens")
		w.text("cue_lead", x.CueLead, "before each cue's moment")
		w.text("trim", x.Trim, "after pouring")
		w.text("move", x.Move, "after pouring")
		w.text("cure", x.Cure, "after pouring, until burnt or shipped")
	}
	w.flush()
	if len(old.tail) > 0 {
		w.b.WriteByte('\n')
		w.lead(comment{lead: old.tail})
	}
	return []byte(w.b.String())
}

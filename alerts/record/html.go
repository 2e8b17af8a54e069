package record

import (
	"crypto/sha256"
	_ "embed"
	"encoding/base64"
	"fmt"
	"html/template"
	"io"
	"math"
	"regexp"
	"strings"
	"time"

	"example.org/meltstation/alerts/plan"
	"example.org/meltstation/alerts/plan/units"
)

//go:embed record.html
var page string

//go:embed record.css
var style string

//go:embed labels.html
var labelPage string

// CSP is a content security policy under which the pages of this package work:
// their own style, by its hash, and nothing else.
func CSP() string {
	h := sha256.Sum256([]byte(style))
	return "default-src 'none'; style-src 'sha256-" + base64.StdEncoding.EncodeToString(h[:]) + "'; img-src data:; base-uri 'none'; form-action 'none'"
}

// view is a record with what the page needs to put it into words.
type view struct {
	Record
	loc   *time.Location
	Style template.CSS
}

// HTML writes the record as a page of its own that prints on A4 and on Letter.
// Times are shown in loc; nil is UTC.
func (r Record) HTML(w io.Writer, loc *time.Location) error {
	v := newView(r, loc)
	t, err := template.New("record").Funcs(v.funcs()).Parse(page)
	if err != nil {
		return fmt.Errorf("read the page of the record: %w", err)
	}
	if err := t.Execute(w, v); err != nil {
		return fmt.Errorf("write the record of batch %s: %w", r.Code, err)
	}
	return nil
}

// Labels writes a page of n small labels with the batch code, for the foot of
// each container. They are for finding the batch again; the warnings a candle
// must carry by law are the maker's to add.
func (r Record) Labels(w io.Writer, n int, loc *time.Location) error {
	const most = 2000
	if n < 1 || n > most {
		return fmt.Errorf("labels of batch %s: %d is not a count between 1 and %d", r.Code, n, most)
	}
	v := newView(r, loc)
	t, err := template.New("labels").Funcs(v.funcs()).Parse(labelPage)
	if err != nil {
		return fmt.Errorf("read the page of labels: %w", err)
	}
	if err := t.Execute(w, struct {
		view
		Each []struct{}
	}{v, make([]struct{}, n)}); err != nil {
		return fmt.Errorf("write the labels of batch %s: %w", r.Code, err)
	}
	return nil
}

func newView(r Record, loc *time.Location) view {
	if loc == nil {
		loc = time.UTC
	}
	return view{Record: r, loc: loc, Style: template.CSS(style)} //nolint:gosec // our own file
}

func (v view) funcs() template.FuncMap {
	deg := func(c float64) string { return units.Temperature(c, v.Show.Temperature, 0) }
	deg1 := func(c float64) string { return units.Temperature(c, v.Show.Temperature, 1) }
	value := func(unit string, step, x float64) (text string) {
		defer func() { text = tight(text) }()
		switch unit {
		case "g":
			return weighed(x, step, v.Show)
		case "C":
			return deg1(x)
		case "%":
			return units.Percent(x)
		case "s":
			return units.Duration(time.Duration(math.Round(x)) * time.Second)
		}
		return fmt.Sprintf("%.0f", x)
	}
	return template.FuncMap{
		"tight": tight,
		"deg":   deg,
		"clock": func(t time.Time) string { return t.In(v.loc).Format("15:04") },
		"day":   func(t time.Time) string { return t.In(v.loc).Format("2 Jan 2006") },
		"when":  func(t time.Time) string { return t.In(v.loc).Format("Mon 2 Jan 2006, 15:04") },
		"short": func(t time.Time) string { return t.In(v.loc).Format("2 Jan, 15:04") },
		"zone":  func() string { n, _ := v.Started.In(v.loc).Zone(); return n },
		"sameDay": func(a, b time.Time) bool {
			return a.In(v.loc).Format(time.DateOnly) == b.In(v.loc).Format(time.DateOnly)
		},
		"material": func(m Material) string {
			switch {
			case m.Planned == 0:
				return "–"
			case m.Kind == "wicks":
				return fmt.Sprintf("%.0f", m.Planned)
			}
			return tight(weighed(m.Planned, m.Step, v.Show))
		},
		"actualMaterial": func(m Material) string {
			if m.Actual == nil {
				return ""
			}
			return tight(weighed(*m.Actual, m.Step, v.Show))
		},
		"curve": func() template.URL { return dataURL("image/svg+xml", v.Curve) },
		"pictures": func(f Finding) []template.URL {
			var out []template.URL
			for _, name := range f.Photos {
				if p, ok := v.Photos[name]; ok {
					out = append(out, dataURL(p.Type, p.Data))
				}
			}
			return out
		},
		"told": func(s Step) bool { return s.Kind != plan.EventFound || len(s.Before) > 0 },
		"number": func(p *int) string {
			if p == nil {
				return ""
			}
			return fmt.Sprint(*p)
		},
		"planned": func(l Line) string {
			switch {
			case l.Low != nil && l.High != nil && l.Planned != nil:
				return tight(fmt.Sprintf("%s (%s to %s)", units.Temperature(*l.Planned, v.Show.Temperature, 0),
					strings.TrimSuffix(deg(*l.Low), " °"+v.Show.Temperature), deg(*l.High)))
			case l.Planned != nil:
				return value(l.Unit, l.Step, *l.Planned)
			case l.High != nil:
				return "under " + value(l.Unit, l.Step, *l.High)
			}
			return "–"
		},
		"actual": func(l Line) string {
			if l.Actual == nil {
				return ""
			}
			return value(l.Unit, l.Step, *l.Actual)
		},
		"words": func(f Finding) string {
			s := strings.Join(FoundWords(f.Found, v.Show), ", ")
			if f.Text != "" {
				if s != "" {
					s += ". "
				}
				s += f.Text
			}
			return tight(s)
		},
		"age": func(f Finding) string {
			if f.Age <= 0 {
				return ""
			}
			if f.Age < 48*time.Hour {
				return units.Duration(f.Age.Round(time.Hour))
			}
			return units.Duration(f.Age.Round(24 * time.Hour))
		},
		"jars": func() string {
			planned, actual, known := 0, 0, false
			for _, c := range v.Containers {
				planned += c.Planned
				if c.Actual != nil {
					actual, known = actual+*c.Actual, true
				}
			}
			if known {
				return count(actual, "candle")
			}
			if planned == 0 {
				return ""
			}
			return count(planned, "candle") + " planned"
		},
		"level": func(w plan.Warning) string {
			switch w.Level {
			case plan.Stop:
				return "stop"
			case plan.Caution:
				return "care"
			}
			return "note"
		},
	}
}

// dataURL holds a picture within the page, which so stays one file.
func dataURL(kind string, data []byte) template.URL {
	if len(data) == 0 {
		return ""
	}
	return template.URL("data:" + kind + ";base64," + base64.StdEncoding.EncodeToString(data)) //nolint:gosec // base64 of our own picture, or of a photo whose type was checked
}

var withUnit = regexp.MustCompile(`(\d) (°[CF]|oz|lb|kg|g|min|h|s|%|×|in|mm)\b|(\d) ([°%×])`)

// tight keeps a number and its unit on one line.
func tight(s string) string {
	return withUnit.ReplaceAllString(s, "$1$3\u00a0$2$4")
}

func count(n int, word string) string {
	if n == 1 {
		return "1 " + word
	}
	return fmt.Sprintf("%d %ss", n, word)
}

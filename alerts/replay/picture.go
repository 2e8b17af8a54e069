package replay

import (
	"fmt"
	"html"
	"io"
	"math"
	"path/filepath"
	"strings"

	"example.org/meltstation/alerts/forecast"
)

// Picture draws the curve and the forecast as it stood at several moments: each
// moment is a line of its own under the curve, a bar from the earliest to the
// latest time of the 90 % interval and a dot at the likeliest, so that one sees
// at a glance how early the station knew. Readings that were put aside are left
// out of the curve.
func Picture(w io.Writer, name string, in io.Reader, opt Options, fahrenheit bool) (cut int, err error) {
	var steps []Step
	cut, err = Run(name, in, opt, func(s Step, _ *forecast.Engine) error {
		steps = append(steps, s)
		return nil
	})
	if err != nil && len(steps) == 0 {
		return cut, err
	}
	if len(steps) == 0 {
		return cut, fmt.Errorf("drawing %s: there is no reading in it", name)
	}
	p := newPicture(steps, filepath.Base(name), fahrenheit)
	p.draw()
	if _, werr := io.WriteString(w, p.b.String()); werr != nil {
		return cut, fmt.Errorf("writing the picture: %w", werr)
	}
	return cut, err
}

// Sizes of the picture, px.
const (
	picW                  = 960
	left, right           = 74, 24
	curveTop, curveBottom = 92, 392
	rowsTop, rowHeight    = 446, 30
	colInk, colDim        = "#23282f", "#626b77"
	colGrid               = "#e2e6ea"
	colCurve              = "#23282f"
	colGood, colMiss      = "#0b6e69", "#a8410b"
	colBar, colBarMiss    = "#9fd4cf", "#efc1a4"
)

type picture struct {
	b       strings.Builder
	steps   []Step
	name    string
	temp    func(float64) string
	f       bool
	t0, t1  float64 // s, span of the axis
	lo, hi  float64 // °C
	cross   crossingPoint
	reached bool
	asks    []Step
	height  float64
}

func newPicture(steps []Step, name string, fahrenheit bool) *picture {
	p := &picture{steps: steps, name: name, temp: degrees(fahrenheit), f: fahrenheit}
	p.cross, p.reached = crossed(steps)
	if !p.reached {
		last := steps[len(steps)-1]
		p.cross.target, p.cross.dir = last.Target, last.Toward
	}
	p.t0, p.t1 = steps[0].At, steps[len(steps)-1].At
	p.lo, p.hi = p.cross.target, p.cross.target
	for _, s := range steps {
		if p.plain(s) {
			p.lo, p.hi = math.Min(p.lo, s.Celsius), math.Max(p.hi, s.Celsius)
		}
	}
	pad := math.Max((p.hi-p.lo)*0.06, 1)
	p.lo, p.hi = p.lo-pad, p.hi+pad
	p.choose()
	p.height = rowsTop + rowHeight*float64(len(p.asks)) + 64
	return p
}

// plain tells whether a reading may be drawn as part of the curve.
func (p *picture) plain(s Step) bool {
	return s.Used && !math.IsNaN(s.Celsius) && s.Celsius > -30 && s.Celsius < 126 && s.Celsius != 0
}

// choose picks the moments whose forecasts are shown: the usual leads when the
// target was reached, else evenly over the curve.
func (p *picture) choose() {
	var at []float64
	if p.reached {
		for _, m := range []float64{120, 90, 60, 40, 30, 20, 10, 5, 2} {
			if t := p.cross.at - m*60; t > p.t0+20 {
				at = append(at, t)
			}
		}
		if n := len(at); n > 7 {
			at = at[n-7:]
		}
	} else {
		for i := range 6 {
			at = append(at, p.t0+(p.t1-p.t0)*float64(i+1)/6)
		}
	}
	end := p.t1
	for _, t := range at {
		i := p.index(t)
		if i < 0 || p.steps[i].Target != p.cross.target {
			continue
		}
		s := p.steps[i]
		p.asks = append(p.asks, s)
		if f := s.Forecast; f.Status == forecast.OK {
			hi := s.At + f.Hi
			// A bar that runs far off is cut at the edge.
			end = math.Max(end, math.Min(hi, p.t1+0.35*(p.t1-p.t0)))
		}
	}
	p.t1 = end
}

func (p *picture) index(t float64) int {
	lo, hi := 0, len(p.steps)
	for lo < hi {
		m := (lo + hi) / 2
		if p.steps[m].At <= t {
			lo = m + 1
		} else {
			hi = m
		}
	}
	return lo - 1
}

func (p *picture) x(t float64) float64 {
	return left + (picW-left-right)*(t-p.t0)/math.Max(p.t1-p.t0, 1)
}

func (p *picture) y(c float64) float64 {
	return curveBottom - (curveBottom-curveTop)*(c-p.lo)/(p.hi-p.lo)
}

func (p *picture) text(x, y float64, size int, anchor, colour, weight, s string) {
	fmt.Fprintf(&p.b, `<text x="%.1f" y="%.1f" font-size="%d" text-anchor="%s" fill="%s" font-weight="%s">%s</text>`+"\n", x, y, size, anchor, colour, weight, html.EscapeString(s))
}

func (p *picture) line(x1, y1, x2, y2 float64, colour string, width float64, dash string) {
	fmt.Fprintf(&p.b, `<line x1="%.1f" y1="%.1f" x2="%.1f" y2="%.1f" stroke="%s" stroke-width="%.1f"`, x1, y1, x2, y2, colour, width)
	if dash != "" {
		fmt.Fprintf(&p.b, ` stroke-dasharray="%s"`, dash)
	}
	p.b.WriteString("/>\n")
}

func (p *picture) title() string {
	what, knew := p.headline()
	return strings.TrimSpace(what + ". " + knew)
}

// headline says what came when, and when the station knew.
func (p *picture) headline() (what, known string) {
	target := p.temp(p.cross.target)
	if !p.reached {
		f := p.steps[len(p.steps)-1].Forecast
		if f.Status == forecast.OK {
			return fmt.Sprintf("Not yet at %s", target), fmt.Sprintf("At the last reading: in %s (%s to %s)", span(f.Eta), span(f.Lo), span(f.Hi))
		}
		return fmt.Sprintf("It did not come to %s", target), "At the last reading: " + f.Reason
	}
	// From when on did it say the time to within a tenth of what was left, or
	// half a minute, and never stray again?
	knew := math.NaN()
	for i := p.cross.index; i >= 0; i-- {
		s := p.steps[i]
		left := p.cross.at - s.At
		if left < 30 {
			continue
		}
		if s.Forecast.Status != forecast.OK || math.Abs(s.Forecast.Eta-left) > math.Max(0.1*left, 30) {
			break
		}
		knew = left
	}
	what = fmt.Sprintf("%s came %s after the first reading", target, span(p.cross.at-p.steps[0].At))
	if math.IsNaN(knew) {
		return what, ""
	}
	return what, fmt.Sprintf("From %s before, the forecast was right to a tenth of the time left, or half a minute", span(knew))
}

func (p *picture) draw() {
	fmt.Fprintf(&p.b, `<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 %d %.0f" width="%d" height="%.0f" font-family="system-ui, 'DejaVu Sans', sans-serif" role="img">`+"\n", picW, p.height, picW, p.height)
	fmt.Fprintf(&p.b, "<title>%s</title>\n", html.EscapeString(p.title()))
	fmt.Fprintf(&p.b, `<rect width="%d" height="%.0f" fill="#fff"/>`+"\n", picW, p.height)
	what, knew := p.headline()
	p.text(left, 32, 19, "start", colInk, "600", what)
	p.text(left, 56, 14, "start", colGood, "600", knew)
	p.text(picW-right, 32, 12, "end", colDim, "400", p.name)
	p.axes()
	p.curve()
	p.rows()
	p.b.WriteString("</svg>\n")
}

func step125(span, most float64) float64 {
	s := math.Pow(10, math.Floor(math.Log10(span/most)))
	for _, m := range []float64{1, 2, 5, 10} {
		if span/(s*m) <= most {
			return s * m
		}
	}
	return s * 10
}

func (p *picture) axes() {
	bottom := p.height - 44
	lo, hi := p.lo, p.hi
	if p.f {
		lo, hi = lo*1.8+32, hi*1.8+32
	}
	st := step125(hi-lo, 6)
	for v := math.Ceil(lo/st) * st; v <= hi; v += st {
		c := v
		if p.f {
			c = (v - 32) / 1.8
		}
		p.line(left, p.y(c), picW-right, p.y(c), colGrid, 1, "")
		unit := "°C"
		if p.f {
			unit = "°F"
		}
		p.text(left-8, p.y(c)+4, 12, "end", colDim, "400", fmt.Sprintf("%g %s", v, unit))
	}
	var tick float64
	for _, s := range []float64{30, 60, 120, 300, 600, 900, 1200, 1800, 3600, 7200, 14400, 36000} {
		tick = s
		if (p.t1-p.t0)/s <= 9 {
			break
		}
	}
	for t := 0.0; p.t0+t <= p.t1; t += tick {
		x := p.x(p.t0 + t)
		p.line(x, curveTop, x, bottom, colGrid, 1, "")
		label := fmt.Sprintf("%g min", t/60)
		if tick < 60 {
			label = fmt.Sprintf("%g s", t)
		}
		p.text(x, bottom+18, 12, "middle", colDim, "400", label)
	}
	p.text(picW-right, bottom+36, 12, "end", colDim, "400", "since the first reading")
	y := p.y(p.cross.target)
	p.line(left, y, picW-right, y, colGood, 1.5, "6 4")
	p.text(picW-right, y-6, 13, "end", colGood, "600", p.temp(p.cross.target))
	if p.reached {
		x := p.x(p.cross.at)
		p.line(x, y, x, bottom, colGood, 1.5, "")
		fmt.Fprintf(&p.b, `<circle cx="%.1f" cy="%.1f" r="5" fill="%s" stroke="#fff" stroke-width="1.5"/>`+"\n", x, y, colGood)
	}
}

func (p *picture) curve() {
	p.b.WriteString(`<path fill="none" stroke="` + colCurve + `" stroke-width="1.8" stroke-linejoin="round" d="`)
	// One point a pixel is enough: the mean of what falls on it.
	pen := false
	var n, sx, sc float64
	px := math.Inf(-1)
	flush := func() {
		if n == 0 {
			return
		}
		c := "L"
		if !pen {
			c = "M"
		}
		pen = true
		fmt.Fprintf(&p.b, "%s%.1f %.1f", c, sx/n, p.y(sc/n))
		n, sx, sc = 0, 0, 0
	}
	prev := math.NaN()
	for i, s := range p.steps {
		if !p.plain(s) || p.lonely(i) {
			continue
		}
		x := p.x(s.At)
		if s.At-prev > 45 && x-px > 6 { // a pause leaves a gap
			flush()
			pen = false
		}
		prev = s.At
		if math.Floor(x) != math.Floor(px) {
			flush()
		}
		px = x
		n++
		sx += x
		sc += s.Celsius
	}
	flush()
	p.b.WriteString("\"/>\n")
	lastLabel := -100.0
	for _, s := range p.steps {
		if s.Event == "" {
			continue
		}
		x := p.x(s.At)
		p.line(x, curveTop, x, curveBottom, colDim, 1, "2 3")
		y := float64(curveTop) + 12
		if x-lastLabel < 90 {
			y += 15
		}
		lastLabel = x
		p.text(x+4, y, 12, "start", colDim, "400", strings.ReplaceAll(s.Event, "-", " "))
	}
}

// lonely tells a single wild value from the curve.
func (p *picture) lonely(i int) bool {
	if i == 0 || i+1 >= len(p.steps) {
		return false
	}
	a, b, c := p.steps[i-1].Celsius, p.steps[i].Celsius, p.steps[i+1].Celsius
	return math.Abs(b-a) > 5 && math.Abs(b-c) > 5 && math.Abs(a-c) < 3
}

func (p *picture) rows() {
	if len(p.asks) == 0 {
		return
	}
	p.text(left, rowsTop-16, 13, "start", colInk, "600", "What was forecast, and when")
	p.text(picW-right, rowsTop-16, 12, "end", colDim, "400", "○ asked   ● likeliest   bar: 9 times in 10 within it   line: when it really came")
	for i, s := range p.asks {
		y := float64(rowsTop) + rowHeight*(float64(i)+0.5)
		x := p.x(s.At)
		f := s.Forecast
		if c := p.steps[p.index(s.At)].Celsius; !math.IsNaN(c) && s.Used {
			fmt.Fprintf(&p.b, `<circle cx="%.1f" cy="%.1f" r="4" fill="#fff" stroke="%s" stroke-width="1.8"/>`+"\n", x, p.y(c), colDim)
		}
		fmt.Fprintf(&p.b, `<circle cx="%.1f" cy="%.1f" r="4" fill="#fff" stroke="%s" stroke-width="1.8"/>`+"\n", x, y, colDim)
		if f.Status != forecast.OK {
			p.say(x+10, y, f.Reason, colDim)
			continue
		}
		lo, mid, hi := p.x(s.At+f.Lo), p.x(s.At+f.Eta), p.x(math.Min(s.At+f.Hi, p.t1))
		bar, dot := colBar, colGood
		note := "in " + span(f.Eta)
		if p.reached {
			left := p.cross.at - s.At
			off := f.Eta - left
			switch {
			case math.Abs(off) < 1:
				note += ", right to the second"
			case off > 0:
				note += fmt.Sprintf(", %s late", span(off))
			default:
				note += fmt.Sprintf(", %s early", span(-off))
			}
			if left < f.Lo || left > f.Hi {
				bar, dot = colBarMiss, colMiss
			}
		}
		p.line(x+6, y, lo, y, colDim, 1, "1 4")
		fmt.Fprintf(&p.b, `<rect x="%.1f" y="%.1f" width="%.1f" height="12" rx="4" fill="%s"/>`+"\n", lo, y-6, math.Max(hi-lo, 2), bar)
		if mid <= picW-right {
			fmt.Fprintf(&p.b, `<circle cx="%.1f" cy="%.1f" r="5" fill="%s"/>`+"\n", mid, y, dot)
		}
		// The words stand where there is room: left of the bar, or right of it.
		if lo-x > 170 {
			p.say(x+10, y-8, note, dot)
		} else if hi+170 < picW-right {
			p.say(math.Max(hi, mid)+10, y+4, note, dot)
		} else {
			p.text(x-10, y+4, 12, "end", dot, "400", note)
		}
	}
}

func (p *picture) say(x, y float64, s, colour string) {
	if x > picW-330 {
		p.text(x-20, y+4, 12, "end", colour, "400", s)
		return
	}
	p.text(x, y+4, 12, "start", colour, "400", s)
}

package records

import (
	"context"
	"encoding/xml"
	"fmt"
	"io"
	"math"
	"strings"
	"time"

	"example.org/meltstation/alerts/plan"
	"example.org/meltstation/alerts/plan/units"
	"example.org/meltstation/probe"
	"example.org/meltstation/probe/trace"
)

// The drawing, in its own units.
const (
	svgWidth, svgHeight                      = 960.0, 560.0
	svgLeft, svgRight, svgTop, svgBottom     = 64.0, 24.0, 96.0, 56.0
	svgPoints                                = 2000
	inkText, inkGrid, inkWax, inkRoom        = "#1d2730", "#d4dae0", "#0b4f6c", "#5c6873"
	inkScent, inkWindow, inkFlash, inkMoment = "#8a5a00", "#cfe5d6", "#a3202a", "#4a5560"
)

// frame turns seconds and °C into a place on the drawing.
type frame struct {
	from, to float64 // s
	low, top float64 // °C
}

func (f frame) x(s float64) float64 {
	return svgLeft + (s-f.from)/(f.to-f.from)*(svgWidth-svgLeft-svgRight)
}

func (f frame) y(c float64) float64 {
	return svgHeight - svgBottom - (c-f.low)/(f.top-f.low)*(svgHeight-svgTop-svgBottom)
}

// svg draws the curve of a batch as one picture without script or outside parts:
// the wax, the room, the temperatures of the sheet, and what was done when.
func (b *Book) svg(ctx context.Context, w io.Writer, batch trace.Batch) error {
	sheet, err := sheetOf(batch)
	if err != nil {
		return err
	}
	series, err := b.Store.Curve(ctx, batch.ID, trace.CurveQuery{Points: svgPoints})
	if err != nil {
		return err
	}
	history, err := b.History(ctx, batch.ID)
	if err != nil {
		return err
	}
	events := plan.Fold(history)
	unit := sheet.Show.Temperature
	if unit == "" {
		unit = b.Units.Temperature
	}
	since := func(at time.Duration) float64 { return (at - batch.StartAt).Seconds() }

	t := sheet.Thresholds
	f := frame{from: 0, to: 60, low: math.Inf(1), top: math.Inf(-1)}
	span := func(c float64) { f.low, f.top = min(f.low, c), max(f.top, c) }
	for _, c := range []float64{t.ScentAdd, t.PourHigh, t.PourLow} {
		if c != 0 {
			span(c)
		}
	}
	for _, s := range series {
		for _, p := range s.Points {
			if !math.IsNaN(p.Celsius) && (s.Role == probe.RolePot || s.Role == probe.RoleRoom) {
				span(p.Celsius)
				f.from, f.to = min(f.from, since(p.At)), max(f.to, since(p.At))
			}
		}
	}
	for _, e := range events {
		if _, told := moments[e.Kind]; told {
			f.to = max(f.to, since(e.At))
		}
	}
	if math.IsInf(f.low, 0) {
		f.low, f.top = 20, 80
	}
	limit, limited := t.FlashLimit()
	limited = limited && limit < f.top+25 // further up it says nothing here
	if limited {
		span(limit)
	}
	// The grid's lines lie at whole tens of °C, or twenties of °F.
	zero, step := 0.0, 10.0
	if unit == "F" {
		zero, step = units.Celsius(0), units.KelvinDifference(20)
	}
	f.low = zero + math.Floor((f.low-1-zero)/step)*step
	f.top = zero + math.Ceil((f.top+1-zero)/step)*step

	var out strings.Builder
	text := func(x, y float64, anchor, ink string, size int, s string) {
		fmt.Fprintf(&out, `<text x="%.1f" y="%.1f" text-anchor="%s" fill="%s" font-size="%d" stroke="#fff" stroke-width="3" stroke-opacity="0.8" paint-order="stroke">%s</text>`, x, y, anchor, ink, size, escape(s))
	}
	line := func(x1, y1, x2, y2 float64, ink string, width float64, dash string) {
		fmt.Fprintf(&out, `<line x1="%.1f" y1="%.1f" x2="%.1f" y2="%.1f" stroke="%s" stroke-width="%g"`, x1, y1, x2, y2, ink, width)
		if dash != "" {
			fmt.Fprintf(&out, ` stroke-dasharray="%s"`, dash)
		}
		out.WriteString("/>\n")
	}
	right, bottom := svgWidth-svgRight, svgHeight-svgBottom
	title := strings.TrimSpace(batch.ID + "  " + batch.Name)
	fmt.Fprintf(&out, `<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 %g %g" role="img" font-family="system-ui, sans-serif"><title>%s</title>`+"\n",
		svgWidth, svgHeight, escape(title))
	fmt.Fprintf(&out, `<rect width="%g" height="%g" fill="#fff"/>`, svgWidth, svgHeight)
	text(svgLeft, 30, "start", inkText, 20, title)
	loc := b.Location
	if loc == nil {
		loc = time.UTC
	}
	where := b.Station
	if where != "" {
		where += ", "
	}
	text(svgLeft, 50, "start", inkMoment, 13, where+batch.Started.In(loc).Format("2 January 2006, 15:04 MST"))

	type label struct {
		x, y              float64
		anchor, ink, text string
	}
	var labels []label // over the curves

	// The pour window, then the grid over it.
	if t.PourHigh > t.PourLow && t.PourLow > 0 {
		fmt.Fprintf(&out, `<rect x="%.1f" y="%.1f" width="%.1f" height="%.1f" fill="%s"/>`, svgLeft, f.y(t.PourHigh), right-svgLeft, f.y(t.PourLow)-f.y(t.PourHigh), inkWindow)
		labels = append(labels, label{svgLeft + 6, f.y((t.PourHigh+t.PourLow)/2) + 4, "start", inkText, "pour window"})
	}
	for c := f.low; c <= f.top+step/2; c += step {
		line(svgLeft, f.y(c), right, f.y(c), inkGrid, 1, "")
		text(svgLeft-8, f.y(c)+4, "end", inkText, 12, units.Temperature(c, unit, 0))
	}
	for s := math.Ceil(f.from/every(f)) * every(f); s <= f.to; s += every(f) {
		line(f.x(s), svgTop, f.x(s), bottom, inkGrid, 1, "")
		text(f.x(s), bottom+18, "middle", inkText, 12, clock(s))
	}
	text((svgLeft+right)/2, svgHeight-14, "middle", inkText, 12, "since the start, hours and minutes")
	if t.ScentAdd > 0 {
		line(svgLeft, f.y(t.ScentAdd), right, f.y(t.ScentAdd), inkScent, 1.5, "8 4")
		labels = append(labels, label{right - 6, f.y(t.ScentAdd) - 5, "end", inkScent, "scent-add " + units.Temperature(t.ScentAdd, unit, 0)})
	}
	if limited {
		line(svgLeft, f.y(limit), right, f.y(limit), inkFlash, 1.5, "2 3")
		labels = append(labels, label{right - 6, f.y(limit) - 5, "end", inkFlash, "flash-point alarm " + units.Temperature(limit, unit, 0)})
	}
	for _, s := range series {
		ink, width := inkRoom, 1.5
		switch s.Role {
		case probe.RolePot:
			ink, width = inkWax, 2.5
		case probe.RoleRoom:
			if n := len(s.Points); n > 0 && !math.IsNaN(s.Points[0].Celsius) {
				labels = append(labels, label{svgLeft + 6, f.y(s.Points[0].Celsius) - 6, "start", inkRoom, "room"})
			}
		default:
			continue
		}
		pen := 'M'
		out.WriteString(`<path d="`)
		for _, p := range s.Points {
			if math.IsNaN(p.Celsius) { // a gap
				pen = 'M'
				continue
			}
			fmt.Fprintf(&out, "%c%.1f %.1f", pen, f.x(since(p.At)), f.y(p.Celsius))
			pen = 'L'
		}
		fmt.Fprintf(&out, `" fill="none" stroke="%s" stroke-width="%g" stroke-linejoin="round"/>`+"\n", ink, width)
	}
	for _, l := range labels {
		text(l.x, l.y, l.anchor, l.ink, 12, l.text)
	}
	// What was done, in three rows so that neighbours don't lie on each other.
	row := 0
	for _, e := range events {
		name, told := moments[e.Kind]
		s := since(e.At)
		if !told || s < f.from || s > f.to {
			continue
		}
		x, y := f.x(s), svgTop-28+14*float64(row%3)
		line(x, y+3, x, bottom, inkMoment, 1, "1 3")
		anchor, dx := "start", 3.0
		if x > svgWidth*0.75 {
			anchor, dx = "end", -3
		}
		text(x+dx, y, anchor, inkMoment, 11, name)
		row++
	}
	out.WriteString("</svg>\n")
	if _, err := io.WriteString(w, out.String()); err != nil {
		return fmt.Errorf("drawing batch %s: %w", batch.ID, err)
	}
	return nil
}

// moments are the events that a curve shows, in words.
var moments = map[plan.EventKind]string{
	plan.EventScentAdded: "fragrance in", plan.EventHeatOff: "heat off", plan.EventHeatOn: "heat on", plan.EventJugOut: "jug out",
	plan.EventPourStart: "first jar", plan.EventPoured: "last jar", plan.EventAbandoned: "given up",
}

// every is the distance of the time's lines: the finest that leaves ten or fewer.
func every(f frame) float64 {
	for _, m := range []float64{1, 2, 5, 10, 15, 30, 60, 120, 240, 480} {
		if (f.to-f.from)/(m*60) <= 10 {
			return m * 60
		}
	}
	return 24 * 3600
}

// clock writes seconds as hours and minutes.
func clock(s float64) string {
	m := int(math.Round(s / 60))
	return fmt.Sprintf("%d:%02d", m/60, m%60)
}

func escape(s string) string {
	var b strings.Builder
	xml.EscapeText(&b, []byte(s)) // a Builder takes everything
	return b.String()
}

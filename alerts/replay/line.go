package replay

import (
	"math"

	"example.org/meltstation/alerts/forecast"
)

// timeline turns a file's times into a line that only goes forward at the pace
// of the sun: when the recorder's clock was set in mid-curve, the jump is taken
// out again.
type timeline struct {
	started bool
	raw     float64 // newest time of the file
	at      float64 // its place on the line
	shift   float64 // at = raw + shift
	pace    float64 // usual time between rows, s
	n       int
	behind  int // rows in a row before the newest
	celsius float64
}

// place returns where a row stands on the line. A row that came late stands
// before the last one.
func (l *timeline) place(raw, celsius float64, e *forecast.Engine) float64 {
	if !l.started {
		l.started = true
		l.raw, l.shift, l.at, l.pace = raw, -raw, 0, 1
		l.celsius = celsius
		return 0
	}
	at := raw + l.shift
	d := at - l.at
	switch {
	case d <= 0:
		// A late row, or a clock that was set back.
		if d < 0 {
			l.behind++
		}
		if d < -math.Max(30, 10*l.pace) || l.behind >= 4 {
			l.reset(raw)
			at = l.at
		} else {
			return at
		}
	case d > math.Max(10, 8*l.pace):
		if l.stepped(d, celsius, e) {
			l.reset(raw)
			at = l.at
		}
	default:
		if l.n < 50 {
			l.n++
		}
		if l.n > 3 {
			d = math.Min(d, 4*l.pace)
		}
		l.pace += (d - l.pace) / float64(l.n)
	}
	l.behind = 0
	l.raw, l.at = raw, at
	if !math.IsNaN(celsius) {
		l.celsius = celsius
	}
	return at
}

// reset goes on one usual step after the last row.
func (l *timeline) reset(raw float64) {
	l.at += l.pace
	l.shift = l.at - raw
	l.behind = 0
}

// stepped tells a clock set forward from a pause in the readings: after a pause
// of that length the wax would be elsewhere.
func (l *timeline) stepped(d, celsius float64, e *forecast.Engine) bool {
	if math.IsNaN(celsius) || math.IsNaN(l.celsius) {
		return d > 3*3600
	}
	const scatter = 0.2 // K, of a reading
	lo, _, hi, ok := e.Ahead(d)
	nearLo, _, nearHi, _ := e.Ahead(l.pace)
	if !ok {
		return d > 3*3600
	}
	far := celsius < lo-scatter || celsius > hi+scatter
	near := celsius > nearLo-scatter && celsius < nearHi+scatter
	return far && near
}

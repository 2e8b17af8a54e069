package replay

import (
	"errors"
	"fmt"
	"io"
	"math"
	"strings"

	"example.org/meltstation/alerts/forecast"
)

// Common practice for a container wax, no source: fragrance at 185 °F, pour at
// 135 °F. They stand in when no target is named.
const (
	DefaultScentAdd = 85.0             // °C
	DefaultPour     = (135 - 32) / 1.8 // °C, 57.2
)

// Options say what to forecast.
type Options struct {
	Target    float64            // °C; NaN: pour while cooling, scent-add while heating
	Direction forecast.Direction // 0: toward the target from where the wax is
	Ambient   float64            // °C, measured air; NaN when not known
	Known     forecast.Known
	// Note is told what had to be taken for granted, and at which line of the
	// file; nil for nobody.
	Note func(line int, what string)
}

// Step is one reading of the curve and the forecast made at it.
type Step struct {
	Row
	At       float64 // s from the first row, with steps of the recorder's clock taken out
	Used     bool    // the reading was given to the engine
	Target   float64 // °C
	Toward   forecast.Direction
	Forecast forecast.Forecast
}

// Run reads a curve and calls each for every reading of the pot. An error that
// each returns ends it. The line that was cut short at the end of the file is
// returned, 0 when none was.
func Run(name string, in io.Reader, opt Options, each func(Step, *forecast.Engine) error) (cut int, err error) {
	rd, err := NewReader(name, in, opt.Note)
	if err != nil {
		return 0, err
	}
	e := forecast.New(opt.Known)
	var line timeline
	if !math.IsNaN(opt.Ambient) {
		e.Room(0, opt.Ambient)
	}
	toward := opt.Direction
	steps := 0
	begun, origin := false, 0.0 // of the station's own time line
	for {
		row, err := rd.Next()
		if errors.Is(err, io.EOF) {
			return rd.Cut, nil
		} else if err != nil {
			return 0, err
		}
		good := (row.Quality == "" || row.Quality == "good" || row.Quality == "ok") && !math.IsNaN(row.Celsius)
		pot := row.Role == "" || row.Role == "pot"
		c := row.Celsius
		if !good || !pot {
			c = math.NaN()
		}
		var at float64
		if row.Station {
			if !begun {
				begun, origin = true, row.Seconds
			}
			at = row.Seconds - origin
		} else {
			was := line.shift
			at = line.place(row.Seconds, c, e)
			if d := was - line.shift; steps > 0 && d != 0 {
				word := "ahead"
				if d < 0 {
					word = "back"
				}
				rd.note(fmt.Sprintf("the clock of the file goes %s by %.0f s here; the curve is taken on without the step", word, math.Abs(d)))
			}
			steps++
		}
		if row.Known != nil { // an exported batch: begin as the station did
			e = forecast.New(*row.Known)
			if !math.IsNaN(opt.Ambient) {
				e.Room(at, opt.Ambient)
			}
		}
		if !math.IsNaN(row.Ambient) && math.IsNaN(opt.Ambient) {
			e.Room(at, row.Ambient)
		}
		if k, ok := EventKind(row.Event); ok {
			e.Tell(at, k)
		}
		if !pot {
			if good && row.Role == "room" && math.IsNaN(opt.Ambient) {
				e.Room(at, row.Celsius)
			} else if good && row.Role == "bath" {
				e.Bath(at, row.Celsius)
			}
			continue
		}
		if math.IsNaN(row.Celsius) && row.Event != "" {
			continue // a line for the event alone
		}
		if good {
			e.Add(at, row.Celsius)
		} else {
			e.Pass(at)
		}
		s := Step{Row: row, At: at, Used: good, Target: opt.Target}
		s.Toward, s.Target, s.Forecast = ask(e, opt, &toward)
		if err := each(s, e); err != nil {
			return 0, err
		}
	}
}

// ask makes the forecast that the options want.
func ask(e *forecast.Engine, opt Options, toward *forecast.Direction) (forecast.Direction, float64, forecast.Forecast) {
	going := e.Going()
	target := opt.Target
	if math.IsNaN(target) {
		target = DefaultPour
		if opt.Direction == forecast.Heating || opt.Direction == 0 && going == forecast.Heating {
			target = DefaultScentAdd
		}
	}
	if opt.Direction != 0 {
		return opt.Direction, target, e.Crossing(target, opt.Direction)
	}
	// Toward the target from where the wax is. Once it has come through, the
	// answer stays "reached" while it goes on the same way.
	dir := forecast.Cooling
	if now, ok := e.Now(); ok && now < target {
		dir = forecast.Heating
	}
	if going != 0 && going != dir && *toward == going {
		dir = going
	}
	*toward = dir
	return dir, target, e.Crossing(target, dir)
}

// EventKind reads the event column: the names the trace uses, and plain
// spellings of them.
func EventKind(s string) (forecast.EventKind, bool) {
	if s == "" {
		return "", false
	}
	s = strings.ToLower(strings.TrimSpace(s))
	s = strings.NewReplacer(" ", "-", "_", "-").Replace(s)
	switch s {
	case "start", "heat-on", "heat", "reheat", "on":
		return forecast.HeatOn, true
	case "heat-off", "off", "flame-off", "hob-off":
		return forecast.HeatOff, true
	case "scent-added", "scent-in", "scent", "scent-add", "fragrance", "fragrance-in", "fragrance-added", "fragrance-add", "oil-in":
		return forecast.ScentIn, true
	case "stirred", "stir", "stirring":
		return forecast.Stirred, true
	case "jug-out", "out-of-bath", "jug-lifted", "bench", "set-down":
		return forecast.JugOut, true
	case "probe-out":
		return forecast.ProbeOut, true
	case "probe-in", "probe-back":
		return forecast.ProbeBack, true
	case "change", "draught", "draft", "lid-on", "lid-off", "lid":
		return forecast.Change, true
	}
	return "", false
}

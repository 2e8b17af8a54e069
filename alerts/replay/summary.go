package replay

import (
	"fmt"
	"io"
	"math"

	"example.org/meltstation/alerts/forecast"
)

// Summary runs a curve and tells in plain words when it would have known.
func Summary(w io.Writer, name string, in io.Reader, opt Options, fahrenheit bool) (cut int, err error) {
	var steps []Step
	cut, runErr := Run(name, in, opt, func(s Step, _ *forecast.Engine) error {
		steps = append(steps, s)
		return nil
	})
	if len(steps) == 0 {
		if runErr != nil {
			return cut, runErr
		}
		return cut, &Error{File: name, Line: 1, What: "there is no reading in this file", Mend: "write a line for each below the header, such as 0,84.5"}
	}
	temp := degrees(fahrenheit)
	last := steps[len(steps)-1]
	readings := "readings"
	if len(steps) == 1 {
		readings = "reading"
	}
	fmt.Fprintf(w, "%d %s over %s, from %s to %s.\n", len(steps), readings, span(last.At-steps[0].At), temp(firstCelsius(steps)), temp(lastCelsius(steps)))
	c, reached := crossed(steps)
	if !reached {
		f := last.Forecast
		fmt.Fprintf(w, "It did not come to %s in this file.\n", temp(last.Target))
		switch f.Status {
		case forecast.OK:
			fmt.Fprintf(w, "From the last reading: in %s, between %s and %s.\n", span(f.Eta), span(f.Lo), span(f.Hi))
		default:
			fmt.Fprintf(w, "At the last reading: %s.\n", f.Reason)
		}
		return cut, runErr
	}
	fmt.Fprintf(w, "It came to %s after %s.\n\n", temp(c.target), span(c.at-steps[0].At))
	fmt.Fprintf(w, "%14s  %-28s %s\n", "that long before", "what was forecast then", "off by")
	for _, lead := range []float64{3600, 2400, 1800, 1200, 600, 300, 120, 60} {
		s, ok := at(steps, c.at-lead)
		if !ok || s.Target != c.target {
			continue
		}
		f := s.Forecast
		if f.Status != forecast.OK {
			fmt.Fprintf(w, "%14s    %s\n", span(lead), f.Reason)
			continue
		}
		off := f.Eta - (c.at - s.At)
		word := "late"
		if off < 0 {
			word = "early"
		}
		fmt.Fprintf(w, "%14s    in %-8s (%s to %s) %10.0f s %s\n", span(lead), span(f.Eta), span(f.Lo), span(f.Hi), math.Abs(off), word)
	}
	return cut, runErr
}

type crossingPoint struct {
	at, target float64
	dir        forecast.Direction
	index      int
}

// crossed finds when the curve itself came through its target: midway between
// the first smoothed reading beyond it and the last one before.
func crossed(steps []Step) (crossingPoint, bool) {
	was := false
	for i := range steps {
		f := steps[i].Forecast
		if f.Status == forecast.Reached {
			if was {
				return crossingPoint{steps[i].At, steps[i].Target, steps[i].Toward, i}, true
			}
			continue
		}
		was = true
	}
	return crossingPoint{}, false
}

// at returns the last step not after t.
func at(steps []Step, t float64) (Step, bool) {
	if t < steps[0].At {
		return Step{}, false
	}
	j := 0
	for i := range steps {
		if steps[i].At > t {
			break
		}
		j = i
	}
	return steps[j], true
}

func firstCelsius(s []Step) float64 {
	for i := range s {
		if !math.IsNaN(s[i].Celsius) {
			return s[i].Celsius
		}
	}
	return math.NaN()
}

func lastCelsius(s []Step) float64 {
	for i := len(s) - 1; i >= 0; i-- {
		if !math.IsNaN(s[i].Celsius) {
			return s[i].Celsius
		}
	}
	return math.NaN()
}

func degrees(fahrenheit bool) func(float64) string {
	return func(c float64) string {
		if fahrenheit {
			return fmt.Sprintf("%.1f °F", c*1.8+32)
		}
		return fmt.Sprintf("%.1f °C", c)
	}
}

// span writes a length of time as a person would.
func span(s float64) string {
	switch {
	case math.IsNaN(s):
		return "?"
	case math.IsInf(s, 0):
		return "no end"
	case s < 90:
		return fmt.Sprintf("%.0f s", s)
	case s < 600:
		return fmt.Sprintf("%d:%02d min", int(s+.5)/60, int(s+.5)%60)
	case s < 5400:
		return fmt.Sprintf("%.0f min", s/60)
	}
	return fmt.Sprintf("%d h %02d min", int(s/60+.5)/60, int(s/60+.5)%60)
}

package main

import (
	"context"
	"errors"
	"flag"
	"fmt"
	"io"
	"math"
	"os"
	"os/user"
	"strconv"
	"strings"
	"time"

	"example.org/meltstation/alerts/plan/units"
	"example.org/meltstation/probe"
	"example.org/meltstation/probe/calibrate"
)

func calibrateCommand() command {
	const usage = "PROBE --ice | --boiling | --reference TEMPERATURE"
	return command{
		name: "calibrate", args: usage, summary: "correct a probe by ice, boiling water or a thermometer you trust",
		run: func(ctx context.Context, args []string, std Streams) error {
			var c calibration
			fs := flag.NewFlagSet("calibrate", flag.ContinueOnError)
			c.attached.flags(fs)
			fs.BoolVar(&c.ice, "ice", false, "the probe is in melting ice")
			fs.BoolVar(&c.boiling, "boiling", false, "the probe is in boiling water; give --altitude or --pressure")
			fs.StringVar(&c.reference, "reference", "", "the probe is beside a thermometer that shows this `temperature`, such as 57.3C or 135F")
			fs.BoolVar(&c.none, "none", false, "forget the probe's calibration (its history is kept)")
			fs.BoolVar(&c.list, "list", false, "show what is in force and the history, of one probe or of all")
			fs.StringVar(&c.altitude, "altitude", "", "`height` of your kitchen, such as 300m or 1000ft")
			fs.StringVar(&c.pressure, "pressure", "", "air `pressure` in your kitchen, such as 1002hPa or 29.6inHg; better than the altitude")
			fs.StringVar(&c.by, "by", "", "your `name`, kept with the calibration (default: your login)")
			fs.DurationVar(&c.window, "hold", time.Minute, "how `long` the reading must hold still")
			fs.DurationVar(&c.patience, "patience", 20*time.Minute, "how `long` to wait for that")
			rest, err := parse(fs, "calibrate "+usage+" [--altitude 300m | --pressure 1002hPa] [--by NAME]\n       meltstation calibrate [PROBE] --list", args, std)
			if err != nil {
				return err
			}
			if len(rest) > 1 {
				return fmt.Errorf("%w: one probe at a time, not %q", errUsage, rest)
			}
			if len(rest) == 1 {
				c.probe = rest[0]
			}
			return c.run(ctx, std)
		},
	}
}

type calibration struct {
	attached
	probe                    string
	ice, boiling, none, list bool
	reference                string
	altitude, pressure, by   string
	window, patience         time.Duration
}

func (c *calibration) run(ctx context.Context, std Streams) error {
	n := 0
	for _, on := range []bool{c.ice, c.boiling, c.reference != "", c.none, c.list} {
		if on {
			n++
		}
	}
	if n != 1 {
		return fmt.Errorf("%w: give one of --ice, --boiling, --reference, --none and --list", errUsage)
	}
	if (c.altitude != "" || c.pressure != "") && !c.boiling {
		return fmt.Errorf("%w: --altitude and --pressure go with --boiling", errUsage)
	}
	if c.window < time.Second || c.window > time.Hour || c.patience < c.window {
		return fmt.Errorf("%w: --hold is 1s to 1h, and --patience no shorter", errUsage)
	}
	b, err := c.find()
	if err != nil {
		return err
	}
	if c.list {
		return c.show(std.Out, b)
	}
	if c.by == "" {
		c.by = login()
	}
	spec, err := c.choose(b)
	if err != nil {
		return err
	}
	p := calibrate.Point{Probe: spec.ID, By: c.by}
	switch {
	case c.none:
		p.Kind, p.At = calibrate.None, time.Now()
		if _, err := calibrate.Add(b.calibrations(), p); err != nil {
			return err
		}
		fmt.Fprintf(std.Out, "From now on %s is used as it reads. Its earlier calibrations stay in %s.\n", spec.ID, b.calibrations())
		return nil
	case c.ice:
		p.Kind = calibrate.Ice
		fmt.Fprintf(std.Out, `Ice point of %s: 0 °C.
  Fill a glass with crushed ice of clean water and just cover it with cold water.
  Put the tip in the middle, 5 cm deep or more, touching neither glass nor bottom.
  Stir now and then.
`, spec.ID)
	case c.boiling:
		p.Kind = calibrate.Boil
		if p.True, p.Note, err = c.boil(b); err != nil {
			return err
		}
		fmt.Fprintf(std.Out, `Boiling point of %s: %.2f °C (%s).
  Only for a probe and a cable that stand 100 °C. Water and steam scald: tongs, not fingers.
  Keep clean water at a rolling boil. Hold the tip in the water, 5 cm deep or more,
  touching neither pot nor bottom.
`, spec.ID, p.True, p.Note)
	default:
		p.Kind = calibrate.Reference
		if p.True, err = units.ParseTemperature(c.reference); err != nil {
			return fmt.Errorf("%w: --reference %q: write it like 57.3C or 135F: %w", errUsage, c.reference, err)
		}
		fmt.Fprintf(std.Out, `%s against a thermometer that shows %.2f °C.
  Hold both tips together in stirred water, near the temperature you pour or add scent at,
  and give what the other one shows once it holds still.
`, spec.ID, p.True)
	}
	fmt.Fprintf(std.Out, "Waiting until the reading holds still for %s. Ctrl-C gives up.\n", c.window)
	v, err := c.measure(ctx, std.Out, *spec, p.True)
	if err != nil {
		return err
	}
	p.Raw, p.Spread, p.Drift, p.At = v.Mean, v.Spread, v.Drift, time.Now()
	fmt.Fprintf(std.Out, "Steady: %.2f °C for %s (%d readings, spread %.3f °C, drift %+.3f °C a minute).\n",
		v.Mean, v.Span.Round(time.Second), v.Readings, v.Spread, v.Drift)
	book, err := calibrate.Add(b.calibrations(), p)
	if err != nil {
		return err
	}
	c.explain(std.Out, book, b, spec.ID)
	fmt.Fprintf(std.Out, "Kept in %s. A running station takes it up within a few seconds.\n", b.calibrations())
	return nil
}

// choose finds the probe that is meant.
func (c *calibration) choose(b *bench) (*probe.Spec, error) {
	var ids []string
	for i := range b.specs {
		if s := &b.specs[i]; s.ID == c.probe || s.Name == c.probe && c.probe != "" || c.probe == "" && len(b.specs) == 1 {
			return s, nil
		}
		ids = append(ids, b.specs[i].ID)
	}
	switch {
	case len(ids) > 0 && c.probe == "":
		return nil, fmt.Errorf("%w: say which probe: %s", errUsage, strings.Join(ids, ", "))
	case len(ids) > 0:
		return nil, fmt.Errorf("there is no probe %q; there are: %s", c.probe, strings.Join(ids, ", "))
	case c.none:
		return &probe.Spec{ID: c.probe}, nil
	case b.w1err != nil:
		return nil, fmt.Errorf("no probe is attached: %s", probe.Mend("w1", probe.Classify(b.w1err), b.w1err))
	}
	return nil, errors.New("no probe is attached")
}

// boil is the boiling point for the pressure or altitude given, or the altitude of
// the settings.
func (c *calibration) boil(b *bench) (celsius float64, note string, err error) {
	var hPa float64
	switch {
	case c.pressure != "" && c.altitude != "":
		return 0, "", fmt.Errorf("%w: give --pressure or --altitude, not both", errUsage)
	case c.pressure != "":
		if hPa, err = quantity(c.pressure, map[string]float64{"hpa": 1, "mbar": 1, "kpa": 10, "inhg": 33.86389}); err != nil {
			return 0, "", fmt.Errorf("%w: --pressure %q: write it like 1002hPa: %w", errUsage, c.pressure, err)
		}
		note = fmt.Sprintf("%.1f hPa measured", hPa)
	case c.altitude != "" || b.cfg.Altitude != 0:
		m := b.cfg.Altitude
		if c.altitude != "" {
			if m, err = quantity(c.altitude, map[string]float64{"m": 1, "ft": 0.3048}); err != nil {
				return 0, "", fmt.Errorf("%w: --altitude %q: write it like 300m: %w", errUsage, c.altitude, err)
			}
		}
		if hPa, err = calibrate.Pressure(m); err != nil {
			return 0, "", fmt.Errorf("%w: %w", errUsage, err)
		}
		note = fmt.Sprintf("%.0f m, %.0f hPa on an average day", m, hPa)
	default:
		return 0, "", fmt.Errorf("%w: water boils cooler the higher you are: give --altitude, such as 300m, or --pressure, such as 1002hPa", errUsage)
	}
	if celsius, err = calibrate.Boiling(hPa); err != nil {
		return 0, "", fmt.Errorf("%w: %w", errUsage, err)
	}
	return celsius, note, nil
}

// quantity reads a number with one of the units given, and its size in the first.
func quantity(s string, factors map[string]float64) (float64, error) {
	s = strings.ToLower(strings.ReplaceAll(s, " ", ""))
	i := strings.LastIndexAny(s, "0123456789.") + 1
	f, ok := factors[s[i:]]
	if !ok {
		return 0, fmt.Errorf("unit %q is not known", s[i:])
	}
	v, err := strconv.ParseFloat(s[:i], 64)
	if err != nil || math.IsNaN(v) || math.IsInf(v, 0) {
		return 0, fmt.Errorf("%q is no number", s[:i])
	}
	return v * f, nil
}

// near is how close to the true value a reading must come before it is watched, in
// °C: a probe on its way into the ice is not in the ice.
const near = 10.0

// measure waits until the probe holds still near the true value.
func (c *calibration) measure(ctx context.Context, w io.Writer, spec probe.Spec, right float64) (calibrate.Verdict, error) {
	ctx, cancel := context.WithCancel(ctx)
	defer cancel()
	spec.Adjust, spec.StuckAfter = nil, -1
	readings := make(chan probe.Reading, 16)
	sup := probe.NewSupervisor(probe.Options{Emit: func(r probe.Reading) {
		select {
		case readings <- r:
		case <-ctx.Done():
		}
	}})
	sup.Set([]probe.Spec{spec})
	done := make(chan error, 1)
	go func() { done <- sup.Run(ctx) }()
	defer func() { cancel(); <-done }()

	steady := calibrate.Steady{Window: c.window}
	start := time.Now()
	var told, trouble time.Time
	why := "no good reading came"
	for {
		var r probe.Reading
		select {
		case <-ctx.Done():
			return calibrate.Verdict{}, errors.New("given up; nothing was changed")
		case <-time.After(c.patience - time.Since(start)):
			return calibrate.Verdict{}, fmt.Errorf("given up after %s: %s; nothing was changed", c.patience, why)
		case r = <-readings:
		}
		if !r.OK() {
			if r.At.Sub(trouble) > 10*time.Second {
				trouble = r.At
				mend := sup.Status()[0].Mend
				fmt.Fprintf(w, "  no good reading: %s (%s)\n", word(r.Quality), mend)
			}
			continue
		}
		if math.Abs(r.Raw-right) > near {
			steady.Reset()
			why = fmt.Sprintf("the probe reads %.2f °C, still far from %.2f °C: is it the one that is in there?", r.Raw, right)
			if r.At.Sub(told) >= 10*time.Second {
				told = r.At
				fmt.Fprintf(w, "  reads %.2f °C, still far from %.2f °C\n", r.Raw, right)
			}
			continue
		}
		steady.Add(r.At, r.Raw)
		v := steady.Verdict()
		if v.Steady {
			return v, nil
		}
		why = "the reading did not hold still: stir, keep the tip off the walls, and try again"
		if r.At.Sub(told) >= 10*time.Second {
			told = r.At
			fmt.Fprintf(w, "  reads %.2f °C, within %.2f °C over the last %s, drifting %+.2f °C a minute\n", r.Raw, v.Range, v.Span.Round(time.Second), v.Drift)
		}
	}
}

// explain says what is in force for a probe.
func (c *calibration) explain(w io.Writer, book *calibrate.Book, b *bench, id string) {
	cal := book.For(id)
	pts := cal.Points()
	switch len(pts) {
	case 0:
		fmt.Fprintf(w, "%s is used as it reads.\n", id)
		return
	case 1:
		fmt.Fprintf(w, "%s: %+.2f °C is added to what it reads (%s).\n", id, pts[0].True-pts[0].Raw, told(pts[0]))
	default:
		fmt.Fprintf(w, "%s: a line through two points is used: %+.2f °C at %.1f °C (%s), %+.2f °C at %.1f °C (%s).\n", id,
			pts[1].True-pts[1].Raw, pts[1].True, told(pts[1]), pts[0].True-pts[0].Raw, pts[0].True, told(pts[0]))
	}
	for _, warning := range cal.Warnings(time.Now(), calibrate.ClassOf(b.model[id])) {
		fmt.Fprintf(w, "  Mind: %s.\n", warning)
	}
}

func told(p calibrate.Point) string {
	return fmt.Sprintf("%s, %s, by %s", p.Kind, p.At.Local().Format("2 January 2006"), p.By)
}

func (c *calibration) show(w io.Writer, b *bench) error {
	book, err := calibrate.Load(b.calibrations())
	if err != nil {
		return err
	}
	ids := book.Probes()
	if c.probe != "" {
		ids = []string{c.probe}
	}
	if len(book.Points) == 0 {
		fmt.Fprintf(w, "No probe has been calibrated (%s).\n", b.calibrations())
		return nil
	}
	for _, id := range ids {
		c.explain(w, book, b, id)
		for _, p := range book.Of(id) {
			if p.Kind == calibrate.None {
				fmt.Fprintf(w, "  %s  forgotten, by %s\n", p.At.Local().Format("2006-01-02 15:04"), p.By)
				continue
			}
			fmt.Fprintf(w, "  %s  %-9s  read %.2f °C, right %.2f °C, spread %.3f °C, by %s", p.At.Local().Format("2006-01-02 15:04"), p.Kind, p.Raw, p.True, p.Spread, p.By)
			if p.Note != "" {
				fmt.Fprintf(w, " (%s)", p.Note)
			}
			fmt.Fprintln(w)
		}
	}
	return nil
}

// login is the name kept when none is given.
func login() string {
	if u, err := user.Current(); err == nil && u.Username != "" {
		return u.Username
	}
	if n := os.Getenv("USER"); n != "" {
		return n
	}
	return "unknown"
}

package main

import (
	"bufio"
	"context"
	"flag"
	"fmt"
	"io"
	"math"
	"os"
	"strconv"
	"strings"

	"github.com/mattn/go-isatty"

	"example.org/meltstation/alerts/forecast"
	"example.org/meltstation/alerts/replay"
)

// replayCommand runs a recorded curve through the forecast.
func replayCommand() command {
	return command{
		name:    "replay",
		args:    "[--target 57.2C] FILE.csv",
		summary: "run a recorded curve through the forecast",
		run:     runReplay,
	}
}

func runReplay(ctx context.Context, args []string, std Streams) error {
	fs := flag.NewFlagSet("replay", flag.ContinueOnError)
	target := fs.String("target", "", "temperature waited for, such as `57.2C` or 135F")
	ambient := fs.String("ambient", "", "temperature of the air, such as `21.5C`, when it was measured")
	direction := fs.String("direction", "", "`cooling or heating`; without it, toward the target from where the wax is")
	asJSON := fs.Bool("json", false, "print one JSON object for every reading")
	format := fs.String("format", "", "`text, json or svg`: a summary, a line for every reading, or a picture of what was forecast when; without it, text on a terminal and json elsewhere")
	rest, err := parse(fs, "replay [--target 57.2C] [--ambient 21.5C] [--direction cooling|heating] [--json] [--format text|json|svg] FILE.csv", args, std)
	if err != nil {
		return err
	}
	if len(rest) != 1 {
		return fmt.Errorf("%w: name one file to replay (- for standard input)", errUsage)
	}
	opt := replay.Options{Target: math.NaN(), Ambient: math.NaN()}
	fahrenheit := false
	if *target != "" {
		if opt.Target, fahrenheit, err = temperature(*target); err != nil {
			return fmt.Errorf("%w: --target: %w", errUsage, err)
		}
	}
	if *ambient != "" {
		if opt.Ambient, _, err = temperature(*ambient); err != nil {
			return fmt.Errorf("%w: --ambient: %w", errUsage, err)
		}
	}
	switch *direction {
	case "":
	case "cooling":
		opt.Direction = forecast.Cooling
	case "heating":
		opt.Direction = forecast.Heating
	default:
		return fmt.Errorf("%w: --direction is cooling or heating, not %q", errUsage, *direction)
	}
	switch *format {
	case "text", "svg":
	case "json":
		*asJSON = true
	case "":
		*asJSON = *asJSON || !onTerminal(std.Out)
	default:
		return fmt.Errorf("%w: --format is text, json or svg, not %q", errUsage, *format)
	}
	var in io.Reader = std.In
	name := rest[0]
	if name != "-" {
		f, err := os.Open(name)
		if err != nil {
			return fmt.Errorf("opening the curve: %w", err)
		}
		defer f.Close()
		in = f
	} else {
		name = "standard input"
	}
	notes := 0
	opt.Note = func(line int, what string) {
		if notes++; notes <= 10 {
			fmt.Fprintf(std.Err, "%s:%d: %s\n", name, line, what)
		}
	}
	out := bufio.NewWriterSize(std.Out, 1<<16)
	var cut int
	switch {
	case *asJSON:
		var buf []byte
		cut, err = replay.Run(name, in, opt, func(s replay.Step, _ *forecast.Engine) error {
			if err := ctx.Err(); err != nil {
				return err
			}
			buf = append(s.AppendJSON(buf[:0]), '\n')
			_, err := out.Write(buf)
			return err
		})
	case *format == "svg":
		cut, err = replay.Picture(out, name, in, opt, fahrenheit)
	default:
		cut, err = replay.Summary(out, name, in, opt, fahrenheit)
	}
	// What was worked out before a broken line is printed all the same.
	if ferr := out.Flush(); err == nil && ferr != nil {
		err = fmt.Errorf("writing: %w", ferr)
	}
	if notes > 10 {
		fmt.Fprintf(std.Err, "%s: and %d more like these\n", name, notes-10)
	}
	if cut > 0 {
		fmt.Fprintf(std.Err, "%s:%d: the last line is cut short and was left out\n", name, cut)
	}
	return err
}

// onTerminal reports whether somebody is looking.
func onTerminal(w io.Writer) bool {
	f, ok := w.(*os.File)
	return ok && isatty.IsTerminal(f.Fd())
}

// temperature reads 57.2C, 135F, "135 °F" or a bare number of °C.
func temperature(s string) (celsius float64, fahrenheit bool, err error) {
	t := strings.TrimSpace(s)
	unit := ""
	for _, u := range []string{"°C", "°F", "C", "F", "c", "f"} {
		if n, ok := strings.CutSuffix(t, u); ok {
			t, unit = strings.TrimSpace(n), strings.ToUpper(strings.TrimPrefix(u, "°"))
			break
		}
	}
	v, err := strconv.ParseFloat(t, 64)
	if err != nil || math.IsNaN(v) || math.IsInf(v, 0) {
		return 0, false, fmt.Errorf("%q is no temperature; write it like 57.2C or 135F", s)
	}
	if unit == "F" {
		v, fahrenheit = (v-32)/1.8, true
	}
	if v < -50 || v > 300 {
		return 0, false, fmt.Errorf("%q can't be the temperature of wax; write it like 57.2C or 135F", s)
	}
	return v, fahrenheit, nil
}

package main

import (
	"cmp"
	"context"
	"encoding/json"
	"errors"
	"flag"
	"fmt"
	"io"
	"log/slog"
	"math"
	"path/filepath"
	"slices"
	"strings"
	"time"

	"example.org/meltstation/alerts/plan/units"
	"example.org/meltstation/cmd/meltstation/config"
	"example.org/meltstation/probe"
	"example.org/meltstation/probe/calibrate"
	"example.org/meltstation/probe/serialtc"
	"example.org/meltstation/probe/w1"
)

// attached says which thermometers a command is about.
type attached struct {
	config string
	root   string
	serial stringList
	baud   int
	data   string
}

// stringList is a flag that may be given more than once.
type stringList []string

func (l *stringList) String() string     { return strings.Join(*l, ", ") }
func (l *stringList) Set(s string) error { *l = append(*l, s); return nil }

func (a *attached) flags(fs *flag.FlagSet) {
	fs.StringVar(&a.config, "config", "", "the settings `file`; without one, 1-Wire probes as found")
	fs.StringVar(&a.root, "w1-root", "", "`folder` of the kernel's 1-Wire devices (default "+w1.DefaultRoot+")")
	fs.Var(&a.serial, "serial", "a `port` with a thermometer that writes one number a line; may be given again")
	fs.IntVar(&a.baud, "baud", 9600, "speed of the ports given by --serial")
	fs.StringVar(&a.data, "data", "", "`folder` of the station's files (default: that of the settings, or of your login)")
}

// bench is what attached found.
type bench struct {
	cfg   *config.Config
	specs []probe.Spec
	model map[string]string // by probe id: "DS18B20", "K"; "" = not known
	data  string
	spare []w1.Found // attached, but not in the settings
	w1err error      // why no 1-Wire probe was found
}

func (a *attached) find() (*bench, error) {
	b := &bench{cfg: config.Default(), model: map[string]string{}}
	if a.config != "" {
		if a.root != "" || len(a.serial) > 0 {
			return nil, fmt.Errorf("%w: give either --config, or --w1-root and --serial", errUsage)
		}
		cfg, err := config.Load(a.config)
		if err != nil {
			return nil, err
		}
		b.cfg = cfg
		if b.specs, err = cfg.ProbeSpecs(slog.New(slog.DiscardHandler)); err != nil {
			return nil, err
		}
	}
	b.data = cmp.Or(a.data, b.cfg.Data)
	known := map[string]bool{}
	for _, p := range b.cfg.Probes {
		switch {
		case p.W1 != nil:
			known[p.W1.ID] = true
			b.model[p.Spec.ID] = w1.ModelOf(p.W1.ID)
		case p.Text != nil:
			b.model[p.Spec.ID] = p.Text.Thermocouple
		case p.Modbus != nil:
			b.model[p.Spec.ID] = p.Modbus.Thermocouple
		}
	}
	found, err := w1.Discover(a.root)
	b.w1err = err
	bulk := &w1.Bulk{}
	for _, f := range found {
		if len(b.cfg.Probes) > 0 {
			if !known[f.ID] {
				b.spare = append(b.spare, f)
			}
			continue
		}
		b.model[f.ID] = f.Model
		b.specs = append(b.specs, probe.Spec{
			ID: f.ID, Kind: "w1", Where: f.ID, Role: probe.RolePot, Every: time.Second,
			Open: w1.Open(a.root, f.ID, w1.Options{Bulk: bulk}),
		})
	}
	for _, port := range a.serial {
		b.specs = append(b.specs, probe.Spec{
			ID: port, Kind: "serial-text", Where: port, Role: probe.RolePot,
			Open: serialtc.OpenText(serialtc.TextConfig{Port: port, Baud: a.baud}),
		})
	}
	return b, nil
}

func (b *bench) calibrations() string { return filepath.Join(b.data, calibrate.FileName) }

// errUnwell comes back when a probe can't be trusted, so that the exit code tells.
var errUnwell = errors.New("not every probe is well")

func probesCommand() command {
	const usage = "[--json] [--config FILE]"
	return command{
		name: "probes", args: usage, summary: "what is attached, what each reads, what is wrong with each",
		run: func(ctx context.Context, args []string, std Streams) error {
			var a attached
			fs := flag.NewFlagSet("probes", flag.ContinueOnError)
			a.flags(fs)
			asJSON := fs.Bool("json", false, "print JSON")
			listen := fs.Duration("for", 3*time.Second, "how `long` to listen to each")
			rest, err := parse(fs, "probes "+usage+" [--w1-root FOLDER] [--serial PORT] [--for 3s]", args, std)
			if err != nil {
				return err
			}
			if len(rest) > 0 {
				return fmt.Errorf("%w: probes takes no argument %q", errUsage, rest[0])
			}
			if *listen <= 0 || *listen > time.Hour {
				return fmt.Errorf("%w: --for is between 1s and 1h", errUsage)
			}
			b, err := a.find()
			if err != nil {
				return err
			}
			return b.report(ctx, std, *listen, *asJSON)
		},
	}
}

// probeView is one probe as --json shows it.
type probeView struct {
	ID          string                `json:"id"`
	Name        string                `json:"name"`
	Kind        string                `json:"kind"`
	Model       string                `json:"model,omitempty"`
	Where       string                `json:"where"`
	Role        probe.Role            `json:"role"`
	Pot         string                `json:"pot,omitempty"`
	Attached    bool                  `json:"attached"`
	Quality     probe.Quality         `json:"quality,omitempty"`
	Celsius     *float64              `json:"celsius"`     // calibrated; null = none
	Raw         *float64              `json:"raw_celsius"` // as the device gives it; null = none
	Detail      string                `json:"detail,omitempty"`
	RateHz      float64               `json:"rate_hz"`
	Readings    int                   `json:"readings"`
	Errors      map[probe.Quality]int `json:"errors,omitempty"`
	Mend        string                `json:"mend,omitempty"`
	Calibration *calibrationView      `json:"calibration,omitempty"`
}

type calibrationView struct {
	Points   int       `json:"points"`
	At       time.Time `json:"at"`
	By       string    `json:"by"`
	Change   *float64  `json:"change_celsius,omitempty"` // at the present reading
	Warnings []string  `json:"warnings,omitempty"`
}

type portView struct {
	Name   string `json:"name"`
	Stable string `json:"stable_name,omitempty"`
}

type benchView struct {
	Probes  []probeView `json:"probes"`
	Spare   []string    `json:"not_in_settings,omitempty"`
	Ports   []portView  `json:"serial_ports"`
	Notes   []string    `json:"notes,omitempty"`
	noPorts string
}

func finiteOrNil(v float64) *float64 {
	if math.IsNaN(v) || math.IsInf(v, 0) {
		return nil
	}
	return &v
}

func (b *bench) report(ctx context.Context, std Streams, listen time.Duration, asJSON bool) error {
	v := benchView{Probes: []probeView{}, Ports: []portView{}}
	book, err := calibrate.Load(b.calibrations())
	if err != nil {
		v.Notes = append(v.Notes, "The calibrations can't be used: "+err.Error())
		book = &calibrate.Book{}
	}
	for i := range b.specs {
		b.specs[i].Adjust = book.For(b.specs[i].ID).Adjust()
	}
	statuses, err := watch(ctx, b.specs, listen)
	if err != nil {
		return err
	}
	unwell := 0
	for _, st := range statuses {
		p := probeView{
			ID: st.ID, Name: st.Name, Kind: st.Kind, Model: b.model[st.ID], Where: st.Where, Role: st.Role, Pot: st.Pot,
			Attached: st.Attached, Quality: st.Last.Quality, Celsius: finiteOrNil(st.Last.Celsius), Raw: finiteOrNil(st.Last.Raw),
			Detail: st.Last.Detail, RateHz: math.Round(st.RateHz*100) / 100, Readings: st.Readings, Errors: st.Errors, Mend: st.Mend,
		}
		if st.Last.At.IsZero() { // not one attempt ended in the time given
			p.Celsius, p.Raw = nil, nil
			p.Quality, p.Detail = probe.Stale, "nothing came yet"
			p.Mend = probe.Mend(st.Kind, probe.Stale, nil)
		}
		if c := book.For(st.ID); len(c.Points()) > 0 {
			newest := c.Points()[0]
			cv := &calibrationView{Points: len(c.Points()), At: newest.At, By: newest.By, Warnings: c.Warnings(time.Now(), calibrate.ClassOf(b.model[st.ID]))}
			if p.Celsius != nil && p.Raw != nil {
				d := *p.Celsius - *p.Raw
				cv.Change = &d
			}
			p.Calibration = cv
		}
		if p.Quality != probe.Good {
			unwell++
		}
		v.Probes = append(v.Probes, p)
	}
	for _, f := range b.spare {
		v.Spare = append(v.Spare, f.ID)
	}
	ports, err := serialtc.Ports()
	if err != nil {
		v.noPorts = err.Error()
	}
	for _, p := range ports {
		v.Ports = append(v.Ports, portView(p))
	}
	if wired := slices.ContainsFunc(b.specs, func(s probe.Spec) bool { return s.Kind == "w1" }); b.w1err != nil && (wired || len(b.specs) == 0) {
		v.Notes = append(v.Notes, "1-Wire: "+probe.Mend("w1", probe.Classify(b.w1err), b.w1err))
	}
	if asJSON {
		e := json.NewEncoder(std.Out)
		e.SetIndent("", "  ")
		if err := e.Encode(v); err != nil {
			return fmt.Errorf("write JSON: %w", err)
		}
	} else if err := v.print(std.Out); err != nil {
		return fmt.Errorf("write report: %w", err)
	}
	switch {
	case len(v.Probes) == 0:
		return fmt.Errorf("%w: none is attached", errUnwell)
	case unwell > 0:
		return fmt.Errorf("%w: %d of %d", errUnwell, unwell, len(v.Probes))
	}
	return nil
}

// watch listens to probes for a while and tells how each is. It stops early once
// all have given a few good readings.
func watch(ctx context.Context, specs []probe.Spec, listen time.Duration) ([]probe.Status, error) {
	if len(specs) == 0 {
		return nil, nil
	}
	inner, cancel := context.WithTimeout(ctx, listen)
	defer cancel()
	sup := probe.NewSupervisor(probe.Options{})
	sup.Set(specs)
	done := make(chan error, 1)
	go func() { done <- sup.Run(inner) }()
	tick := time.NewTicker(100 * time.Millisecond)
	defer tick.Stop()
	for inner.Err() == nil {
		select {
		case <-inner.Done():
		case <-tick.C:
			if !slices.ContainsFunc(sup.Status(), func(s probe.Status) bool { return s.Readings < 3 || !s.Last.OK() }) {
				cancel()
			}
		}
	}
	statuses := sup.Status()
	if err := <-done; err != nil {
		return nil, err
	}
	return statuses, ctx.Err()
}

func (v benchView) print(w io.Writer) error {
	var s strings.Builder
	if len(v.Probes) == 0 {
		s.WriteString("No probe is attached.\n")
	}
	for _, p := range v.Probes {
		name := p.Name
		if p.Name != p.ID {
			name += " (" + p.ID + ")"
		}
		what := cmp.Or(p.Model, map[string]string{"w1": "1-Wire", "onewire": "1-Wire", "serial-text": "serial, text", "modbus": "serial, Modbus"}[p.Kind], p.Kind)
		place := "in the " + map[probe.Role]string{probe.RolePot: "pot", probe.RoleRoom: "room", probe.RoleBath: "bath", probe.RoleJar: "jar"}[p.Role]
		if p.Pot != "" && p.Pot != string(p.Role) {
			place += " (" + p.Pot + ")"
		}
		fmt.Fprintf(&s, "%s, %s, %s", name, what, place)
		if p.Where != "" && p.Where != p.ID {
			fmt.Fprintf(&s, ", at %s", p.Where)
		}
		s.WriteString("\n")
		switch {
		case p.Quality == probe.Good && p.Celsius != nil:
			fmt.Fprintf(&s, "    reads %s (%s)", units.Temperature(*p.Celsius, units.C, 2), units.Temperature(*p.Celsius, units.F, 1))
			if p.RateHz > 0 {
				if rate := fmt.Sprintf("%.3g", p.RateHz); rate == "1" {
					s.WriteString(", once a second")
				} else {
					fmt.Fprintf(&s, ", %s times a second", rate)
				}
			}
			s.WriteString("\n")
		default:
			fmt.Fprintf(&s, "    can't be trusted now: %s\n", word(p.Quality))
			if p.Celsius != nil {
				fmt.Fprintf(&s, "    shows %s\n", units.Temperature(*p.Celsius, units.C, 2))
			}
			if p.Detail != "" {
				fmt.Fprintf(&s, "    seen: %s\n", p.Detail)
			}
		}
		for _, q := range probe.Kinds() {
			if n := p.Errors[q]; n > 0 {
				fmt.Fprintf(&s, "    %d × %s\n", n, word(q))
			}
		}
		if c := p.Calibration; c != nil {
			fmt.Fprintf(&s, "    calibrated on %s by %s", c.At.Local().Format("2 January 2006"), c.By)
			if c.Change != nil {
				fmt.Fprintf(&s, ", %+.2f °C here", *c.Change)
			}
			s.WriteString("\n")
			for _, w := range c.Warnings {
				fmt.Fprintf(&s, "    mind: %s\n", w)
			}
		}
		if p.Mend != "" {
			fmt.Fprintf(&s, "    what to do: %s\n", p.Mend)
		}
	}
	if len(v.Spare) > 0 {
		fmt.Fprintf(&s, "Attached, but not in the settings: %s\n", strings.Join(v.Spare, ", "))
	}
	for _, n := range v.Notes {
		fmt.Fprintf(&s, "%s\n", n)
	}
	switch {
	case v.noPorts != "":
		fmt.Fprintf(&s, "Serial ports can't be listed: %s\n", v.noPorts)
	case len(v.Ports) == 0:
		s.WriteString("Serial ports: none\n")
	default:
		s.WriteString("Serial ports:\n")
		for _, p := range v.Ports {
			fmt.Fprintf(&s, "    %s\n", strings.TrimSpace(p.Name+"  "+p.Stable))
		}
	}
	_, err := io.WriteString(w, s.String())
	return err
}

// word is a quality in plain words.
func word(q probe.Quality) string {
	return map[probe.Quality]string{
		probe.BadCRC: "bytes damaged on the wire", probe.PowerOnReset: "the sensor restarted", probe.OutOfRange: "a value that can't be",
		probe.ImpossibleRate: "it jumped", probe.Stuck: "stuck", probe.OpenCircuit: "thermocouple open", probe.Shorted: "shorted",
		probe.Stale: "no fresh value", probe.NoDevice: "not there", probe.Garbled: "bytes that are no reading", probe.Good: "good",
	}[q]
}

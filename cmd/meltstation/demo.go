package main

import (
	"cmp"
	"context"
	"errors"
	"flag"
	"fmt"
	"io/fs"
	"log/slog"
	"math"
	"net"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"sync"
	"time"

	"example.org/meltstation/alerts"
	"example.org/meltstation/alerts/plan"
	"example.org/meltstation/alerts/station"
	"example.org/meltstation/cmd/meltstation/app"
	"example.org/meltstation/cmd/meltstation/config"
	"example.org/meltstation/probe"
	"example.org/meltstation/probe/trace"
	"example.org/meltstation/sim"
)

// demoCommand runs the whole station on a simulated pot.
func demoCommand() command {
	return command{
		name:    "demo",
		args:    "[--lapse 25]",
		summary: "the whole station on a simulated pot, a batch in about three minutes",
		run:     runDemo,
	}
}

// The demo's pace: a batch in about three minutes. Faster than demoFastest the
// readings, twenty a second at most, would lie too far apart to judge.
const (
	demoLapse   = 25.0
	demoFastest = 120.0
)

// demoFlags are what the demo can be told.
type demoFlags struct {
	listen  string
	lapse   float64
	seed    uint64
	keep    string
	noHands bool
	mishap  string
	units   string
}

func runDemo(ctx context.Context, args []string, std Streams) error {
	var f demoFlags
	set := flag.NewFlagSet("demo", flag.ContinueOnError)
	set.StringVar(&f.listen, "listen", "127.0.0.1:0", "`address` of the page; port 0 = a free one")
	set.Float64Var(&f.lapse, "lapse", demoLapse, "how many `times` faster than life, 1 to 120")
	set.Uint64Var(&f.seed, "seed", 7, "`number` that the simulated pot, its probes and its maker are drawn from")
	set.StringVar(&f.keep, "keep", "", "`folder` for the trace; a batch that is open there goes on (default: a new temporary folder)")
	set.BoolVar(&f.noHands, "no-hands", false, "you are the maker: nothing is done unless you tap it on the page")
	set.StringVar(&f.mishap, "mishap", "", "let something go wrong: `"+strings.Join(sim.MishapKinds(), ", ")+"`")
	set.StringVar(&f.units, "units", "C", "`C or F`: what the page shows at first, with g or oz")
	rest, err := parse(set, "demo [--lapse 25] [--seed 7] [--no-hands] [--mishap KIND] [--units F] [--keep FOLDER] [--listen 127.0.0.1:0]", args, std)
	if err != nil {
		return err
	}
	if len(rest) > 0 {
		return fmt.Errorf("%w: the demo takes no %q", errUsage, rest[0])
	}
	d, err := newDemo(f)
	if err != nil {
		return err
	}
	return d.run(ctx, std)
}

// demo is a station on a simulated bench, with simulated hands.
type demo struct {
	f         demoFlags
	dir       string // of the trace
	sheet     plan.Sheet
	scenario  sim.Scenario
	incidents []sim.Incident
	past      []pastBatch       // made before the workshop first opens
	left      standing          // how an earlier run left the pot
	ready     func(app.Running) // for tests; may be nil
}

func newDemo(f demoFlags) (*demo, error) {
	d := &demo{f: f, past: demoPastBatches()}
	if !(f.lapse >= 1 && f.lapse <= demoFastest) {
		return nil, fmt.Errorf("%w: --lapse %g: give a number from 1 to %g", errUsage, f.lapse, demoFastest)
	}
	if f.units != "C" && f.units != "F" {
		return nil, fmt.Errorf("%w: --units %q: give C or F", errUsage, f.units)
	}
	host, _, err := net.SplitHostPort(f.listen)
	if err != nil {
		return nil, fmt.Errorf("%w: --listen: %w; give an address and a port, such as 127.0.0.1:0", errUsage, err)
	}
	if ip := net.ParseIP(host); host != "localhost" && (ip == nil || !ip.IsLoopback()) {
		return nil, fmt.Errorf("%w: --listen %s: the demo stays on this machine; use 127.0.0.1", errUsage, f.listen)
	}
	if f.mishap != "" {
		i, ok := sim.Typical(f.mishap)
		if !ok {
			return nil, fmt.Errorf("%w: --mishap %q: give one of %s", errUsage, f.mishap, strings.Join(sim.MishapKinds(), ", "))
		}
		d.incidents = append(d.incidents, i)
	}
	d.scenario = demoScenario(f.seed)
	if d.scenario.Maker.Follow = f.noHands; f.noHands {
		d.scenario.Pot.WaterStart = d.scenario.Pot.Room // cold until somebody begins
	}
	if d.sheet, err = demoSheet(d.scenario.Limits); err != nil {
		return nil, fmt.Errorf("working out the demo's batch: %w", err)
	}
	return d, nil
}

// demoScenario is a batch at the Boathouse.
func demoScenario(seed uint64) sim.Scenario {
	s := sim.Ordinary(seed)
	s.Pot, s.Maker, s.Limits = sim.Boathouse(), sim.BoathouseMaker(), sim.BoathouseLimits()
	s.Pot.Seed, s.Maker.Seed = seed, seed
	s.Maker.Counts = map[string]int{demoJar: demoJars}
	return s
}

func (d *demo) run(ctx context.Context, std Streams) error {
	d.dir = d.f.keep
	if d.dir == "" {
		dir, err := os.MkdirTemp("", "meltstation-demo-")
		if err != nil {
			return fmt.Errorf("making a folder for the trace: %w", err)
		}
		d.dir = dir
	}
	path := filepath.Join(d.dir, app.TraceName)
	if err := d.furnish(ctx, path); err != nil {
		return err
	}
	left, err := leftAt(ctx, path)
	if err != nil {
		return err
	}
	pot := d.scenario.Pot
	if left.open && !math.IsNaN(left.wax) {
		pot.WaxStart = left.wax
	}
	if left.open && !math.IsNaN(left.bath) {
		pot.WaterStart = left.bath
	}
	d.left = left
	clock := sim.NewLapseFrom(left.ended, d.f.lapse)
	bench := sim.NewBench(pot, clock.Now, d.scenario.Sensors)

	c := config.Default()
	c.Name, c.Data, c.Units = "The Boathouse", d.dir, d.f.units
	if c.Units == "F" {
		c.Mass = "oz"
	}
	c.Page.Listen = d.f.listen
	c.Pots = []config.Pot{{ID: demoPot, Name: "Melt pot", Jug: d.sheet.Jug}}
	c.Sheet = d.sheet
	// What is late by a second of life is late by many seconds here.
	second := time.Duration(d.f.lapse * float64(time.Second))
	c.Alarms.LostAfter = min(max(c.Alarms.LostAfter, 3*second), 2*time.Minute)
	c.Alarms.StaleAfter = min(max(c.Alarms.StaleAfter, 4*second), 5*time.Minute)

	o := app.Options{
		Config: c, Version: version(), Trace: path, Now: clock.Now, Lapse: d.f.lapse, Demo: true,
		// The maker's mishaps make warnings that belong on the page only.
		Log: slog.New(slog.NewTextHandler(std.Err, &slog.HandlerOptions{Level: slog.LevelError})),
	}
	for _, p := range demoProbes {
		spec := p.spec()
		spec.Open, spec.Every, spec.Timeout = bench.Opener(p.role), clock.Real(time.Second), time.Second
		o.Specs = append(o.Specs, spec)
	}

	hands := &stationHands{pot: demoPot, sheet: d.sheet}
	ctx, cancel := context.WithCancel(ctx)
	var work sync.WaitGroup
	defer work.Wait()
	defer cancel()
	o.Ready = func(r app.Running) {
		hands.ctx, hands.station = ctx, r.Station
		d.greet(std, r.URL)
		if d.ready != nil {
			d.ready(r)
		}
		work.Go(func() { d.work(ctx, bench, clock, hands) })
	}
	if err := app.Run(ctx, o); err != nil {
		return err
	}
	cancel()
	work.Wait()
	if hands.station != nil {
		hands.look() // the batch may have begun since the hands last looked
	}
	d.goodbye(std, path, hands)
	return nil
}

// furnish gives a workshop that has no trace yet its recipes and its past.
func (d *demo) furnish(ctx context.Context, path string) error {
	if _, err := os.Stat(path); !errors.Is(err, fs.ErrNotExist) {
		return nil // what can't be looked at is said when it is opened
	}
	if err := os.MkdirAll(d.dir, 0o700); err != nil {
		return fmt.Errorf("making the folder for the trace: %w", err)
	}
	if err := writeDemoRecipes(filepath.Join(d.dir, "recipes"), demoRecipes(d.scenario.Limits)); err != nil {
		return err
	}
	if len(d.past) == 0 {
		return nil
	}
	return writeDemoPast(ctx, path, time.Now(), d.scenario.Limits, d.past)
}

// standing is how the trace in a folder left the pot.
type standing struct {
	ended     time.Time // zero when there is no trace yet
	open      bool      // a batch goes on, and its wax is in the jug
	wax, bath float64   // °C, last good readings of that batch; NaN = none
}

// leftAt reads how a trace left the pot. A folder without a trace is no error.
func leftAt(ctx context.Context, path string) (st standing, err error) {
	st.wax, st.bath = math.NaN(), math.NaN()
	if _, err := os.Stat(path); errors.Is(err, fs.ErrNotExist) {
		return st, nil
	}
	defer func() {
		if err != nil {
			err = fmt.Errorf("looking at the trace that is there: %w", err)
		}
	}()
	store, err := trace.Open(path, trace.Options{ReadOnly: true})
	if err != nil {
		return st, err
	}
	defer store.Close()
	if _, _, st.ended, err = store.Last(ctx); err != nil {
		return st, err
	}
	batches, err := store.OpenBatches(ctx)
	if err != nil || len(batches) == 0 {
		return st, err
	}
	newest := slices.MaxFunc(batches, func(a, b trace.Batch) int { return cmp.Compare(a.StartAt, b.StartAt) })
	if newest.PouredAt > 0 {
		return st, nil
	}
	st.open = true
	for e, err := range store.Entries(ctx, newest.ID, 0) {
		if err != nil {
			return st, err
		}
		switch {
		case e.Kind != trace.KindReading || !e.Good():
		case e.Role == probe.RolePot:
			st.wax = e.Celsius
		case e.Role == probe.RoleBath:
			st.bath = e.Celsius
		}
	}
	return st, nil
}

func (d *demo) greet(std Streams, url string) {
	fmt.Fprintf(std.Out, "The Boathouse is open:  %s\n\n", url)
	fmt.Fprintf(std.Out, "The pot, its probes and its maker are simulated; time runs %g times faster than life,\nso a whole batch takes about %s.\n", d.f.lapse, about(time.Duration(float64(70*time.Minute)/d.f.lapse)))
	if len(d.past) > 0 {
		fmt.Fprintln(std.Out, "There are a few earlier batches to look at, simulated too.")
	}
	if d.f.noHands {
		fmt.Fprintln(std.Out, "You are the maker: start a batch on the page, then tap what you do.")
	} else {
		fmt.Fprintln(std.Out, "You may tap before the maker does.")
	}
	fmt.Fprintln(std.Out, "Ctrl-C ends it.")
}

func (d *demo) goodbye(std Streams, path string, h *stationHands) {
	fmt.Fprintf(std.Out, "\nThe trace is in %s\n", path)
	if h.batch != "" {
		fmt.Fprintf(std.Out, "To export the batch:  meltstation export --trace %s %s --format csv\n", shellWord(path), h.batch)
	}
	fmt.Fprintf(std.Out, "To go on with it:     meltstation demo --keep %s\n", shellWord(d.dir))
}

// shellWord quotes a path that a shell would take apart.
func shellWord(s string) string {
	if strings.Trim(s, "abcdefghijklmnopqrstuvwxyzABCDEFGHIJKLMNOPQRSTUVWXYZ0123456789_./-") == "" {
		return s
	}
	return "'" + strings.ReplaceAll(s, "'", `'\''`) + "'"
}

// about puts a short time in words.
func about(t time.Duration) string {
	if t < 90*time.Second {
		return fmt.Sprintf("%.0f seconds", t.Seconds())
	}
	return fmt.Sprintf("%.0f minutes", t.Minutes())
}

// work lets the maker look around until ctx ends.
func (d *demo) work(ctx context.Context, bench *sim.Bench, clock *sim.Lapse, h *stationHands) {
	begin := bench.Now()
	maker := sim.NewMaker(d.scenario.Maker, bench, h)
	mishaps := sim.NewMishaps(bench, maker, d.incidents)
	tick := time.NewTicker(max(clock.Real(time.Second), 100*time.Millisecond))
	defer tick.Stop()
	h.look()
	h.begin()
	if left := d.left; left.open && h.batch != "" {
		// The hands do again what was done, then the wax is as warm as it was left.
		_ = maker.Step(bench.Now().Sub(begin))
		if !math.IsNaN(left.wax) {
			bench.Do(func(p *sim.Pot) { p.Warm(left.wax) })
		}
	}
	for {
		select {
		case <-ctx.Done():
			return
		case <-tick.C:
		}
		before := h.batch
		h.look()
		if before != "" && h.batch != before { // a visitor has begun another
			bench.Do(func(p *sim.Pot) { p.Refill(d.scenario.Pot.WaxGrams, d.scenario.Pot.WaxStart) })
			maker = sim.NewMaker(d.scenario.Maker, bench, h)
			mishaps = sim.NewMishaps(bench, maker, nil)
		}
		now := bench.Now().Sub(begin)
		mishaps.Step(now)
		_ = maker.Step(now) // a refused tap is tried again; the page says why it was refused
	}
}

// The demo's pot and jars.
const (
	demoPot  = "pot"
	demoJar  = "Tumbler"
	demoJars = 6
)

// demoSheet is what the demo makes: six tumblers of the Boathouse.
func demoSheet(l sim.Limits) (plan.Sheet, error) {
	return demoRecipe(l).Sheet([]plan.Count{{Container: demoJar, N: demoJars}}, plan.Options{Wax: 1200, Ceiling: l.Boiling})
}

// demoProbes are the thermometers of the simulated bench.
var demoProbes = []demoProbe{
	{"wax-probe", "Wax", probe.RolePot, demoPot},
	{"bath-probe", "Water bath", probe.RoleBath, demoPot},
	{"room-probe", "Room", probe.RoleRoom, ""},
}

type demoProbe struct {
	id, name string
	role     probe.Role
	pot      string
}

func (p demoProbe) spec() probe.Spec {
	return probe.Spec{ID: p.id, Name: p.name, Kind: "sim", Where: "the simulator", Role: p.role, Pot: p.pot}
}

// stationHands lets the simulated maker tap on a station and hear it.
type stationHands struct {
	ctx     context.Context
	station *station.Station
	pot     string
	sheet   plan.Sheet
	taps    int
	view    station.PotView
	batch   string // code of the batch in the pot, "" before the first
	gone    string // code of a batch whose candles only cure: the pot waits for the next
}

var _ sim.Hands = (*stationHands)(nil)

// look takes the pot in as it stands; the other methods answer from that.
func (h *stationHands) look() {
	for _, p := range h.station.Snapshot().Pots {
		if p.ID != h.pot {
			continue
		}
		if p.Batch != nil && p.Batch.ID == h.gone {
			p.Batch, p.Events, p.Stage = nil, nil, plan.StageIdle
		}
		h.view = p
		if p.Batch != nil {
			h.batch = p.Batch.ID
		}
	}
}

// begin has the hands take up what is in the pot, but no batch that is poured:
// its candles cure, and the pot is free for another.
func (h *stationHands) begin() {
	if slices.ContainsFunc(h.view.Events, func(e plan.Event) bool { return e.Kind == plan.EventPoured }) {
		h.gone, h.batch = h.batch, ""
		h.look()
	}
}

// Tap tells the station.
func (h *stationHands) Tap(t sim.Tap) error {
	h.taps++
	id := fmt.Sprintf("demo-%d-%d-%s", time.Now().UnixNano(), h.taps, t.Kind) // never that of an earlier run
	const who = "demo"
	if plan.EventKind(t.Kind) == plan.EventStart {
		_, err := h.station.Start(h.ctx, h.pot, station.StartRequest{ID: id, Sheet: h.sheet, Who: who})
		if errors.Is(err, station.ErrBusy) {
			return nil // a visitor was quicker
		}
		return err
	}
	_, err := h.station.Tap(h.ctx, h.pot, station.Tap{
		ID: id, Kind: plan.EventKind(t.Kind), Grams: t.Grams, First: t.First, Last: t.Last, Counts: t.Counts, Who: who,
	})
	return err
}

// Stage is where the station says the batch stands.
func (h *stationHands) Stage() string { return string(h.view.Stage) }

// Calls are the cues and alarms that are true now: not those that only wait to
// be acknowledged, nor those the maker has put aside or that are about candles on
// the shelf.
func (h *stationHands) Calls() []string {
	var keys []string
	for _, n := range h.view.Notices {
		if s := alerts.State(n.State); n.Batch == "" && (s == alerts.Unacked || s == alerts.Acked) {
			keys = append(keys, n.Key)
		}
	}
	return keys
}

// Tapped are the things told in this batch. What the station only noticed by
// itself does not count.
func (h *stationHands) Tapped() []string {
	var kinds []string
	for _, e := range h.view.Events {
		if !e.Detected {
			kinds = append(kinds, string(e.Kind))
		}
	}
	return kinds
}

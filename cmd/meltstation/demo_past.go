package main

import (
	"context"
	"errors"
	"fmt"
	"io/fs"
	"log/slog"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"sync"
	"time"

	"example.org/meltstation/alerts"
	"example.org/meltstation/alerts/forecast"
	"example.org/meltstation/alerts/plan"
	"example.org/meltstation/alerts/plan/recipe"
	"example.org/meltstation/alerts/station"
	"example.org/meltstation/cmd/meltstation/app"
	"example.org/meltstation/dashboard/records"
	"example.org/meltstation/probe"
	"example.org/meltstation/probe/trace"
	"example.org/meltstation/sim"
)

// The demo begins in a workshop that has worked before: a few earlier batches,
// simulated like the one to come, and played through the same station by a clock
// that runs as fast as the machine can.

// pastEvery is how far apart the readings of an earlier batch lie: sparse enough
// to be quick, dense enough for the curve and for what it teaches the forecast.
const pastEvery = 10 * time.Second

// pastBatch is an earlier batch.
type pastBatch struct {
	recipe   string // key of one of demoRecipes
	days     int    // before the newest of them
	hour     int    // of the day it was started at, local time
	counts   []plan.Count
	lots     map[string]string // of what was in use then; the recipe's own otherwise
	scent    float64           // g more than the sheet said went in
	pourAt   float64           // °C at which the maker pours uncalled; 0 = waits for the call
	wait     time.Duration     // before pouring, once called
	room     float64           // °C
	left     float64           // g, in the jug
	incident string            // a mishap, or ""
	later    []pastLook
}

// pastLook is what the maker wrote down days later.
type pastLook struct {
	after time.Duration // after pouring
	found plan.Found
	text  string
}

// demoPastBatches are the earlier batches, the oldest first.
func demoPastBatches() []pastBatch {
	const day = 24 * time.Hour
	return []pastBatch{
		{
			recipe: "low-tide", days: 12, hour: 14, counts: []plan.Count{{Container: demoJar, N: 6}},
			lots: map[string]string{"Rapeseed-coconut": "RC-117", "Salt marsh": "SM-0398"},
			wait: 5 * time.Minute, room: 16.5, scent: 0.4, left: 24,
			later: []pastLook{
				{2 * day, plan.Found{Finish: []plan.Finish{plan.Rough}, ColdThrow: 3}, "Rough by the wicks: poured too cool."},
				{7*day + 4*time.Hour, plan.Found{Container: demoJar, HotThrow: 4, Burn: &plan.Burn{
					Wick: "CW-10", Lasted: 4 * time.Hour, Reached: true, ReachedIn: 2*time.Hour + 50*time.Minute,
					PoolWidth: 71, PoolDepth: 9, FlameHeight: 22}}, "Burns clean."},
			},
		},
		{
			recipe: "harbour-fog", days: 9, hour: 9, counts: []plan.Count{{Container: demoJar, N: 4}, {Container: "Tin", N: 4}},
			lots: map[string]string{"Rapeseed-coconut": "RC-117"},
			wait: 20 * time.Second, room: 19, scent: -0.3, left: 29, incident: sim.UnplugProbe,
			later: []pastLook{
				{day + 6*time.Hour, plan.Found{Finish: []plan.Finish{plan.Frosted}, ColdThrow: 4}, "Frosted, the tins most. Try it a little cooler."},
				{7*day + 2*time.Hour, plan.Found{Container: "Tin", HotThrow: 3, Burn: &plan.Burn{
					Wick: "CW-6", Lasted: 3 * time.Hour, PoolWidth: 52, PoolDepth: 6, FlameHeight: 15}}, "One wick size up next time."},
			},
		},
		{
			recipe: "low-tide", days: 4, hour: 10, counts: []plan.Count{{Container: demoJar, N: 6}},
			pourAt: 59.6, room: 17.5, scent: 0.1, left: 26,
			later: []pastLook{
				{2 * day, plan.Found{Finish: []plan.Finish{plan.Smooth}, ColdThrow: 4}, "Like glass."},
			},
		},
		{
			recipe: "slack-water", hour: 9, counts: []plan.Count{{Container: demoJar, N: 3}, {Container: "Tin", N: 6}},
			pourAt: 58.4, room: 18.5, left: 28,
		},
	}
}

// demoRecipe is what the demo makes: a candle of the Boathouse, an invented
// harbour workshop, with invented scents. The thresholds are those of the
// simulated pot.
func demoRecipe(l sim.Limits) plan.Recipe {
	r := plan.Defaults()
	r.Name = "Low Tide"
	r.Scale, r.FineScale = 1, 0.1
	r.Wax = []plan.Wax{{Name: "Rapeseed-coconut", Share: 100, Density: 0.88, MaxLoad: 10, Lot: "RC-118"}}
	r.Load, r.Basis = 6.25, plan.OfWax
	r.Oils = []plan.Oil{
		{Name: "Salt marsh", Share: 70, Flash: l.Flash + plan.DefaultFlashMargin, Method: plan.MethodClosed, MaxLoad: 12, Lot: "SM-0412"},
		{Name: "Driftwood", Share: 30, Flash: l.Flash + plan.DefaultFlashMargin + 9, Method: plan.MethodClosed, MaxLoad: 8, Lot: "DW-0077"},
	}
	r.Containers = []plan.Container{{Name: demoJar, Wax: 195, Wicks: 1}, {Name: "Tin", Wax: 92, Wicks: 1, FillTime: 12 * time.Second}}
	r.Jugs = []plan.Jug{{Name: "Steel jug", Holds: 2000, Room: 15, Loss: 27}}
	r.Thresholds.ScentAdd, r.Thresholds.PourHigh, r.Thresholds.Pour, r.Thresholds.PourLow = l.ScentAdd, l.PourHigh, l.Pour, l.PourLow
	r.Thresholds.Congeal, r.Thresholds.Scorch = l.Congeal, l.Scorch
	r.Timers.Stir = 90 * time.Second
	r.Timers.Cure = 7 * 24 * time.Hour
	return r
}

// demoRecipes are the recipes of the workshop by the name of their file.
func demoRecipes(l sim.Limits) map[string]plan.Recipe {
	tide := demoRecipe(l)

	fog := demoRecipe(l)
	fog.Name, fog.Notes = "Harbour Fog", "Stir well: the dye settles."
	fog.Show = plan.Display{Temperature: "F", Mass: "oz"}
	fog.Load = 7
	fog.Oils = []plan.Oil{
		{Name: "Sea holly", Share: 65, Flash: l.Flash + plan.DefaultFlashMargin + 4, Method: plan.MethodClosed, MaxLoad: 10, Lot: "SH-0233"},
		{Name: "Driftwood", Share: 35, Flash: l.Flash + plan.DefaultFlashMargin + 9, Method: plan.MethodClosed, MaxLoad: 8, Lot: "DW-0077"},
	}
	fog.Extras = []plan.Extra{{Name: "Slate dye", Amount: 0.1}}

	slack := demoRecipe(l)
	slack.Name, slack.Notes = "Slack Water", "Pour slowly down the side of the tins."
	slack.Load = 5.5
	slack.Oils = []plan.Oil{{Name: "Tarred rope and fig", Share: 100, Flash: l.Flash + plan.DefaultFlashMargin + 6, Method: plan.MethodClosed, MaxLoad: 9, Lot: "TR-0150"}}

	return map[string]plan.Recipe{"low-tide": tide, "harbour-fog": fog, "slack-water": slack}
}

// writeDemoRecipes puts the recipes into a folder. A file that is there stays.
func writeDemoRecipes(dir string, all map[string]plan.Recipe) error {
	if err := os.MkdirAll(dir, 0o700); err != nil {
		return fmt.Errorf("making the folder for the recipes: %w", err)
	}
	for key, r := range all {
		text, err := recipe.Format(r)
		if err != nil {
			return err
		}
		head := fmt.Sprintf("# %s, a candle of the Boathouse. The Boathouse, its wax and its scents are\n# invented; your suppliers' sheets decide.\n\n", r.Name)
		path := filepath.Join(dir, key+recipe.Ext)
		f, err := os.OpenFile(path, os.O_WRONLY|os.O_CREATE|os.O_EXCL, 0o600)
		if errors.Is(err, fs.ErrExist) {
			continue
		}
		if err == nil {
			_, err = f.WriteString(head + string(text))
			err = errors.Join(err, f.Close())
		}
		if err != nil {
			return fmt.Errorf("writing the recipe %s: %w", path, err)
		}
	}
	return nil
}

// settableClock is a clock that shows what it is told to.
type settableClock struct {
	mu  sync.Mutex
	now func() time.Time
}

func (c *settableClock) Now() time.Time {
	c.mu.Lock()
	now := c.now
	c.mu.Unlock()
	return now()
}

func (c *settableClock) follow(now func() time.Time) {
	c.mu.Lock()
	defer c.mu.Unlock()
	c.now = now
}

func (c *settableClock) set(t time.Time) { c.follow(func() time.Time { return t }) }

// fanless is a forecast that is spared the drawing of its fan, which costs more
// than all else and which nobody would see.
type fanless struct{ station.Forecaster }

func (fanless) Ahead(float64) (lo, mid, hi float64, ok bool) { return 0, 0, 0, false }

// past writes the earlier batches into a trace.
type past struct {
	limits  sim.Limits
	recipes map[string]plan.Recipe
	clock   *settableClock
	store   *trace.Store
	station *station.Station
	book    records.Book
	taps    int
}

// writeDemoPast makes the trace at path, which isn't there yet, with batches that
// were all poured before open. It is there whole or not at all.
func writeDemoPast(ctx context.Context, path string, open time.Time, l sim.Limits, batches []pastBatch) (err error) {
	defer func() {
		if err != nil {
			err = fmt.Errorf("making the earlier batches: %w", err)
		}
	}()
	dir, err := os.MkdirTemp(filepath.Dir(path), ".past-")
	if err != nil {
		return err
	}
	defer os.RemoveAll(dir)
	made := filepath.Join(dir, app.TraceName)
	if err := playPast(ctx, made, open, l, batches); err != nil {
		return err
	}
	return os.Rename(made, path)
}

func playPast(ctx context.Context, path string, open time.Time, l sim.Limits, batches []pastBatch) (err error) {
	p := &past{limits: l, recipes: demoRecipes(l), clock: &settableClock{}}
	deeds, begin, err := p.deeds(open, batches)
	if err != nil {
		return err
	}
	p.clock.set(begin)
	log := slog.New(slog.DiscardHandler)
	if p.store, err = trace.Open(path, trace.Options{Now: p.clock.Now, Log: log}); err != nil {
		return err
	}
	defer func() { err = errors.Join(err, p.store.Close()) }()
	set := alerts.DefaultSettings()
	set.LostAfter, set.StaleAfter = max(set.LostAfter, 3*pastEvery), max(set.StaleAfter, 4*pastEvery)
	p.station, err = station.New(ctx, station.Options{
		Name: "The Boathouse", Units: "C", Mass: "g", Boiling: l.Boiling, Store: p.store, Alarms: set,
		Pots: []station.PotOptions{{ID: demoPot, Name: "Melt pot", Jug: demoRecipe(l).Jugs[0].Name}},
		Now:  p.clock.Now, Log: log, Demo: true, Lapse: 1e6, // nobody looks on
		NewForecaster: func(k forecast.Known) station.Forecaster { return fanless{forecast.New(k)} },
	})
	if err != nil {
		return err
	}
	p.book = records.Book{Store: p.store, Station: "The Boathouse", Now: p.clock.Now}
	for _, d := range deeds {
		if err := ctx.Err(); err != nil {
			return err
		}
		p.clock.set(d.at)
		if err := d.do(ctx); err != nil {
			return fmt.Errorf("%s: %w", d.at.UTC().Format(time.DateTime), err)
		}
	}
	p.save(ctx)
	return nil
}

// save has the station write the rows of its batches: Run does that, and no more
// once its time is over.
func (p *past) save(ctx context.Context) {
	ctx, cancel := context.WithCancel(ctx)
	cancel()
	_ = p.station.Run(ctx)
}

// deed is something done in the past.
type deed struct {
	at time.Time
	do func(context.Context) error
}

// pastLength is more than any earlier batch takes until its jug is empty.
const pastLength = 100 * time.Minute

// deeds sets out what was done and when, in order, and the moment before it all.
func (p *past) deeds(open time.Time, batches []pastBatch) ([]deed, time.Time, error) {
	// The newest was poured at the last half past nine that lies a day and the
	// batch's own length back, so that its candles may be moved.
	y, m, day := open.Local().Date()
	morning := func(days, hour int) time.Time { return time.Date(y, m, day-days, hour, 30, 0, 0, time.Local) }
	newest := batches[len(batches)-1]
	first := 1
	for morning(first, newest.hour).Add(pastLength + 26*time.Hour).After(open) {
		first++
	}
	var deeds []deed
	for i := range batches {
		b := batches[i]
		r, ok := p.recipes[b.recipe]
		if !ok {
			return nil, time.Time{}, fmt.Errorf("there is no recipe %q", b.recipe)
		}
		sheet, err := r.Sheet(b.counts, plan.Options{Ceiling: p.limits.Boiling, Lots: b.lots})
		if err != nil {
			return nil, time.Time{}, err
		}
		began := morning(first+b.days, b.hour)
		var code string
		add := func(at time.Time, do func(context.Context) error) {
			if at.Before(open) {
				deeds = append(deeds, deed{at, do})
			}
		}
		tap := func(t station.Tap) func(context.Context) error {
			return func(ctx context.Context) error {
				t.Batch = code
				return p.tap(ctx, t)
			}
		}
		add(began, func(ctx context.Context) error {
			var err error
			code, err = p.play(ctx, b, sheet, uint64(100+i))
			return err
		})
		poured := began.Add(75 * time.Minute) // near enough
		add(began.Add(pastLength), tap(station.Tap{Kind: plan.EventLeftOver, Grams: b.left}))
		add(poured.Add(3*time.Hour+20*time.Minute), tap(station.Tap{Kind: plan.EventTrimmed}))
		if b.days > 0 {
			add(poured.Add(25*time.Hour), tap(station.Tap{Kind: plan.EventMoved}))
		} else { // seen, and still to be done
			add(poured.Add(25*time.Hour), func(ctx context.Context) error {
				p.station.Tick()
				return p.acknowledge(ctx, p.station.Snapshot().Pots[0].Notices, 0)
			})
		}
		for _, look := range b.later {
			add(poured.Add(look.after), func(ctx context.Context) error { return p.look(ctx, code, look) })
		}
	}
	slices.SortStableFunc(deeds, func(a, b deed) int { return a.at.Compare(b.at) })
	return deeds, deeds[0].at.Add(-time.Minute), nil
}

// play melts, scents and pours a batch and returns its code.
func (p *past) play(ctx context.Context, b pastBatch, sheet plan.Sheet, seed uint64) (string, error) {
	s := sim.Ordinary(seed)
	s.Pot, s.Limits, s.Every = sim.Boathouse(), p.limits, pastEvery
	s.Pot.Seed, s.Pot.Room, s.Pot.WaxStart, s.Pot.WaxGrams = seed, b.room, b.room, sheet.WaxGrams()
	s.Begin = p.clock.Now()
	m := sim.BoathouseMaker()
	m.Seed, m.Last = seed, string(plan.EventWicks)
	m.ScentGrams, m.LeftOver = sheet.FragranceGrams()+b.scent, b.left
	m.Waits = map[string]time.Duration{string(plan.EventPourStart): b.wait}
	if b.pourAt > 0 {
		m.PourAt, m.Patience = b.pourAt, 30*time.Second
	}
	m.Counts = map[string]int{}
	for _, c := range sheet.Containers {
		m.Counts[c.Name] = c.Count
	}
	s.Maker = m
	if i, ok := sim.Typical(b.incident); ok {
		s.Incidents = []sim.Incident{i}
	}
	play := sim.NewPlay(s)
	p.clock.follow(play.Now)
	hands := &stationHands{ctx: ctx, station: p.station, pot: demoPot, sheet: sheet}
	hands.look()
	hands.begin()
	check := map[probe.Role]*probe.Checker{}
	for _, d := range demoProbes {
		check[d.role] = probe.NewChecker(d.spec())
	}
	err := play.Run(hands, func(at sim.Moment) error {
		p.station.Take(check[at.Role].Check(at.Time, at.Sample, at.Err))
		if at.Role != probe.RoleRoom { // the last of the three
			return ctx.Err()
		}
		p.station.Tick()
		hands.look()
		return errors.Join(ctx.Err(), p.acknowledge(ctx, hands.view.Notices, 30*time.Second))
	})
	if err != nil {
		return "", err
	}
	if hands.batch == "" || !slices.Contains(hands.Tapped(), string(plan.EventPoured)) {
		return "", fmt.Errorf("the batch of %q was not poured", strings.TrimSpace(sheet.Name))
	}
	p.save(ctx)
	return hands.batch, nil
}

// acknowledge answers what has stood for so long: an alarm, and a cue about
// candles on the shelf.
func (p *past) acknowledge(ctx context.Context, notices []station.NoticeView, after time.Duration) error {
	for _, n := range notices {
		waits := n.State == string(alerts.Unacked) || n.State == string(alerts.ReturnedUnack)
		if !waits || n.Age < after.Seconds() || n.Class != string(alerts.Alarm) && n.Key != alerts.KeyMove {
			continue
		}
		if err := p.station.Acknowledge(ctx, demoPot, n.Key, "demo"); err != nil {
			return fmt.Errorf("acknowledging %q: %w", n.Key, err)
		}
	}
	return nil
}

// tap tells the station something, once it knows how late it is.
func (p *past) tap(ctx context.Context, t station.Tap) error {
	p.station.Tick()
	p.taps++
	t.ID, t.Who = fmt.Sprintf("past-%d-%s", p.taps, t.Kind), "demo"
	_, err := p.station.Tap(ctx, demoPot, t)
	p.station.Tick()
	p.save(ctx)
	return err
}

// look writes down what was found of a batch's candles, also of a closed batch.
func (p *past) look(ctx context.Context, code string, l pastLook) error {
	found := l.found
	err := p.tap(ctx, station.Tap{Kind: plan.EventFound, Found: &found, Text: l.text, Batch: code})
	if errors.Is(err, station.ErrNoBatch) {
		_, err = p.book.Add(ctx, code, plan.Event{Kind: plan.EventFound, ID: fmt.Sprintf("past-note-%d", p.taps), Found: &found, Text: l.text, Who: "demo"})
	}
	return err
}

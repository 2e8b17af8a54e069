//go:build unix

package main

import (
	"context"
	"database/sql"
	"flag"
	"fmt"
	"log/slog"
	"math"
	"math/rand/v2"
	"net"
	"path/filepath"
	"runtime"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"

	"example.org/meltstation/alerts"
	"example.org/meltstation/alerts/plan"
	"example.org/meltstation/alerts/station"
	"example.org/meltstation/dashboard"
	"example.org/meltstation/dashboard/page"
	"example.org/meltstation/probe"
	"example.org/meltstation/probe/trace"
	"example.org/meltstation/sim"
)

var (
	soakFor   = flag.Duration("soak", time.Hour, "how much simulated time TestSoak runs")
	soakEvery = flag.Duration("soak-every", 5*time.Second, "simulated time between readings of a probe in TestSoak")
)

// soakPot is a pot with a maker who works batch after batch.
type soakPot struct {
	id     string
	pot    *sim.Pot
	batch  int
	stage  int // of the maker's own: 0 idle, 1 melting, 2 stirring, 3 cooling, 4 pouring, 5 resting
	since  time.Duration
	hotFor int // readings of a false fire that are still to come
}

// soak is a shop of eight pots and twenty probes on one station, with fifty
// pages open, at a pace of its own.
type soak struct {
	t     *testing.T
	st    *station.Station
	store *trace.Store
	path  string
	rng   *rand.Rand
	sheet plan.Sheet
	pots  []*soakPot

	mu     sync.Mutex
	now    time.Time
	raised map[string]int // flash-margin alarms by pot
	stand  map[string]bool

	at time.Duration

	taken, rows, spare, overs, missed, faults int
	tap                                       int
}

func (s *soak) clock() time.Time {
	s.mu.Lock()
	defer s.mu.Unlock()
	return s.now
}

func (s *soak) post(n alerts.Notice) {
	if n.Key != alerts.KeyFlashMargin {
		return
	}
	if n.Why == "raised" {
		s.raised[n.Pot]++
	}
	s.stand[n.Pot] = n.Standing()
}

func (s *soak) do(p *soakPot, kind plan.EventKind) {
	s.tap++
	if _, err := s.st.Tap(context.Background(), p.id, station.Tap{ID: fmt.Sprintf("soak-tap-%07d", s.tap), Kind: kind}); err != nil && s.store.Health().Err == nil && !strings.Contains(err.Error(), "disk") {
		s.t.Errorf("%s: tap %s in batch %d: %v", p.id, kind, p.batch, err)
	}
}

// work is the maker's hands at one pot.
func (s *soak) work(p *soakPot, at time.Duration) {
	next := func() { p.stage++; p.since = at }
	wax := p.pot.Wax()
	switch p.stage {
	case 0:
		c := sim.Boathouse()
		c.Seed = s.rng.Uint64()
		c.WaxStart, c.WaterStart = 60, 85 // from the last batch: more of them in the same time
		p.pot = sim.NewPot(c)
		p.batch++
		if _, err := s.st.Start(context.Background(), p.id, station.StartRequest{ID: fmt.Sprintf("soak-start-%s-%d", p.id, p.batch), Sheet: s.sheet}); err != nil && !strings.Contains(err.Error(), "disk") {
			s.t.Errorf("%s: start of batch %d: %v", p.id, p.batch, err)
		}
		p.pot.HeatOn()
		next()
	case 1:
		if wax >= s.sheet.Thresholds.ScentAdd+0.5 {
			p.pot.AddScent(75, 20)
			s.do(p, plan.EventScentAdded)
			next()
		}
	case 2:
		if at-p.since > 90*time.Second {
			p.pot.HeatOff()
			s.do(p, plan.EventHeatOff)
			p.pot.JugOut()
			s.do(p, plan.EventJugOut)
			next()
		}
	case 3:
		if wax <= s.sheet.Thresholds.Pour {
			s.do(p, plan.EventPourStart)
			next()
		}
	case 4:
		if at-p.since > 4*time.Minute {
			s.do(p, plan.EventPoured)
			next()
		}
	case 5:
		if at-p.since > 3*time.Hour {
			p.stage = 0
		}
	}
}

func (s *soak) give(r probe.Reading) {
	r.At, r.Raw = s.clock(), r.Celsius
	s.taken++
	rows := 0
	for _, p := range s.pots { // every batch in a jug keeps the room's temperature
		if (r.Role == probe.RoleRoom || r.Pot == p.id) && p.batch > 0 && (p.stage != 5 || s.at-p.since < 30*time.Minute) {
			rows++
		}
	}
	s.rows += rows
	if rows == 0 {
		s.spare++
	}
	s.st.Take(r)
}

// read is one reading of a pot's probe, now and then a faulty one, now and then
// one of a false fire.
func (s *soak) read(p *soakPot) {
	r := probe.Reading{Probe: p.id + "-wax", Role: probe.RolePot, Pot: p.id, Quality: probe.Good, Celsius: math.Round(p.pot.Wax()*16) / 16}
	scented := p.stage == 2 || p.stage == 3
	if p.hotFor == 0 && scented && s.rng.IntN(2000) == 0 {
		p.hotFor = 3
	}
	limit, _ := s.sheet.Thresholds.FlashLimit()
	if p.hotFor > 0 && scented {
		p.hotFor--
		r.Celsius = limit + 1
	} else if s.rng.IntN(200) == 0 {
		s.faults++
		r.Quality = []probe.Quality{probe.BadCRC, probe.PowerOnReset, probe.OutOfRange, probe.ImpossibleRate, probe.NoDevice}[s.rng.IntN(5)]
		if r.Quality == probe.NoDevice || r.Quality == probe.BadCRC {
			r.Celsius = math.NaN()
		}
	}
	over := r.OK() && scented && r.Celsius >= limit
	before, stood := s.raised[p.id], s.stand[p.id]
	s.give(r)
	if over {
		s.overs++
		if s.raised[p.id] == before && !stood {
			s.missed++
		}
	}
}

// pages opens n pages, of which idle never read, and returns a function that
// closes them and says how many messages the others have read.
func (s *soak) pages(ctx context.Context, n, idle int) func() int {
	srv, err := dashboard.New(dashboard.Options{Station: s.st, Page: page.FS(), Log: slog.New(slog.DiscardHandler)})
	if err != nil {
		s.t.Fatal(err)
	}
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		s.t.Fatal(err)
	}
	ctx, cancel := context.WithCancel(ctx)
	var wg sync.WaitGroup
	wg.Go(func() { srv.Run(ctx, l) })
	var mu sync.Mutex
	read := 0
	for i := range n {
		wg.Go(func() {
			for ctx.Err() == nil { // a page that is dropped comes again
				c, err := openPage(ctx, "http://"+l.Addr().String()+"/")
				if err != nil {
					continue
				}
				for i >= idle {
					if _, err := c.next(ctx); err != nil {
						break
					}
					mu.Lock()
					read++
					mu.Unlock()
				}
				if i < idle {
					<-ctx.Done()
				}
				c.close()
			}
		})
	}
	return func() int {
		cancel()
		srv.Close()
		wg.Wait()
		return read
	}
}

// TestSoak runs the shop for days of simulated time: no alarm is missed, the
// trace is complete to the reading, memory and goroutines stay flat. A week is
//
//	go test -run TestSoak -v ./cmd/meltstation -soak 168h
func TestSoak(t *testing.T) {
	l := sim.BoathouseLimits()
	sheet, err := demoSheet(l)
	if err != nil {
		t.Fatal(err)
	}
	sheet.Timers.Cure = 24 * time.Hour // so that the shelf, too, comes to a steady state
	s := &soak{
		t: t, path: filepath.Join(t.TempDir(), "trace.db"), rng: rand.New(rand.NewPCG(3, 4)), sheet: sheet, now: time.Now(),
		raised: map[string]int{}, stand: map[string]bool{},
	}
	if s.store, err = trace.Open(s.path, trace.Options{Now: s.clock, FlushEvery: 50 * time.Millisecond, Log: slog.New(slog.DiscardHandler)}); err != nil {
		t.Fatal(err)
	}
	defer s.store.Close()
	o := station.Options{
		Name: "The Boathouse", Default: sheet, Boiling: l.Boiling, Store: s.store, Alarms: alerts.DefaultSettings(),
		Now: s.clock, Lapse: 60, Post: s.post, Log: slog.New(slog.DiscardHandler),
	}
	for i := range 8 {
		id := fmt.Sprintf("pot%d", i+1)
		o.Pots = append(o.Pots, station.PotOptions{ID: id, Name: id, Jug: "Steel jug"})
		s.pots = append(s.pots, &soakPot{id: id, pot: sim.NewPot(sim.Boathouse())})
	}
	if s.st, err = station.New(t.Context(), o); err != nil {
		t.Fatal(err)
	}
	runCtx, stopRun := context.WithCancel(t.Context())
	var run sync.WaitGroup
	run.Go(func() { s.st.Run(runCtx) })
	closePages := s.pages(t.Context(), 50, 3)

	// The heap after a collection; goroutines by their median over a third of the
	// time, since at any one moment some pages are just coming back.
	heap := func() uint64 {
		runtime.GC()
		var m runtime.MemStats
		runtime.ReadMemStats(&m)
		return m.HeapAlloc
	}
	var counts [3][]int // of goroutines, by third
	var early uint64
	third := *soakFor / 3
	for at := time.Duration(0); at < *soakFor; at += *soakEvery {
		s.mu.Lock()
		s.now = s.now.Add(*soakEvery)
		s.mu.Unlock()
		s.at = at
		for i, p := range s.pots {
			p.pot.Step(*soakEvery)
			s.work(p, at)
			s.read(p)
			s.give(probe.Reading{Probe: p.id + "-bath", Role: probe.RoleBath, Pot: p.id, Quality: probe.Good, Celsius: p.pot.Bath()})
			if i < 3 {
				s.give(probe.Reading{Probe: p.id + "-jar", Role: probe.RoleJar, Pot: p.id, Quality: probe.Good, Celsius: 30})
			}
		}
		s.give(probe.Reading{Probe: "room", Role: probe.RoleRoom, Quality: probe.Good, Celsius: 20 + math.Sin(at.Hours()/4)})
		s.st.Tick()
		// The database is locked by somebody else for a while.
		if s.rng.IntN(4000) == 0 {
			s.lock()
		}
		if step := at / *soakEvery; step%30 == 0 {
			counts[min(at/third, 2)] = append(counts[min(at/third, 2)], runtime.NumGoroutine())
		}
		if early == 0 && at >= third {
			early = heap()
		}
	}
	late := heap()
	median := func(n []int) int {
		slices.Sort(n)
		return n[len(n)/2]
	}
	second, last := median(counts[1]), median(counts[2])
	read := closePages()
	stopRun()
	run.Wait()
	if err := s.store.Flush(t.Context()); err != nil {
		t.Fatal(err)
	}

	if s.overs == 0 || s.missed > 0 {
		t.Errorf("%d of %d readings over the flash-point limit raised no alarm", s.missed, s.overs)
	}
	if h := s.store.Health(); h.Dropped > 0 {
		t.Errorf("%d readings were given up", h.Dropped)
	}
	rows := map[int64]bool{} // a room's reading may come along with several batches
	ids, err := s.store.BatchIDs(t.Context())
	if err != nil {
		t.Fatal(err)
	}
	for _, id := range append(ids, "") {
		for e, err := range s.store.Entries(t.Context(), id, 0) {
			if err != nil {
				t.Fatal(err)
			}
			if e.Kind == trace.KindReading {
				rows[e.Seq] = true
			}
		}
	}
	// A start gives the batch the room's last temperature once more, and at the
	// end of a batch's curve the shop's clock and the station's may differ by one
	// reading.
	starts := 0
	for _, p := range s.pots {
		starts += p.batch
	}
	// Of those that belong to no batch it keeps some.
	if d := len(rows) - s.rows; d < -starts || d > 2*starts+s.spare {
		t.Errorf("the trace holds %d readings, %d were taken in %d batches, %d besides", len(rows), s.rows, starts, s.spare)
	}
	// Fifty pages that come and go move it by some; a leak adds up.
	if last > second+second/5 {
		t.Errorf("goroutines grew from %d to %d", second, last)
	}
	if float64(late) > 1.5*float64(early)+16<<20 {
		t.Errorf("the heap grew from %d to %d KiB", early>>10, late>>10)
	}
	if read == 0 {
		t.Error("no page read anything")
	}
	t.Logf("%v of %d pots, %d probes: %d readings, %d faulty, %d batches, %d over the limit and none missed, %d rows in the trace, %d messages read by pages, heap %d to %d KiB, goroutines %d to %d",
		*soakFor, len(s.pots), 20, s.taken, s.faults, starts, s.overs, len(rows), read, early>>10, late>>10, second, last)
	if err := trace.Check(t.Context(), s.path); err != nil && !strings.Contains(err.Error(), "locked") {
		t.Errorf("the database is damaged: %v", err)
	}
}

// lock holds the database for a moment.
func (s *soak) lock() {
	db, err := sql.Open("sqlite", s.path)
	if err != nil {
		s.t.Fatal(err)
	}
	defer db.Close()
	ctx, cancel := context.WithTimeout(context.Background(), 2*time.Second)
	defer cancel()
	c, err := db.Conn(ctx)
	if err != nil {
		return
	}
	defer c.Close()
	if _, err := c.ExecContext(ctx, "BEGIN IMMEDIATE"); err != nil {
		return // the station was quicker
	}
	s.faults++
	for range 20 { // a hundred seconds of readings meanwhile
		for _, p := range s.pots {
			s.read(p)
		}
	}
	if _, err := c.ExecContext(context.Background(), "ROLLBACK"); err != nil {
		s.t.Error(err)
	}
}

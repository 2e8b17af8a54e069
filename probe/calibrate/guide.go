package calibrate

import (
	"errors"
	"fmt"
	"math"
	"sync"
	"time"

	"example.org/meltstation/probe"
)

// Hold is how long a probe must hold still, unless said otherwise.
const Hold = time.Minute

// Near is how close to the true value a reading must come before it is watched,
// in °C: a probe on its way into the ice is not in the ice.
const Near = 10.0

// patience is how long a guided calibration waits before it is forgotten.
const patience = 30 * time.Minute

// What a Guide may refuse.
var (
	ErrNoTaking  = errors.New("no calibration of this probe is under way")
	ErrNotSteady = errors.New("the reading does not hold still yet")
)

// Guide takes calibrations while the station runs: it is given every reading,
// watches the probes that are being calibrated until they hold still, and adds
// the point to the calibration file when told to. It may be used from several
// goroutines. Its own time is that of the readings.
type Guide struct {
	path string
	hold time.Duration
	now  func() time.Time

	mu     sync.Mutex
	taking map[string]*taking
}

type taking struct {
	p       Taking
	steady  Steady
	started time.Time // of the first reading
}

// Taking is a calibration under way. It is a value.
type Taking struct {
	Point   Point         // what was begun: Probe, Kind, True, By, Note
	Hold    time.Duration // how long it must hold still
	Verdict Verdict       // what the readings say so far
	Raw     float64       // the last reading, before calibration, °C; NaN before the first
	Near    bool          // the last reading was near enough to be watched
	Quality probe.Quality // of the last attempt; "" before the first
}

// NewGuide makes a guide that keeps its points in the file at path. now dates
// them; nil is time.Now. hold 0 is [Hold].
func NewGuide(path string, hold time.Duration, now func() time.Time) *Guide {
	if now == nil {
		now = time.Now
	}
	if hold == 0 {
		hold = Hold
	}
	return &Guide{path: path, hold: hold, now: now, taking: map[string]*taking{}}
}

// Take is given every reading of the station.
func (g *Guide) Take(r probe.Reading) {
	g.mu.Lock()
	defer g.mu.Unlock()
	t := g.taking[r.Probe]
	if t == nil {
		return
	}
	if t.started.IsZero() {
		t.started = r.At
	}
	if r.At.Sub(t.started) > patience {
		delete(g.taking, r.Probe)
		return
	}
	t.p.Quality = r.Quality
	// A sensor whose digits don't move is what still water gives.
	if !r.OK() && r.Quality != probe.Stuck || math.IsNaN(r.Raw) || math.IsInf(r.Raw, 0) {
		return
	}
	t.p.Raw = r.Raw
	if t.p.Near = math.Abs(r.Raw-t.p.Point.True) <= Near; !t.p.Near {
		t.steady.Reset()
	} else {
		t.steady.Add(r.At, r.Raw)
	}
	t.p.Verdict = t.steady.Verdict()
}

// Begin starts to watch a probe; one that is watched already begins anew.
func (g *Guide) Begin(p Point) error {
	p.At, p.Raw = g.now(), p.True
	if p.Kind == None {
		return fmt.Errorf("kind %q is not measured", p.Kind)
	}
	if err := p.Check(); err != nil {
		return err
	}
	g.mu.Lock()
	defer g.mu.Unlock()
	g.taking[p.Probe] = &taking{p: Taking{Point: p, Hold: g.hold, Raw: math.NaN()}, steady: Steady{Window: g.hold}}
	return nil
}

// Taking says how far the calibration of a probe is.
func (g *Guide) Taking(id string) (Taking, bool) {
	g.mu.Lock()
	defer g.mu.Unlock()
	t := g.taking[id]
	if t == nil {
		return Taking{}, false
	}
	return t.p, true
}

// GiveUp ends a calibration without a point.
func (g *Guide) GiveUp(id string) {
	g.mu.Lock()
	defer g.mu.Unlock()
	delete(g.taking, id)
}

// Keep adds the point of a probe that holds still to the file, and ends its
// calibration. It is ErrNoTaking or ErrNotSteady when there is nothing to keep.
func (g *Guide) Keep(id string) (*Book, error) {
	g.mu.Lock()
	t := g.taking[id]
	var now Taking
	if t != nil {
		now = t.p
	}
	g.mu.Unlock() // readings don't wait for the disk
	if t == nil {
		return nil, ErrNoTaking
	}
	v := now.Verdict
	if !v.Steady {
		return nil, ErrNotSteady
	}
	p := now.Point
	p.Raw, p.Spread, p.Drift, p.At = v.Mean, v.Spread, v.Drift, g.now()
	book, err := Add(g.path, p)
	if err != nil {
		return nil, err
	}
	g.mu.Lock()
	defer g.mu.Unlock()
	if g.taking[id] == t {
		delete(g.taking, id)
	}
	return book, nil
}

// Forget makes a probe count as it reads from now on. Its earlier points stay in
// the file.
func (g *Guide) Forget(id, by string) (*Book, error) {
	g.GiveUp(id)
	return Add(g.path, Point{Probe: id, Kind: None, At: g.now(), By: by})
}

// Book is the calibration file as it is.
func (g *Guide) Book() (*Book, error) { return Load(g.path) }

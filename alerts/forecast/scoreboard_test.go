package forecast_test

import (
	"math"
	"runtime"
	"sort"
	"sync"

	"example.org/meltstation/alerts/forecast"
	"example.org/meltstation/alerts/forecast/newton"
	"example.org/meltstation/sim/families"
)

// leads are the times before the crossing at which forecasts are scored, s.
var leads = [...]float64{1200, 600, 300, 120}

// shot is one forecast made at one lead time.
type shot struct {
	family string
	batch  string
	lead   float64
	given  bool // a time was given
	err    float64
	lo, hi float64 // of the interval, less the truth
	line   float64 // error of the straight line
	refit  float64 // error of the plain refit
}

// score is what a set of shots comes to.
type score struct {
	n, given        int
	median, p90     float64
	cover           float64 // share of given intervals that hold the truth
	width           float64
	pinball         float64 // mean over the 5, 50 and 95 % quantiles
	lineMed, refMed float64
}

func tally(shots []shot) score {
	var s score
	var e, w, l, r []float64
	var in int
	for _, x := range shots {
		s.n++
		if !x.given {
			continue
		}
		s.given++
		e = append(e, math.Abs(x.err))
		w = append(w, x.hi-x.lo)
		l = append(l, math.Abs(x.line))
		r = append(r, math.Abs(x.refit))
		if x.lo <= 0 && x.hi >= 0 {
			in++
		}
		for _, q := range [...]struct{ tau, v float64 }{{0.05, x.lo}, {0.5, x.err}, {0.95, x.hi}} {
			d := -q.v // truth less quantile
			if d >= 0 {
				s.pinball += q.tau * d / 3
			} else {
				s.pinball += (q.tau - 1) * d / 3
			}
		}
	}
	if s.given == 0 {
		return s
	}
	s.median, s.p90 = quantile(e, .5), quantile(e, .9)
	s.width = quantile(w, .5)
	s.cover = float64(in) / float64(s.given)
	s.pinball /= float64(s.given)
	s.lineMed, s.refMed = quantile(l, .5), quantile(r, .5)
	return s
}

func quantile(v []float64, p float64) float64 {
	if len(v) == 0 {
		return math.NaN()
	}
	v = append([]float64(nil), v...)
	sort.Float64s(v)
	x := p * float64(len(v)-1)
	i := int(x)
	if i+1 >= len(v) {
		return v[len(v)-1]
	}
	return v[i] + (x-float64(i))*(v[i+1]-v[i])
}

// reach is what was said of a target that is never reached.
type reach struct {
	family   string
	readings int
	finite   int
}

// play runs one batch through a fresh engine.
func play(b families.Batch, ambient, baselines bool, known forecast.Known) (shots []shot, r reach) {
	known.WaxGrams, known.OilGrams, known.OilCelsius = b.Known.WaxGrams, b.Known.OilGrams, b.Known.OilCelsius
	known.Boiling = b.Known.Boiling
	e := forecast.New(known)
	dir := forecast.Direction(b.Dir)
	taps := b.Taps
	sort.Slice(taps, func(i, j int) bool { return taps[i].T < taps[j].T })
	r.family = b.Family
	next := 0
	roomLast := math.Inf(-1)
	newest := math.Inf(-1)
	for i, s := range b.Samples {
		if math.IsNaN(b.Truth) {
			if ambient && s.T-roomLast >= 15 {
				e.Room(s.T, s.Room)
				roomLast = s.T
			}
			e.Add(s.T, s.C)
			r.readings++
			f := e.Crossing(b.Target, dir)
			if f.Status == forecast.OK {
				r.finite++
			}
			continue
		}
		for len(taps) > 0 && taps[0].T <= s.T {
			e.Tell(taps[0].T, forecast.EventKind(taps[0].Kind))
			taps = taps[1:]
		}
		if ambient && s.T-roomLast >= 15 {
			e.Room(s.T, s.Room)
			roomLast = s.T
		}
		e.Add(s.T, s.C)
		newest = math.Max(newest, s.T)
		for next < len(leads) && b.Truth-newest <= leads[next] {
			lead := b.Truth - newest
			// Scored when the curve is old enough and no pause swallowed the lead.
			if newest >= b.From && leads[next]-lead < 15 {
				f := e.Crossing(b.Target, dir)
				x := shot{family: b.Family, batch: b.Name, lead: leads[next]}
				x.given = f.Status == forecast.OK || f.Status == forecast.Reached
				x.err, x.lo, x.hi = f.Eta-lead, f.Lo-lead, f.Hi-lead
				if baselines {
					x.line = straight(b.Samples[:i+1], b.Target) - lead
					x.refit = refit(b.Samples[:i+1], b.Target, ambient) - lead
				}
				shots = append(shots, x)
			}
			next++
		}
		if next == len(leads) {
			break
		}
	}
	return shots, r
}

// straight is the first baseline: a line through the last two minutes.
func straight(s []families.Sample, target float64) float64 {
	now := s[len(s)-1].T
	var n, st, sc, stt, stc float64
	for i := len(s) - 1; i >= 0 && s[i].T > now-120; i-- {
		if math.Abs(s[i].C-s[len(s)-1].C) > 12 {
			continue // a wild value
		}
		t := s[i].T - now
		n++
		st += t
		sc += s[i].C
		stt += t * t
		stc += t * s[i].C
	}
	slope := (n*stc - st*sc) / (n*stt - st*st)
	level := (sc - slope*st) / n
	x := (target - level) / slope
	if !(x > 0 && x < 1e5) {
		return 1e5
	}
	return x
}

// refit is the second: Newton's law fitted by least squares to all the curve,
// with the room's temperature when it is known.
func refit(s []families.Sample, target float64, ambient bool) float64 {
	step := max(1, len(s)/400)
	var t, c []float64
	now := s[len(s)-1].T
	for i := (len(s) - 1) % step; i < len(s); i += step {
		if len(c) > 0 && math.Abs(s[i].C-c[len(c)-1]) > 12 && step < 30 {
			continue
		}
		t = append(t, s[i].T-now)
		c = append(c, s[i].C)
	}
	var f newton.Fit
	var err error
	if ambient {
		f, err = newton.LeastSquaresAmbient(t, c, s[len(s)-1].Room)
	} else {
		f, err = newton.LeastSquares(t, c)
	}
	if err != nil {
		return 1e5
	}
	x := f.Crossing(target)
	if !(x > 0 && x < 1e5) {
		return 1e5
	}
	return x
}

// board is the whole of a run.
type board struct {
	shots []shot
	reach []reach
}

func run(set []families.Batch, ambient, baselines bool, known forecast.Known) board {
	var mu sync.Mutex
	var wg sync.WaitGroup
	var b board
	ch := make(chan families.Batch)
	for range runtime.GOMAXPROCS(0) {
		wg.Go(func() {
			for x := range ch {
				s, r := play(x, ambient, baselines, known)
				mu.Lock()
				b.shots = append(b.shots, s...)
				if r.readings > 0 {
					b.reach = append(b.reach, r)
				}
				mu.Unlock()
			}
		})
	}
	for _, x := range set {
		ch <- x
	}
	close(ch)
	wg.Wait()
	return b
}

func (b board) at(family string, lead float64) score {
	var s []shot
	for _, x := range b.shots {
		if (family == "" || x.family == family) && x.lead == lead {
			s = append(s, x)
		}
	}
	return tally(s)
}

func (b board) families() []string {
	seen := map[string]bool{}
	var out []string
	for _, s := range b.shots {
		if !seen[s.family] {
			seen[s.family] = true
			out = append(out, s.family)
		}
	}
	sort.Strings(out)
	return out
}

// finite is the share of readings at which a time was given for a target that
// is never reached.
func (b board) finite(family string) (share float64, readings int) {
	var f int
	for _, r := range b.reach {
		if family == "" || r.family == family {
			f += r.finite
			readings += r.readings
		}
	}
	return float64(f) / math.Max(float64(readings), 1), readings
}

// unreached lists the families with targets that are never reached.
func (b board) unreached() []string {
	seen := map[string]bool{}
	var out []string
	for _, r := range b.reach {
		if !seen[r.family] {
			seen[r.family] = true
			out = append(out, r.family)
		}
	}
	sort.Strings(out)
	return out
}

package alerts

import (
	"math"
	"time"

	"example.org/meltstation/probe"
)

// senses is what a watch remembers of the readings: the last attempts of each
// probe and the slope of the wax. It is bounded whatever the rate of readings.
type senses struct {
	heard map[string]*heard // by probe id, those in the pot or the bath

	// Of this evaluation.
	wax      float64 // °C, last good reading of the leading probe in the wax
	waxProbe string
	waxAt    time.Duration
	haveWax  bool // and it is not stale
	newWax   bool // it came with these facts
	begun    bool
	first    time.Duration // of the first facts

	trend  trend
	regime regime

	room float64 // °C, of the room's probe, or a guess

	bath      trend
	bathProbe string

	disturbed   bool // the forecast says the probe is disturbed
	disturbedAt time.Duration
}

// regime is what must stay as it is for a slope to mean something.
type regime struct {
	batch, probe            string
	heat, fragrance, jugOut bool
}

// heard is one probe, as this watch heard it.
type heard struct {
	role     probe.Role
	last     probe.Reading // of any quality
	good     probe.Reading
	goodAt   time.Duration
	haveGood bool
	since    time.Duration // first known
	seenAt   time.Duration // last listed or heard
	tally    tally
}

// guessRoom is the room when no probe measures it.
const guessRoom = 22 // °C

func (s *senses) init() { s.heard, s.room = map[string]*heard{}, guessRoom }

// forget is after how long an unlisted and unheard probe is no longer expected.
const forget = 10 * time.Minute

// take brings the senses up to these facts, before the rules look.
func (s *senses) take(f *Facts, set *Settings) {
	if !s.begun {
		s.begun, s.first = true, f.At
	}
	for i := range f.Probes {
		p := &f.Probes[i]
		if p.Role == probe.RoleRoom && p.HaveGood && sound(p.Good) {
			s.room = p.Good.Celsius
		}
		if !watched(p.Role) {
			continue
		}
		h := s.probe(p.ID, p.Role, f.At)
		if p.HaveGood && p.Good.OK() && (!h.haveGood || p.GoodAt > h.goodAt) {
			h.good, h.goodAt, h.haveGood = p.Good, p.GoodAt, true
		}
		if h.last.Quality == "" {
			h.last = p.Last
		}
	}
	if r := f.Reading; r != nil && watched(r.Role) {
		h := s.probe(r.Probe, r.Role, f.At)
		if sound(*r) {
			h.good, h.goodAt, h.haveGood = *r, f.At, true
		}
		h.tally.add(f.At, !sound(*r))
	}
	for id, h := range s.heard {
		if f.At-h.seenAt > forget {
			delete(s.heard, id)
		}
	}

	// The leading probe is the first one listed whose last good reading is fresh.
	s.haveWax, s.newWax, s.waxProbe = false, false, ""
	lead := func(id string) {
		h := s.heard[id]
		if !s.haveWax && h != nil && h.role == probe.RolePot && h.haveGood && f.At-h.goodAt <= set.StaleAfter {
			s.haveWax, s.wax, s.waxAt, s.waxProbe = true, h.good.Celsius, h.goodAt, id
		}
	}
	for i := range f.Probes {
		lead(f.Probes[i].ID)
	}
	if f.Reading != nil {
		lead(f.Reading.Probe)
	}
	s.newWax = s.haveWax && f.Reading != nil && f.Reading.Probe == s.waxProbe && sound(*f.Reading)

	now := regime{f.Batch, s.waxProbe, f.HeatOn, f.Fragrance, f.JugOut}
	if s.waxProbe != "" && now != s.regime {
		s.regime = now
		s.trend.reset()
	}
	if s.newWax {
		s.trend.add(f.At.Seconds(), s.wax)
	}
	if r := f.Reading; r != nil && r.Role == probe.RoleBath && sound(*r) && (s.bathProbe == "" || s.bathProbe == r.Probe) {
		s.bathProbe = r.Probe
		s.bath.add(f.At.Seconds(), r.Celsius)
	}

	d := f.Outlook != nil && f.Outlook.disturbed()
	if d && !s.disturbed {
		s.disturbedAt = f.At
	}
	s.disturbed = d
}

// keep remembers this reading as the one before the next, after the rules looked.
func (s *senses) keep(f *Facts) {
	if r := f.Reading; r != nil && watched(r.Role) {
		s.heard[r.Probe].last = *r
	}
}

func (s *senses) probe(id string, role probe.Role, at time.Duration) *heard {
	h, ok := s.heard[id]
	if !ok {
		h = &heard{since: at}
		s.heard[id] = h
	}
	h.role, h.seenAt = role, at
	return h
}

func watched(r probe.Role) bool { return r == probe.RolePot || r == probe.RoleBath }

// sound reports whether a reading may clear an alarm.
func sound(r probe.Reading) bool { return r.OK() && !math.IsInf(r.Celsius, 0) }

// tally counts good and suspect readings of the last two minutes, in 24 slots of 5 s.
type tally struct {
	slot [24]struct{ good, bad int }
	n    int64 // number of the current slot
}

const tallySlot = 5 * time.Second

func (t *tally) roll(at time.Duration) {
	n := int64(at / tallySlot)
	if n-t.n > int64(len(t.slot)) {
		t.n = n - int64(len(t.slot))
	}
	for t.n < n {
		t.n++
		t.slot[t.n%int64(len(t.slot))] = struct{ good, bad int }{}
	}
}

func (t *tally) add(at time.Duration, bad bool) {
	t.roll(at)
	s := &t.slot[t.n%int64(len(t.slot))]
	if bad {
		s.bad++
		return
	}
	s.good++
}

// share is the part of the last two minutes' readings that were suspect, and how many.
func (t *tally) share() (part float64, bad, all int) {
	for _, s := range t.slot {
		bad += s.bad
		all += s.good + s.bad
	}
	if all == 0 {
		return 0, 0, 0
	}
	return float64(bad) / float64(all), bad, all
}

// trend keeps the wax's readings of the last four minutes, at most one a second.
type trend struct {
	t, c  [256]float64
	n     int // kept
	head  int // index of the next one
	lastT float64
	lastC float64
}

const (
	trendGap  = 0.95 // s, between kept readings
	trendHole = 20.0 // s without any: what was before says nothing of now
	trendStep = 1.5  // K, and
	trendFast = 1.0  // K/s: more between two readings is no wax, not even over a flame
)

func (r *trend) reset() { r.n, r.head = 0, 0 }

func (r *trend) add(t, c float64) {
	switch {
	case r.n == 0:
	case t-r.lastT < trendGap:
		return
	case t-r.lastT > trendHole, math.Abs(c-r.lastC) > trendStep+trendFast*(t-r.lastT):
		r.reset() // something happened to the probe, not to the wax
	}
	r.t[r.head], r.c[r.head] = t, c
	r.head = (r.head + 1) % len(r.t)
	r.n = min(r.n+1, len(r.t))
	r.lastT, r.lastC = t, c
}

// span is how many seconds the kept readings reach back, at most window.
func (r *trend) span(now, window float64) float64 {
	oldest := now
	for i := range r.n {
		t := r.t[(r.head-1-i+len(r.t))%len(r.t)]
		if now-t > window {
			break
		}
		oldest = t
	}
	return now - oldest
}

// easing reports whether the slope is dying away over the last window seconds,
// as it does in a probe that was put back into the wax, and not in wax that is
// being heated.
func (r *trend) easing(now, window float64) bool {
	recent, _, ok1 := r.rate(now, window/2)
	whole, _, ok2 := r.rate(now, window)
	return ok1 && ok2 && recent < 0.7*whole
}

// rate is the slope of the last window seconds in K/s by least squares, with
// its standard error. ok is false with less than a third of the window behind
// it, or fewer than five readings.
func (r *trend) rate(now, window float64) (slope, sd float64, ok bool) {
	var n, st, sc, stt, stc, scc float64
	oldest := now
	for i := range r.n {
		j := (r.head - 1 - i + len(r.t)) % len(r.t)
		t, c := r.t[j]-now, r.c[j]
		if t < -window {
			break
		}
		oldest = r.t[j]
		n++
		st += t
		sc += c
		stt += t * t
		stc += t * c
		scc += c * c
	}
	if n < 5 || now-oldest < window/3 {
		return 0, 0, false
	}
	vt := stt - st*st/n
	if vt <= 0 {
		return 0, 0, false
	}
	slope = (stc - st*sc/n) / vt
	rss := (scc - sc*sc/n) - slope*slope*vt
	// A DS18B20 steps by 1/16 °C: never believe in less noise than that makes.
	const quantum = 0.0625 * 0.0625 / 12
	return slope, math.Sqrt(max(rss/(n-2), quantum) / vt), true
}

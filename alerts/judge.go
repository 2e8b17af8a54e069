package alerts

import (
	"errors"
	"fmt"
	"math"
	"slices"
	"time"

	"example.org/meltstation/alerts/plan"
	"example.org/meltstation/probe"
)

// The conditions of the alarms. None looks at the forecast.
//
// A suspect reading never ends an alarm. Whether it may raise one depends on
// what made it suspect:
//
//   - Stuck and Stale values were measured once and passed as good then, so they
//     raise a temperature alarm when they lie over a limit that has only just
//     begun to matter (fragrance in the jug).
//   - ImpossibleRate raises from the second reading in a row of the same probe
//     that is over the limit, when the two agree within 5 K: a bath boiling dry
//     over a flame can outrun what wax normally does, while a spark makes one
//     wild value.
//   - The rest (bad checksum, power-on value, out of range, open, shorted, no
//     device, garbled) carry no temperature. Wax that really gets so hot has
//     passed the limit in good readings on the way. They count toward
//     probe-suspect and, after the set time, probe-lost.

const agree = 5 // K, between two rate-suspect readings that may raise

// inJug reports whether a batch's wax is in the jug, on its way to the jars.
func inJug(s plan.Stage) bool {
	switch s {
	case plan.StageMelting, plan.StageScent, plan.StageStirring, plan.StageCooling,
		plan.StageWindow, plan.StageCold, plan.StagePouring:
		return true
	}
	return false
}

// over holds the probes with one of the roles against a high limit.
func (w *Watch) over(f *Facts, it *item, limit float64, roles ...probe.Role) finding {
	in := func(r probe.Role) bool { return slices.Contains(roles, r) }
	at := func(v verdict, r probe.Reading) finding {
		return finding{verdict: v, probe: r.Probe, celsius: r.Celsius, limit: limit}
	}
	r := f.Reading
	if r == nil || !in(r.Role) {
		// A rule that has just begun to matter need not wait for the next reading.
		for _, h := range w.heard {
			if in(h.role) && h.haveGood && f.At-h.goodAt <= w.set.StaleAfter && h.good.Celsius >= limit {
				return at(yes, h.good)
			}
		}
		return finding{}
	}
	if !sound(*r) {
		if math.IsNaN(r.Celsius) || math.IsInf(r.Celsius, 0) || r.Celsius < limit {
			return finding{}
		}
		switch r.Quality {
		case probe.Stuck, probe.Stale:
			return at(yes, *r)
		case probe.ImpossibleRate:
			b := w.heard[r.Probe].last
			if b.Quality == probe.ImpossibleRate && b.Celsius >= limit && math.Abs(b.Celsius-r.Celsius) <= agree {
				return at(yes, *r)
			}
		}
		return finding{}
	}
	if r.Celsius >= limit {
		return at(yes, *r)
	}
	// It is over only when every probe that still speaks says so.
	for _, h := range w.heard {
		if in(h.role) && h.haveGood && f.At-h.goodAt <= w.set.StaleAfter && h.good.Celsius >= limit-it.Deadband {
			return at(same, h.good)
		}
	}
	return at(no, *r)
}

func judgeFlashMargin(w *Watch, f *Facts, it *item) finding {
	if f.Sheet == nil || !f.Fragrance {
		return finding{verdict: off}
	}
	limit, ok := f.Sheet.Thresholds.FlashLimit()
	if !ok {
		return finding{verdict: off}
	}
	fd := w.over(f, it, limit, probe.RolePot)
	fd.withFlash(f.Sheet)
	return fd
}

// judgeTooHotForScent covers the tap that was forgotten: fragrance may be in the
// jug though nobody said so. If it is not, this is no moment to add it.
func judgeTooHotForScent(w *Watch, f *Facts, it *item) finding {
	if f.Sheet == nil || f.Fragrance || f.Sheet.FragranceGrams() == 0 || !inJug(f.Stage) {
		return finding{verdict: off}
	}
	limit, ok := f.Sheet.Thresholds.FlashLimit()
	if !ok {
		return finding{verdict: off}
	}
	// A sheet whose scent-add lies over the limit has warned, and scent-caution
	// will: going a little past scent-add is then no news.
	fd := w.over(f, it, max(limit, f.Sheet.Thresholds.ScentAdd+pastScent), probe.RolePot)
	fd.withFlash(f.Sheet)
	return fd
}

// pastScent is how far past scent-add wax may go before it is called too hot,
// where the flash-point limit alone would not even allow scent-add.
const pastScent = 2 // K

func (fd *finding) withFlash(s *plan.Sheet) {
	if fp := s.Thresholds.Flash; fp != nil {
		fd.flash, fd.method, fd.oil = fp.Celsius, fp.Method, fp.Oil
	}
}

// boiling is assumed when the station's altitude is not known: the highest it
// can be, so that the alarm is late rather than false.
const boiling = 100.0 // °C

func judgeBoiledDry(w *Watch, f *Facts, it *item) finding {
	if f.Sheet == nil || f.JugOut || !inJug(f.Stage) || f.Stage == plan.StagePouring {
		return finding{verdict: off}
	}
	ceiling := f.Sheet.Thresholds.BathCeiling
	if ceiling == 0 {
		ceiling = boiling
	}
	return w.over(f, it, ceiling+w.set.BathMargin, probe.RolePot, probe.RoleBath)
}

// Slope windows, s: short for a danger, longer for the heat's state and for cues.
const (
	approachWindow = 30.0
	heatWindow     = 180.0
	cueWindow      = 60.0
)

// The least slopes that count: toward a danger, and as a sign of whether the
// heat is on. A big jug in its bath loses no more than a tenth of a degree a
// minute once the heat is off.
const (
	minRate  = 0.3 / 60  // K/s
	heatRate = 0.06 / 60 // K/s
)

// settleAfterScent is how long cold oil and stirring make the slope meaningless.
const settleAfterScent = 45 * time.Second

func judgeFlashApproach(w *Watch, f *Facts, it *item) finding {
	if f.Sheet == nil || !f.Fragrance {
		return finding{verdict: off}
	}
	limit, ok := f.Sheet.Thresholds.FlashLimit()
	if !ok {
		return finding{verdict: off}
	}
	if !w.newWax {
		return finding{}
	}
	fd := finding{verdict: no, probe: w.waxProbe, celsius: w.wax, limit: limit}
	fd.withFlash(f.Sheet)
	slope, sd, ok := w.trend.rate(f.At.Seconds(), approachWindow)
	switch {
	case w.wax >= limit:
		fd.verdict = same // flash-margin says it
	case !ok:
		fd.verdict = same
	case f.At-f.ScentAt < settleAfterScent, w.trend.span(f.At.Seconds(), approachWindow) < 0.8*approachWindow, w.trend.easing(f.At.Seconds(), approachWindow):
		fd.verdict = same
	case slope > max(minRate, 3*sd):
		fd.seconds = (limit - w.wax) / slope
		lead := w.set.ApproachLead.Seconds()
		if fd.seconds <= lead {
			fd.verdict = yes
		} else if fd.seconds <= 1.5*lead {
			fd.verdict = same
		}
	}
	return fd
}

func judgeScorch(w *Watch, f *Facts, it *item) finding {
	if f.Sheet == nil || !inJug(f.Stage) || f.Sheet.Thresholds.Scorch <= 0 {
		return finding{verdict: off}
	}
	return w.over(f, it, f.Sheet.Thresholds.Scorch, probe.RolePot)
}

// reheatOver is how far past the pour window wax that is warmed again may go.
const reheatOver = 5 // K

// heatGone reports whether the heat is clearly off, whatever was told: the wax
// or the bath has been cooling for a while.
func (w *Watch) heatGone(at time.Duration) bool {
	t := at.Seconds()
	cooling := func(r *trend) bool {
		if r.n == 0 || t-r.lastT > w.set.StaleAfter.Seconds() {
			return false
		}
		slope, sd, ok := r.rate(t, heatWindow)
		return ok && slope < -max(heatRate, 4*sd)
	}
	return cooling(&w.trend) || cooling(&w.bath)
}

// bathStaysHot is how much longer a bath may warm the wax with the heat off.
const bathStaysHot = 3 * time.Minute

// stirEnd is when the stirring was over, as it was told or by its timer.
func stirEnd(f *Facts) time.Duration {
	end := f.ScentAt + f.Sheet.Timers.Stir
	if f.StirredAt >= f.ScentAt && f.StirredAt > 0 {
		end = min(end, f.StirredAt)
	}
	return end
}

// judgeHeatLeftOn has two ways to know, both from a set time after the stirring
// was over: some makers stir over the heat. The heat was not tapped off: then wax
// or a bath that is clearly cooling says that only the tap was forgotten. Or it
// was tapped off, and yet the wax warms above scent-add for some minutes more.
func judgeHeatLeftOn(w *Watch, f *Facts, it *item) finding {
	if f.Sheet == nil || !(f.Fragrance || f.Reheating) || !inJug(f.Stage) || f.Stage == plan.StagePouring {
		return finding{verdict: off}
	}
	due := stirEnd(f) + w.set.HeatOffAfter
	if f.At < due {
		return finding{verdict: no}
	}
	fd := finding{probe: w.waxProbe, celsius: w.wax, limit: f.Sheet.Thresholds.ScentAdd}
	if f.Stage == plan.StageMelting {
		// Warmed again on purpose, after it got too cool to pour.
		fd.limit = f.Sheet.Thresholds.PourHigh + reheatOver
		fd.detail = "heat on"
		switch {
		case !w.newWax:
		case w.wax >= fd.limit:
			fd.verdict = yes
		case w.wax < fd.limit-1:
			fd.verdict = no
		}
		return fd
	}
	slope, sd, ok := w.trend.rate(f.At.Seconds(), heatWindow)
	warming := w.haveWax && ok && slope > max(minRate, 3*sd)
	gone := w.heatGone(f.At)
	switch {
	case gone:
		fd.verdict = no
	case f.HeatOn:
		fd.verdict, fd.detail = yes, "heat on"
	case !warming:
		fd.verdict = no
	case w.wax >= fd.limit && f.At >= due+bathStaysHot:
		fd.verdict, fd.detail = yes, "warming"
	}
	return fd
}

func judgeUnattended(w *Watch, f *Facts, it *item) finding {
	hot, fresh := w.lastWax(f)
	fd := finding{probe: w.waxProbe, celsius: hot, seconds: (f.At - f.TouchedAt).Seconds()}
	_, _, curve := w.trend.rate(f.At.Seconds(), heatWindow)
	switch {
	case f.Batch == "" && !(fresh && curve), f.Batch != "" && !f.HeatOn:
		// No batch and no curve, or the heat is off.
		fd.verdict = off
	case f.At-f.TouchedAt < w.set.UnattendedFor:
		fd.verdict = off // touched: the maker is here
	case w.heatGone(f.At):
		fd.verdict = no // nobody said that the heat is off, but it is
	case hot >= w.set.HotAbove:
		fd.verdict = yes
	case fresh && hot < w.set.HotAbove-1:
		fd.verdict = no
	}
	return fd
}

// lastWax is the hottest of the last good readings in the wax, however old, and
// whether one of them is fresh. NaN when there was none.
func (w *Watch) lastWax(f *Facts) (celsius float64, fresh bool) {
	celsius = math.NaN()
	for _, h := range w.heard {
		if h.role != probe.RolePot || !h.haveGood {
			continue
		}
		if math.IsNaN(celsius) || h.good.Celsius > celsius {
			celsius = h.good.Celsius
		}
		fresh = fresh || f.At-h.goodAt <= w.set.StaleAfter
	}
	return celsius, fresh
}

// needed reports whether the pot's probes matter now: a batch is in the jug,
// and the heat is on or the wax is hot, or nothing is known of the wax.
func (w *Watch) needed(f *Facts) bool {
	if !inJug(f.Stage) {
		return false
	}
	hot, _ := w.lastWax(f)
	return f.HeatOn || math.IsNaN(hot) || hot >= w.set.HotAbove
}

func judgeProbeLost(w *Watch, f *Facts, it *item) finding {
	if !w.needed(f) {
		return finding{verdict: off}
	}
	worst := finding{verdict: no, probe: it.last.probe, detail: "back"}
	if h := w.heard[it.last.probe]; h != nil && h.haveGood {
		worst.celsius = h.good.Celsius
	}
	found := false
	for id, h := range w.heard {
		if h.role != probe.RolePot {
			continue
		}
		found = true
		since := h.since
		if h.haveGood {
			since = h.goodAt
		}
		// What it gave before a restart says nothing of the time the station was off.
		gone := f.At - max(since, w.first)
		if gone < w.set.LostAfter || gone.Seconds() < worst.seconds {
			continue
		}
		last := h.last
		if f.Reading != nil && f.Reading.Probe == id {
			last = *f.Reading
		}
		worst = finding{verdict: yes, probe: id, seconds: gone.Seconds(), detail: fault(last)}
		if h.haveGood {
			worst.celsius = h.good.Celsius
		}
	}
	if !found {
		if f.At-w.first < w.set.LostAfter {
			return finding{}
		}
		return finding{verdict: yes, seconds: (f.At - w.first).Seconds(), detail: string(probe.NoDevice)}
	}
	return worst
}

func fault(r probe.Reading) string {
	if r.Quality == "" || r.Quality == probe.Good {
		return string(probe.Stale) // nothing came at all
	}
	return string(r.Quality)
}

// Of the last two minutes' readings, this share raises probe-suspect and this
// one ends it. A few that are missed now and then are no news.
const (
	suspectShare = 0.25
	trustedShare = 0.05
	suspectLeast = 5
)

func judgeProbeSuspect(w *Watch, f *Facts, it *item) finding {
	if !w.needed(f) {
		return finding{verdict: off}
	}
	out := finding{verdict: no}
	for id, h := range w.heard {
		if h.role != probe.RolePot {
			continue
		}
		h.tally.roll(f.At)
		part, bad, all := h.tally.share()
		last := h.last
		if f.Reading != nil && f.Reading.Probe == id {
			last = *f.Reading
		}
		switch {
		case bad >= suspectLeast && part >= suspectShare:
			return finding{verdict: yes, probe: id, celsius: h.good.Celsius, detail: fault(last)}
		case part > trustedShare, all == 0:
			out = finding{}
		}
	}
	return out
}

func judgeProbesDisagree(w *Watch, f *Facts, it *item) finding {
	if !inJug(f.Stage) {
		return finding{verdict: off}
	}
	lo, hi := math.Inf(1), math.Inf(-1)
	var cold, hot string
	n := 0
	for id, h := range w.heard {
		if h.role != probe.RolePot || !h.haveGood || f.At-h.goodAt > w.set.StaleAfter {
			continue
		}
		n++
		if c := h.good.Celsius; c < lo || (c == lo && id < cold) {
			lo, cold = c, id
		}
		if c := h.good.Celsius; c > hi || (c == hi && id > hot) {
			hi, hot = c, id
		}
	}
	if n < 2 {
		return finding{}
	}
	fd := finding{probe: hot, celsius: hi, limit: lo, detail: cold}
	switch {
	case hi-lo >= w.set.DisagreeBy:
		fd.verdict = yes
	case hi-lo < w.set.DisagreeBy-it.Deadband:
		fd.verdict = no
	}
	return fd
}

func judgeStoreFailing(w *Watch, f *Facts, it *item) finding {
	if f.StoreErr == nil {
		return finding{verdict: no}
	}
	err := f.StoreErr
	for errors.Unwrap(err) != nil {
		err = errors.Unwrap(err)
	}
	return finding{verdict: yes, detail: err.Error()}
}

func judgeDiskLow(w *Watch, f *Facts, it *item) finding {
	fd := finding{detail: fmt.Sprintf("%d MB", f.DiskFree>>20)}
	switch {
	case f.DiskFree < 0:
		return finding{}
	case f.DiskFree < w.set.DiskMin:
		fd.verdict = yes
	case float64(f.DiskFree) >= float64(w.set.DiskMin)*(1+it.Deadband/100):
		fd.verdict = no
	}
	return fd
}

func judgeClockStepped(w *Watch, f *Facts, it *item) finding {
	if f.ClockStep.Abs() < w.set.ClockStepMin {
		return finding{verdict: no}
	}
	return finding{verdict: yes, seconds: f.ClockStep.Seconds(), detail: f.ClockStep.Round(time.Second).String()}
}

package alerts

import (
	"math"
	"time"

	"example.org/meltstation/alerts/forecast"
	"example.org/meltstation/alerts/plan"
)

// The conditions of the cues. Those that come ahead of their moment use the
// forecast when there is one; when there is none, or it can't say, the slope of
// the last minute. Those that say "now" use the temperature alone, so a dead
// forecast costs a little foresight and no cue.

func (o *Outlook) disturbed() bool {
	return o.Scent.Status == forecast.Disturbed || o.Pour.Status == forecast.Disturbed
}

// disturbedFor is how long a forecast may hold a falling-temperature cue back by
// saying that the probe is out of the wax.
const disturbedFor = 60 * time.Second

// held reports whether a low reading may be the probe's fault.
func (w *Watch) held(at time.Duration) bool {
	return w.disturbed && at-w.disturbedAt < disturbedFor
}

// age is how many seconds ago the outlook's times began to count.
func (w *Watch) age(f *Facts) float64 {
	from := f.Outlook.At
	if from == 0 {
		from = w.waxAt
	}
	return (f.At - from).Seconds()
}

// ahead judges a cue that must come lead before the wax crosses target.
//
// It waits for the median to come within the lead. While the forecast is still
// vague (the interval reaches past half as much again) it waits a little longer,
// until a quarter of the lead is gone, for the sake of those cues that would
// come much too early. Once raised it stays until the crossing looks more than
// twice the lead away, or not to be reached at all.
func (w *Watch) ahead(f *Facts, it *item, pick func(*Outlook) *forecast.Forecast, target float64, dir forecast.Direction, lead time.Duration) finding {
	if !w.haveWax || w.held(f.At) {
		return finding{}
	}
	fd := finding{probe: w.waxProbe, celsius: w.wax, limit: target}
	l := lead.Seconds()
	if f.Outlook != nil {
		fc := pick(f.Outlook)
		age := w.age(f)
		switch fc.Status {
		case forecast.OK:
			if math.IsNaN(fc.Eta) || math.IsInf(fc.Eta, 0) {
				break
			}
			eta := max(fc.Eta-age, 0)
			fd.seconds = eta
			if !math.IsNaN(fc.Lo) && !math.IsNaN(fc.Hi) {
				fd.low = max(fc.Lo-age, 0)
				if fd.high = max(fc.Hi-age, 0); math.IsInf(fd.high, 0) {
					fd.high = 0 // open-ended: JSON has no infinity
				}
			}
			sure := fc.Hi-age <= 1.5*l
			soon, latest := l, 0.75*l
			if dir == forecast.Cooling {
				soon, latest = l+min(0.1*l, 12), 0.95*l
			}
			switch {
			case eta <= soon && (sure || eta <= latest):
				fd.verdict = yes
			case eta > 2*l:
				fd.verdict = no
			}
			return fd
		case forecast.Reached:
			fd.verdict = yes
			return fd
		case forecast.Unreachable:
			fd.verdict = no
			return fd
		}
	}
	gap := target - w.wax
	if gap*float64(dir) <= 0 {
		fd.verdict = yes
		return fd
	}
	slope, sd, ok := w.trend.rate(f.At.Seconds(), cueWindow)
	switch {
	case !ok:
		return finding{}
	case slope*float64(dir) <= max(minRate/3, 3*sd):
		fd.verdict = no
		return fd
	}
	fd.seconds = gap / slope
	if to := w.toward(f, dir); (to-target)*float64(dir) > 0 && (to-w.wax)*float64(dir) > 0 {
		// Newton's law through this slope, toward where the wax would end.
		fd.seconds = (to - w.wax) / slope * math.Log((to-w.wax)/(to-target))
	}
	switch {
	case fd.seconds <= l:
		fd.verdict = yes
	case fd.seconds > 2*l:
		fd.verdict = no
	}
	return fd
}

// toward is where the wax would end if nothing changed: the bath, or the room.
func (w *Watch) toward(f *Facts, dir forecast.Direction) float64 {
	if dir == forecast.Cooling {
		return w.room
	}
	ceiling := f.Sheet.Thresholds.BathCeiling
	if ceiling == 0 {
		ceiling = boiling
	}
	return ceiling
}

// reached judges a cue that comes when the wax has crossed target.
func (w *Watch) reached(f *Facts, it *item, target float64, dir forecast.Direction) finding {
	if !w.newWax || (dir == forecast.Cooling && w.held(f.At)) {
		return finding{}
	}
	fd := finding{verdict: no, probe: w.waxProbe, celsius: w.wax, limit: target}
	past := (w.wax - target) * float64(dir)
	switch {
	case past >= 0:
		fd.verdict = yes
	case past > -it.Deadband:
		fd.verdict = same
	}
	return fd
}

func (w *Watch) cueLead(f *Facts) time.Duration {
	if l := f.Sheet.Timers.CueLead; l > 0 {
		return l
	}
	return w.set.CueLead
}

func (w *Watch) warmLead(f *Facts) time.Duration {
	if l := f.Sheet.Timers.WarmJars; l > 0 {
		return l
	}
	return w.set.WarmJars
}

// beforeScent reports whether the batch is still to get its fragrance. A batch
// without any goes through the same heat. Wax that left the bath too hot is called
// for on its way down; once below scent-add, a jug that is out is taken to have it.
func (w *Watch) beforeScent(f *Facts) bool {
	if f.Sheet == nil || f.Fragrance || f.Reheating {
		return false
	}
	switch f.Stage {
	case plan.StageMelting, plan.StageScent:
		return true
	case plan.StageCooling: // heat off before the fragrance went in: it is still wanted
		return unscented(f) > 0 && (!f.JugOut || w.haveWax && w.wax >= f.Sheet.Thresholds.ScentAdd)
	}
	return false
}

// unscented returns how many grams of fragrance are not noted as in; 0 = none.
func unscented(f *Facts) float64 {
	if f.Sheet == nil || f.Fragrance {
		return 0
	}
	return f.Sheet.FragranceGrams()
}

func pickScent(o *Outlook) *forecast.Forecast { return &o.Scent }
func pickOpen(o *Outlook) *forecast.Forecast  { return &o.WindowOpen }
func pickClose(o *Outlook) *forecast.Forecast { return &o.WindowClose }

func judgeScentCaution(w *Watch, f *Facts, it *item) finding {
	if !w.beforeScent(f) || f.Sheet.FragranceGrams() == 0 {
		return finding{verdict: off}
	}
	t := f.Sheet.Thresholds
	if t.Flash == nil || t.ScentAdd < t.Flash.Celsius-plan.RaisedClassMargin {
		return finding{verdict: off}
	}
	fd := w.ahead(f, it, pickScent, t.ScentAdd, forecast.Heating, w.cueLead(f)+time.Minute)
	if fd.verdict != yes && it.active {
		fd.verdict = same // it holds until the fragrance is in
	}
	fd.withFlash(f.Sheet)
	return fd
}

func judgeScentDue(w *Watch, f *Facts, it *item) finding {
	if !w.beforeScent(f) || w.byKey[KeyScentNow].active {
		return finding{verdict: off}
	}
	t := f.Sheet.Thresholds
	if w.haveWax && w.wax >= t.ScentAdd {
		return finding{verdict: off} // scent-now says it
	}
	fd := w.ahead(f, it, pickScent, t.ScentAdd, forecast.Heating, w.cueLead(f))
	fd.grams = f.Sheet.FragranceGrams()
	return fd
}

func judgeScentNow(w *Watch, f *Facts, it *item) finding {
	if !w.beforeScent(f) {
		return finding{verdict: off}
	}
	fd := w.reached(f, it, f.Sheet.Thresholds.ScentAdd, forecast.Heating)
	fd.grams, fd.stir = f.Sheet.FragranceGrams(), f.Sheet.Timers.Stir
	return fd
}

func judgeStirEnd(w *Watch, f *Facts, it *item) finding {
	if f.Sheet == nil || !f.Fragrance || f.JugOut || f.Sheet.Timers.Stir <= 0 {
		return finding{verdict: off}
	}
	end := f.ScentAt + f.Sheet.Timers.Stir
	switch f.Stage {
	case plan.StageStirring, plan.StageCooling:
	default:
		return finding{verdict: off}
	}
	ended := f.Stage == plan.StageCooling && f.StageAt < end-time.Second // by the maker, before the time
	if f.At < end || ended || f.TouchedAt >= end {
		return finding{verdict: off}
	}
	return finding{verdict: yes, stir: f.Sheet.Timers.Stir}
}

// beforePour reports whether the wax is on its way down to the jars. Whether the
// heat is off does not matter: a maker may have forgotten to say so.
func beforePour(f *Facts) bool {
	if f.Sheet == nil {
		return false
	}
	switch f.Stage {
	case plan.StageCooling, plan.StageWindow, plan.StageCold:
		return true
	}
	return false
}

func judgeWarmJars(w *Watch, f *Facts, it *item) finding {
	if !beforePour(f) || f.Stage != plan.StageCooling || w.byKey[KeyPourNow].active {
		return finding{verdict: off}
	}
	fd := w.ahead(f, it, pickOpen, f.Sheet.Thresholds.PourHigh, forecast.Cooling, w.warmLead(f))
	fd.grams = unscented(f)
	return fd
}

func pourAt(t plan.Thresholds) float64 {
	if t.Pour > 0 {
		return t.Pour
	}
	return t.PourHigh
}

func judgeWindowOpening(w *Watch, f *Facts, it *item) finding {
	if !beforePour(f) || f.Stage == plan.StageCold || w.byKey[KeyPourNow].active {
		return finding{verdict: off}
	}
	t := f.Sheet.Thresholds
	if w.haveWax && !w.held(f.At) && w.wax <= pourAt(t) {
		return finding{verdict: off} // pour-now says it
	}
	fd := w.ahead(f, it, pickOpen, t.PourHigh, forecast.Cooling, w.cueLead(f))
	if w.haveWax && w.wax <= t.PourHigh {
		fd.seconds, fd.low, fd.high = 0, 0, 0 // it is open
	}
	fd.grams = unscented(f)
	return fd
}

func judgePourNow(w *Watch, f *Facts, it *item) finding {
	if !beforePour(f) || f.Stage == plan.StageCold {
		return finding{verdict: off}
	}
	t := f.Sheet.Thresholds
	if w.haveWax && w.wax < t.PourLow {
		return finding{verdict: off} // window-closed says it
	}
	fd := w.reached(f, it, pourAt(t), forecast.Cooling)
	fd.grams = unscented(f)
	if fd.verdict != off && f.Outlook != nil && f.Outlook.WindowClose.Status == forecast.OK && !math.IsNaN(f.Outlook.WindowClose.Eta) {
		fd.seconds = max(f.Outlook.WindowClose.Eta-w.age(f), 0)
	}
	return fd
}

// inWindow reports whether pouring is possible or going on.
func inWindow(f *Facts) bool {
	if f.Sheet == nil {
		return false
	}
	switch f.Stage {
	case plan.StageCooling, plan.StageWindow, plan.StagePouring:
		return true
	}
	return false
}

func judgeWindowClosing(w *Watch, f *Facts, it *item) finding {
	if !inWindow(f) || !w.haveWax {
		return finding{verdict: off}
	}
	t := f.Sheet.Thresholds
	if w.wax > t.PourHigh || w.wax < t.PourLow {
		return finding{verdict: off}
	}
	fd := w.ahead(f, it, pickClose, t.PourLow, forecast.Cooling, w.cueLead(f))
	return fd
}

func judgeWindowClosed(w *Watch, f *Facts, it *item) finding {
	if !inWindow(f) && !(beforePour(f) && f.Stage == plan.StageCold) {
		return finding{verdict: off}
	}
	fd := w.reached(f, it, f.Sheet.Thresholds.PourLow, forecast.Cooling)
	if fd.verdict == yes && fd.celsius == fd.limit {
		fd.verdict = same // the window includes its lower end
	}
	return fd
}

func judgeCongealing(w *Watch, f *Facts, it *item) finding {
	if !inWindow(f) && !(beforePour(f) && f.Stage == plan.StageCold) {
		return finding{verdict: off}
	}
	t := f.Sheet.Thresholds
	if t.Congeal <= 0 {
		return finding{verdict: off}
	}
	// A pour window that lies at the congealing point leaves no room above it.
	limit := min(t.Congeal+w.set.CongealMargin, max(t.PourLow, t.Congeal))
	return w.reached(f, it, limit, forecast.Cooling)
}

func judgeReheated(w *Watch, f *Facts, it *item) finding {
	if f.Sheet == nil || !(f.Fragrance || f.Reheating) || !f.HeatOn || f.Stage != plan.StageMelting {
		return finding{verdict: off}
	}
	return w.reached(f, it, f.Sheet.Thresholds.PourHigh, forecast.Heating)
}

// afterPour judges a cue that comes a set time after pouring.
func afterPour(f *Facts, wait time.Duration, stages ...plan.Stage) finding {
	if f.Sheet == nil {
		return finding{verdict: off}
	}
	for _, s := range stages {
		if f.Stage == s && f.At-f.PouredAt >= wait {
			return finding{verdict: yes, seconds: (f.At - f.PouredAt - wait).Seconds()}
		}
	}
	return finding{verdict: off}
}

// wicksFor is how long a cue about wicks makes sense: set wax holds them.
const wicksFor = time.Hour

func judgeWicks(w *Watch, f *Facts, it *item) finding {
	if f.Sheet == nil || f.Wicks || f.At-f.PouredAt >= w.set.WicksAfter+wicksFor {
		return finding{verdict: off}
	}
	return afterPour(f, w.set.WicksAfter, plan.StageSetting)
}

func judgeTrim(w *Watch, f *Facts, it *item) finding {
	if f.Sheet == nil || f.Sheet.Timers.Trim <= 0 {
		return finding{verdict: off}
	}
	return afterPour(f, f.Sheet.Timers.Trim, plan.StageSetting, plan.StageTrim)
}

func judgeMove(w *Watch, f *Facts, it *item) finding {
	if f.Sheet == nil || f.Moved || f.Sheet.Timers.Move <= 0 {
		return finding{verdict: off}
	}
	return afterPour(f, f.Sheet.Timers.Move, plan.StageSetting, plan.StageTrim, plan.StageCuring)
}

func judgeCured(w *Watch, f *Facts, it *item) finding {
	if f.Sheet == nil || f.Sheet.Timers.Cure <= 0 {
		return finding{verdict: off}
	}
	t := f.Sheet.Timers
	return afterPour(f, max(t.Cure, t.Move), plan.StageSetting, plan.StageTrim, plan.StageCuring, plan.StageDone)
}

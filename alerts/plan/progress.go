package plan

import "time"

// Progress says where a batch stands: a function of its events, the wax
// temperature and the time since. It is rebuilt from the trace after a restart
// or a correction by applying the events again.
type Progress struct {
	sheet Sheet

	started, scented, stirred, pouring, poured, trimmed, ended, abandoned bool
	heatOn, heatSure, jugOut, reheating                                   bool
	paused                                                                bool // the heat went off before the wax had melted

	startAt, scentAt, stirredAt, heatOffAt, pouringAt, pouredAt, trimmedAt, touchedAt time.Duration

	celsius  float64
	haveTemp bool
	hot      bool // at scent-add temperature, with hysteresis
	open     bool // at or below the top of the window, with hysteresis
	cold     bool // below the bottom of the window, with hysteresis

	stage   Stage
	stageAt time.Duration
}

// Hysteresis of the stages, in K: wide enough that noise and stirring do not
// make the stage flap, narrow against the width of a pour window.
const stageBack = 1.5 // a stage entered by temperature is left again only past this

// NewProgress returns the progress of a batch that has not started.
func NewProgress(s Sheet) *Progress {
	return &Progress{sheet: s, stage: StageIdle}
}

// Apply takes one event in. Events come in order of time; corrections and
// withdrawals are resolved before (see Fold).
func (p *Progress) Apply(e Event) {
	if !e.Detected {
		p.touchedAt = max(p.touchedAt, e.At)
	}
	switch e.Kind {
	case EventStart:
		p.started, p.startAt, p.heatOn, p.heatSure = true, e.At, true, true
	case EventScentAdded:
		p.scented, p.scentAt, p.paused = true, e.At, false
	case EventStirred:
		p.stirred, p.stirredAt = true, e.At
	case EventHeatOff, EventJugOut:
		if p.heatOn {
			p.heatOffAt = e.At
			p.paused = !p.scented && e.Celsius != 0 && e.Celsius < p.sheet.Thresholds.PourLow
		}
		switch {
		case !e.Detected:
			p.heatSure = true
		case p.heatOn: // noticed only; what the maker has said before stays said
			p.heatSure = false
		}
		p.heatOn, p.reheating = false, false
		if e.Kind == EventJugOut {
			p.jugOut = true
		}
	case EventHeatOn:
		// Heat under wax that was on its way to the jars warms it for the pour
		// window; wax that still waits for its fragrance goes on melting. Whether
		// anybody said before that the heat was off does not matter.
		switch p.stage {
		case StageCooling, StageWindow, StageCold:
			p.reheating = p.scented || p.sheet.FragranceGrams() == 0
		}
		p.heatOn, p.heatSure, p.jugOut, p.paused = true, true, false, false
	case EventPourStart:
		p.pouring, p.pouringAt = true, e.At
		p.heatOn, p.heatSure, p.jugOut, p.reheating = false, true, true, false
	case EventPoured:
		p.poured, p.pouredAt = true, e.At
		p.heatOn, p.heatSure, p.jugOut, p.reheating = false, true, true, false
	case EventTrimmed:
		p.trimmed, p.trimmedAt = true, e.At
	case EventCured:
		p.ended = true
	case EventAbandoned:
		p.abandoned, p.heatOn, p.reheating = true, false, false
	}
	p.settle(e.At)
}

// Observe takes a good reading of the wax in.
func (p *Progress) Observe(at time.Duration, celsius float64) {
	p.celsius, p.haveTemp = celsius, true
	t := p.sheet.Thresholds
	switch {
	case celsius >= t.ScentAdd:
		p.hot = true
	case celsius < t.ScentAdd-stageBack:
		p.hot = false
	}
	switch {
	case celsius <= t.PourHigh:
		p.open = true
	case celsius > t.PourHigh+stageBack:
		p.open = false
	}
	switch {
	case celsius < t.PourLow:
		p.cold = true
	case celsius > t.PourLow+stageBack/2:
		p.cold = false
	}
	p.settle(at)
}

// Tick lets time pass without a reading.
func (p *Progress) Tick(at time.Duration) { p.settle(at) }

func (p *Progress) settle(at time.Duration) {
	if s := p.stageFor(at); s != p.stage {
		p.stage, p.stageAt = s, at
	}
}

func (p *Progress) stageFor(at time.Duration) Stage {
	tm := p.sheet.Timers
	switch {
	case !p.started || p.abandoned:
		return StageIdle
	case p.ended:
		return StageDone
	case p.poured:
		since := at - p.pouredAt
		switch {
		case tm.Cure > 0 && since >= max(tm.Cure, tm.Move):
			return StageDone
		case p.trimmed:
			return StageCuring
		case since >= tm.Trim:
			return StageTrim
		}
		return StageSetting
	case p.pouring:
		return StagePouring
	case p.reheating:
		return StageMelting
	case p.scented && !p.stirred && at-p.scentAt < tm.Stir && !p.jugOut:
		return StageStirring
	case p.scented, !p.heatOn && !p.paused:
		switch {
		case p.haveTemp && p.cold:
			return StageCold
		case p.haveTemp && p.open:
			return StageWindow
		}
		return StageCooling
	case p.haveTemp && p.hot:
		return StageScent
	}
	return StageMelting
}

// Stage returns where the batch stands and since when.
func (p *Progress) Stage() (Stage, time.Duration) { return p.stage, p.stageAt }

// HeatOn reports whether the heat must be taken to be on: it is until the maker
// has said that it is off. A heat-off that the station only noticed does not count.
func (p *Progress) HeatOn() bool { return p.started && (p.heatOn || !p.heatSure) && !p.abandoned }

// HeatSeemsOff reports whether the heat is off, as told or as noticed.
func (p *Progress) HeatSeemsOff() bool { return !p.heatOn }

// Reheating reports whether wax that was on its way to the jars is being warmed
// again, up to the top of the pour window.
func (p *Progress) Reheating() bool { return p.reheating }

// Fragrance reports whether fragrance is in the jug.
func (p *Progress) Fragrance() bool { return p.scented && !p.poured && !p.abandoned }

// ScentAt returns when the fragrance went in; the second result is false when
// it has not.
func (p *Progress) ScentAt() (time.Duration, bool) { return p.scentAt, p.scented }

// JugOut reports whether the jug has left the bath.
func (p *Progress) JugOut() bool { return p.jugOut }

// PouredAt returns when the last jar was poured; the second result is false
// when it has not been.
func (p *Progress) PouredAt() (time.Duration, bool) { return p.pouredAt, p.poured }

// StirredAt returns when the maker said that the stirring was over; the second
// result is false when nobody has.
func (p *Progress) StirredAt() (time.Duration, bool) { return p.stirredAt, p.stirred }

// Trimmed reports whether the wicks have been trimmed.
func (p *Progress) Trimmed() bool { return p.trimmed }

// TouchedAt returns when the maker last did anything.
func (p *Progress) TouchedAt() time.Duration { return p.touchedAt }

// Over reports whether the batch needs nothing more from the station.
func (p *Progress) Over() bool { return p.ended || p.abandoned || p.stage == StageDone }

// Taps returns what the maker may tap now, the likeliest first.
func (p *Progress) Taps() []EventKind {
	switch p.stage {
	case StageIdle:
		return []EventKind{EventStart}
	case StageMelting:
		if p.reheating {
			return []EventKind{EventHeatOff, EventJugOut, EventPourStart, EventNote, EventAbandoned}
		}
		if p.paused {
			return []EventKind{EventHeatOn, EventScentAdded, EventJugOut, EventPourStart, EventNote, EventAbandoned}
		}
		return []EventKind{EventScentAdded, EventHeatOff, EventJugOut, EventNote, EventAbandoned}
	case StageScent:
		return []EventKind{EventScentAdded, EventHeatOff, EventJugOut, EventNote, EventAbandoned}
	case StageStirring:
		if !p.HeatOn() { // nobody is asked for what they have said
			return []EventKind{EventStirred, EventJugOut, EventHeatOn, EventNote, EventAbandoned}
		}
		return []EventKind{EventStirred, EventHeatOff, EventJugOut, EventNote, EventAbandoned}
	case StageCooling:
		var k []EventKind
		if p.scented && !p.stirred && !p.jugOut { // the timer has run out; the stirring need not have
			k = append(k, EventStirred)
		}
		if p.HeatOn() {
			k = append(k, EventHeatOff)
		}
		if !p.jugOut {
			k = append(k, EventJugOut)
		}
		if !p.scented {
			k = append(k, EventScentAdded)
		}
		return append(k, EventPourStart, EventHeatOn, EventNote, EventAbandoned)
	case StageWindow, StageCold:
		k := []EventKind{EventPourStart, EventPoured, EventHeatOn}
		if p.stage == StageCold {
			k = []EventKind{EventHeatOn, EventPourStart, EventPoured}
		}
		if !p.jugOut {
			k = append(k, EventJugOut)
		}
		return append(k, EventNote, EventAbandoned)
	case StagePouring:
		return []EventKind{EventPoured, EventNote, EventAbandoned}
	case StageSetting:
		return []EventKind{EventWicks, EventLeftOver, EventTrimmed, EventNote}
	case StageTrim:
		return []EventKind{EventTrimmed, EventMoved, EventLeftOver, EventNote}
	case StageCuring:
		return []EventKind{EventMoved, EventCured, EventNote}
	case StageDone:
		if !p.ended { // cured by time: the maker may still say that they are put away
			return []EventKind{EventStart, EventCured, EventNote}
		}
		return []EventKind{EventStart, EventNote}
	}
	return nil
}

// Package plan knows what a batch should be: what to weigh, which temperatures
// matter, which stages follow one another, and when a candle may be trimmed,
// moved and burnt. It is arithmetic and rules only: no clock, no files, no page.
//
// Masses are grams, temperatures degrees Celsius, times [time.Duration].
// Package units (below this one) converts at the edge.
package plan

import (
	"encoding/json"
	"time"
)

// FlashPoint is the temperature at which a fragrance oil gives off enough vapour
// to ignite, with the method it was measured by: an open cup usually reads
// higher than a closed one, so the number alone does not say enough.
type FlashPoint struct {
	Celsius float64 `json:"celsius"`
	Method  string  `json:"method"` // "closed cup", "open cup" or "not stated"
	Oil     string  `json:"oil"`
}

// RaisedClassMargin is 30 °F as a temperature difference. A liquid heated to
// within it of its flash point is handled as the next more dangerous class
// (29 CFR 1910.106(a)(19)(iii) and (iv)).
const RaisedClassMargin = 30 / 1.8 // K, 16.67

// DefaultFlashMargin is how far below the lowest flash point the alarm stands.
const DefaultFlashMargin = 10.0 // K

// Thresholds are the temperatures of one batch, all in °C.
type Thresholds struct {
	ScentAdd    float64     `json:"scent_add"`    // fragrance goes in
	PourHigh    float64     `json:"pour_high"`    // the pour window opens as the wax cools to this
	Pour        float64     `json:"pour"`         // best pour temperature, inside the window
	PourLow     float64     `json:"pour_low"`     // the window closes below this
	Congeal     float64     `json:"congeal"`      // congealing point; 0 = not known
	Flash       *FlashPoint `json:"flash"`        // lowest of the blend; nil = no fragrance, or not known
	FlashMargin float64     `json:"flash_margin"` // K below Flash at which the alarm stands
	Scorch      float64     `json:"scorch"`       // the wax itself spoils above this; 0 = not known
	BathCeiling float64     `json:"bath_ceiling"` // boiling point of water at the station; 0 = not known
}

// FlashLimit returns the temperature at which the flash-point alarm stands.
// The second result is false when no flash point is known.
func (t Thresholds) FlashLimit() (float64, bool) {
	if t.Flash == nil {
		return 0, false
	}
	return t.Flash.Celsius - t.FlashMargin, true
}

// Timers are the waits of one batch.
type Timers struct {
	Stir     time.Duration `json:"stir"`      // after the fragrance goes in
	WarmJars time.Duration `json:"warm_jars"` // lead before the pour window opens
	CueLead  time.Duration `json:"cue_lead"`  // lead of the "due" cues before their moment
	Trim     time.Duration `json:"trim"`      // after pouring, about 3 h
	Move     time.Duration `json:"move"`      // after pouring, at least 24 h
	Cure     time.Duration `json:"cure"`      // after pouring, until burnt or shipped
}

// Stage is where a batch stands.
type Stage string

// The stages in the order a batch goes through them.
const (
	StageIdle     Stage = "idle"     // no batch in this pot
	StageMelting  Stage = "melting"  // heat on, below scent-add
	StageScent    Stage = "scent"    // at scent-add temperature, fragrance not yet in
	StageStirring Stage = "stirring" // fragrance in, stir timer running
	StageCooling  Stage = "cooling"  // waiting for the pour window
	StageWindow   Stage = "window"   // pour window open
	StageCold     Stage = "cold"     // below the window before it was poured
	StagePouring  Stage = "pouring"  // first jar poured, last one not yet
	StageSetting  Stage = "setting"  // poured; do not touch
	StageTrim     Stage = "trim"     // wicks may be trimmed
	StageCuring   Stage = "curing"   // trimmed or past it; not to be burnt or shipped
	StageDone     Stage = "done"     // cured
)

// EventKind says what the maker did (or what the station noticed).
type EventKind string

// What can happen to a batch.
const (
	EventStart      EventKind = "start"       // wax in the jug, heat on
	EventScentAdded EventKind = "scent-added" // fragrance in
	EventStirred    EventKind = "stirred"     // stirring ended
	EventHeatOff    EventKind = "heat-off"    // flame or hob off
	EventHeatOn     EventKind = "heat-on"     // heat on again (reheat)
	EventJugOut     EventKind = "jug-out"     // jug out of the bath and set down
	EventPourStart  EventKind = "pour-start"  // first jar
	EventPoured     EventKind = "poured"      // last jar
	EventLeftOver   EventKind = "left-over"   // what stayed in the jug
	EventWicks      EventKind = "wicks"       // wicks straightened
	EventTrimmed    EventKind = "trimmed"     // wicks trimmed
	EventMoved      EventKind = "moved"       // off the bench
	EventCured      EventKind = "cured"       // closed: ready to burn or ship
	EventAbandoned  EventKind = "abandoned"   // given up
	EventNote       EventKind = "note"        // anything in words
	EventLots       EventKind = "lots"        // which lots went in, see Event.Lots
	EventFound      EventKind = "found"       // finish, throw or a test burn, see Event.Found
	EventProbeOut   EventKind = "probe-out"   // probe out of the wax
	EventProbeIn    EventKind = "probe-in"    // and back
	EventTouched    EventKind = "touched"     // the maker is there (any tap counts too)
	EventCorrection EventKind = "correction"  // replaces an earlier event, which is kept
	EventWithdrawal EventKind = "withdrawal"  // takes an earlier event back, which is kept
)

// Event is one thing done, kept in the trace like a reading.
type Event struct {
	ID        string            `json:"id"` // made by whoever taps; the same id twice is one event
	Kind      EventKind         `json:"kind"`
	At        time.Duration     `json:"at"`   // on the station's time line
	Wall      time.Time         `json:"wall"` // UTC, for people
	Who       string            `json:"who,omitempty"`
	Detected  bool              `json:"detected,omitempty"` // noticed by the station, not yet confirmed
	Celsius   float64           `json:"celsius,omitempty"`  // wax temperature then; 0 = not known
	Grams     float64           `json:"grams,omitempty"`    // fragrance weighed in, wax left over
	Counts    map[string]int    `json:"counts,omitempty"`   // containers filled, by container name
	First     float64           `json:"first,omitempty"`    // °C in the jug at the first jar (poured)
	Last      float64           `json:"last,omitempty"`     // °C in the jug at the last jar (poured)
	Text      string            `json:"text,omitempty"`
	Lots      map[string]string `json:"lots,omitempty"`      // by name of the wax, oil, extra, or "wicks"
	Found     *Found            `json:"found,omitempty"`     // what was seen of the candles later on
	Forecast  json.RawMessage   `json:"forecast,omitempty"`  // of a start: what the forecast knew, so that a replay begins as the station did
	Corrects  string            `json:"corrects,omitempty"`  // id of the event this one replaces or takes back
	Corrected *Event            `json:"corrected,omitempty"` // a correction's new content
}

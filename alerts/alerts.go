// Package alerts holds what must reach the maker: alarms (something is wrong,
// someone must act) and cues (the work is due), with their rules and their life
// cycle after ISA-18.2 / IEC 62682.
//
// A [Watch] serves one pot. It is pure: no clock and no I/O; it is given
// [Facts] and gives back [Notice] values. An alarm rests on checked readings
// alone and never waits for a forecast, a database, a page or a network.
package alerts

import (
	"time"

	"example.org/meltstation/alerts/forecast"
	"example.org/meltstation/alerts/plan"
	"example.org/meltstation/probe"
)

// Class keeps alarms and cues apart.
type Class string

// The classes of a notice.
const (
	Alarm Class = "alarm"
	Cue   Class = "cue"
)

// Priority orders what stands at once. Few are urgent.
type Priority string

// The priorities, from the one to act on at once to the one that can wait.
const (
	Urgent Priority = "urgent" // hot wax or vapour: act now
	High   Priority = "high"   // act within minutes
	Low    Priority = "low"    // when convenient
)

// State is where an alarm or cue stands in its life cycle (names of ISA-18.2).
type State string

// The states of the life cycle.
const (
	Normal        State = "normal"
	Unacked       State = "unacked"        // active, not acknowledged
	Acked         State = "acked"          // active, acknowledged
	ReturnedUnack State = "returned-unack" // no longer active, not acknowledged
	LatchedUnack  State = "latched-unack"  // no longer true but latched, not acknowledged
	LatchedAck    State = "latched-ack"    // no longer true but latched, acknowledged, waits for a reset
	Shelved       State = "shelved"        // put aside by the maker for a limited time
	Suppressed    State = "suppressed"     // by designed logic
	OutOfService  State = "out-of-service" // put aside by the maker until returned, with a reason
)

// Notice is one transition of one alarm or cue, and all that is needed to put
// it into words. It is a value.
type Notice struct {
	Key      string        `json:"key"` // which rule: "flash-margin", "pour-now"; see Catalogue
	Pot      string        `json:"pot"`
	Batch    string        `json:"batch,omitempty"`
	Class    Class         `json:"class"`
	Priority Priority      `json:"priority"`
	From     State         `json:"from"`
	State    State         `json:"state"`
	Why      string        `json:"why"` // what moved it: "raised", "returned", "acknowledged", "reset", "shelved", "unshelved", "removed", "restored", "reminded", "withdrawn"
	At       time.Duration `json:"at"`  // station time
	Wall     time.Time     `json:"wall"`
	Who      string        `json:"who,omitempty"`
	Reason   string        `json:"reason,omitempty"`
	FirstOut bool          `json:"first_out,omitempty"` // first of several that came together
	Probe    string        `json:"probe,omitempty"`
	Celsius  float64       `json:"celsius,omitempty"`  // the reading that moved it
	Limit    float64       `json:"limit,omitempty"`    // the limit it was held against, °C
	Seconds  float64       `json:"seconds,omitempty"`  // until the moment the cue is about
	Low      float64       `json:"low,omitempty"`      // s, interval of Seconds
	HighEnd  float64       `json:"high_end,omitempty"` // s
	Grams    float64       `json:"grams,omitempty"`    // fragrance to add
	Detail   string        `json:"detail,omitempty"`   // a fault's reason, a name

	Since     time.Duration `json:"since,omitempty"`     // station time at which it was last raised
	SinceWall time.Time     `json:"since_wall,omitzero"` // the same, UTC
	Until     time.Duration `json:"until,omitempty"`     // station time at which a shelf ends
	UntilWall time.Time     `json:"until_wall,omitzero"` // the same, UTC, as it looked when it was shelved
	Stir      time.Duration `json:"stir,omitempty"`      // how long to stir, with scent-now
	Method    string        `json:"method,omitempty"`    // how the flash point was measured
	Oil       string        `json:"oil,omitempty"`       // whose flash point it is
	Flash     float64       `json:"flash,omitempty"`     // °C, that flash point itself
}

// Standing reports whether the notice leaves its alarm or cue asking for attention.
func (n Notice) Standing() bool {
	switch n.State {
	case Unacked, Acked, ReturnedUnack, LatchedUnack, LatchedAck:
		return true
	}
	return false
}

// Outlook is what the forecast says of one pot at one moment.
type Outlook struct {
	At          time.Duration     // station time from which its times count; 0 = the last good reading of the wax
	Scent       forecast.Forecast // crossing scent-add while heating
	WindowOpen  forecast.Forecast // crossing the top of the pour window while cooling
	Pour        forecast.Forecast // crossing the best pour temperature
	WindowClose forecast.Forecast // crossing the bottom of the pour window
	Reheat      forecast.Forecast // crossing the top of the pour window while warmed again
}

// ProbeState is one probe of a pot, as last heard.
type ProbeState struct {
	ID       string
	Role     probe.Role
	Last     probe.Reading // the last one of any quality
	LastAt   time.Duration
	Good     probe.Reading // the last good one; its zero value when there was none
	GoodAt   time.Duration
	HaveGood bool
}

// Facts is everything the rules of one pot may look at, at one moment.
type Facts struct {
	At        time.Duration  // station time; never goes back
	Wall      time.Time      // UTC, for the record only
	Reading   *probe.Reading // the reading that has just come; nil on a tick
	Probes    []ProbeState   // every probe of the pot, and those that serve all pots
	Batch     string         // "" when none
	Sheet     *plan.Sheet    // nil when there is no batch
	Stage     plan.Stage
	StageAt   time.Duration // when this stage began
	HeatOn    bool
	Fragrance bool          // fragrance is in the jug
	ScentAt   time.Duration // when the fragrance went in
	StirredAt time.Duration // when somebody said that the stirring is over; 0 = nobody did
	Reheating bool          // wax that got too cool to pour is being warmed again
	JugOut    bool
	PouredAt  time.Duration // when the last jar was poured; meaningful from StageSetting on
	Wicks     bool          // the maker has looked after the wicks since
	Moved     bool          // the candles have been moved
	TouchedAt time.Duration // when the maker last did anything
	Outlook   *Outlook      // nil when there is no forecast
	ClockStep time.Duration // the wall clock stepped by this much since the last facts; 0 = no
	DiskFree  int64         // bytes; negative = not known
	StoreErr  error         // the trace can't be written
}

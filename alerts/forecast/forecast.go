package forecast

// Direction says which way the wax must cross a target.
type Direction int8

// The directions of a target.
const (
	Cooling Direction = -1
	Heating Direction = +1
)

// Status says what kind of answer a [Forecast] is.
type Status string

// The kinds of answer.
const (
	OK          Status = "ok"          // Eta, Lo and Hi hold
	Reached     Status = "reached"     // the wax is there, or past it
	TooEarly    Status = "too-early"   // not enough curve yet
	Unreachable Status = "unreachable" // the equilibrium lies on the wrong side
	Disturbed   Status = "disturbed"   // probe out of the wax, or a jump not yet understood
	Plateau     Status = "plateau"     // the target lies below the congealing point
)

// Forecast is when a target will be reached, seen from the last reading.
type Forecast struct {
	Status Status
	Reason string  // in plain words, when Status is not OK
	Eta    float64 // s from the last reading, median; NaN when there is none
	Lo, Hi float64 // s, central interval at Level; NaN when there is none, Hi +Inf when open-ended
	Level  float64 // 0.9
	PReach float64 // probability that the target is reached at all, 0 to 1
}

// Regime is what the pot is going through.
type Regime string

// The regimes a pot goes through. The law is Newton's in each, with another k
// and another equilibrium.
const (
	RegimeUnknown Regime = "unknown"
	RegimeHeating Regime = "heating"  // in the bath, heat on
	RegimeBathOff Regime = "bath-off" // in the bath, heat off
	RegimeBench   Regime = "bench"    // out of the bath, cooling in the room
)

// EventKind tells the engine what the maker did.
type EventKind string

// What the engine can be told, or notices by itself.
const (
	HeatOn    EventKind = "heat-on"
	HeatOff   EventKind = "heat-off"
	ScentIn   EventKind = "scent-in"
	Stirred   EventKind = "stirred"
	JugOut    EventKind = "jug-out"
	ProbeOut  EventKind = "probe-out"
	ProbeBack EventKind = "probe-back"
	Change    EventKind = "change" // something changed, it can't say what
)

// Known is what is known of a pot before its curve says anything. A zero field
// is not known.
type Known struct {
	WaxGrams   float64 // in the jug
	OilGrams   float64 // that will go in
	OilCelsius float64 // temperature of the oil
	Jug        string  // its name; k is learnt per jug
	Room       float64 // °C, a guess when no probe measures it
	Boiling    float64 // °C, of water at the station's altitude
	Congeal    float64 // °C, congealing point of the wax
	Lessons    []Lesson
}

// Lesson is what one past stretch of curve taught: the start of the next one.
type Lesson struct {
	Jug      string  `json:"jug"`
	Regime   Regime  `json:"regime"`
	WaxGrams float64 `json:"wax_grams"`
	K        float64 `json:"k"`        // 1/s, at 40 K from the equilibrium
	Exponent float64 `json:"exponent"` // of the law; 1 is Newton's
	Ambient  float64 `json:"ambient"`  // °C, equilibrium that it cooled or heated toward
	Residual float64 `json:"residual"` // K, scale of what the law left over
	Minutes  float64 `json:"minutes"`  // of curve behind it
}

// Noticed is a change of regime that the engine found by itself.
type Noticed struct {
	Kind EventKind
	At   float64 // s, when it began
}

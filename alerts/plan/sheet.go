package plan

// Sheet is a batch before it starts, worked out: what to weigh, how hot, how
// long. A batch keeps the sheet it started from. Wax, Fragrance, Extras and
// Containers are those of all melts together.
type Sheet struct {
	Name       string       `json:"name"`
	Recipe     string       `json:"recipe,omitempty"` // the recipe it came from
	From       string       `json:"from,omitempty"`   // the earlier batch it repeats
	Thresholds Thresholds   `json:"thresholds"`
	Timers     Timers       `json:"timers"`
	Wax        []Part       `json:"wax"`       // grams of each wax
	Fragrance  []Part       `json:"fragrance"` // grams of each oil
	Extras     []Part       `json:"extras,omitempty"`
	Containers []Containers `json:"containers,omitempty"`
	Jug        string       `json:"jug,omitempty"`
	Warnings   []Warning    `json:"warnings,omitempty"`

	Show        Display    `json:"show"`
	ScaleStep   float64    `json:"scale_step"`          // g, step of the maker's scale
	FineStep    float64    `json:"fine_step,omitempty"` // g, step for oils and extras; 0 = ScaleStep
	Load        float64    `json:"load"`                // %, as the recipe has it
	Basis       Basis      `json:"basis,omitempty"`     // of Load
	LoadOfWax   float64    `json:"load_of_wax"`         // %, of the rounded amounts
	LoadOfTotal float64    `json:"load_of_total"`       // %, of the rounded amounts
	Melts       []Melt     `json:"melts,omitempty"`     // one jugful each
	PourOrder   []PourStep `json:"pour_order,omitempty"`
	Jars        int        `json:"jars"`
	Wicks       int        `json:"wicks"`
	TotalGrams  float64    `json:"total_grams"` // everything that is weighed in
	JarGrams    float64    `json:"jar_grams"`   // of it, what goes into the containers at the first pour
	TopOffGrams float64    `json:"top_off_grams"`
	LossGrams   float64    `json:"loss_grams"`  // of it, what is expected to stay in the jugs
	SpareGrams  float64    `json:"spare_grams"` // of it, what rounding adds
	Pour        *PourPlan  `json:"pour,omitempty"`
	Source      *Recipe    `json:"source,omitempty"` // to scale it or to repeat it
	Options     Options    `json:"options,omitzero"` // with what it was worked out
}

// Part is one thing to weigh.
type Part struct {
	Name  string  `json:"name"`
	Grams float64 `json:"grams"`           // what the scale should show
	Exact float64 `json:"exact,omitempty"` // g before rounding
	Lot   string  `json:"lot,omitempty"`
}

// Containers is a count of one kind of container.
type Containers struct {
	Name  string  `json:"name"`
	Count int     `json:"count"`
	Grams float64 `json:"grams"`         // of finished candle in each
	Wax   float64 `json:"wax,omitempty"` // g of it that are wax
	Wicks int     `json:"wicks"`         // in each
}

// Melt is one jugful: weighed, melted, scented and poured by itself.
type Melt struct {
	Jug         string       `json:"jug,omitempty"`
	Wax         []Part       `json:"wax"`
	Fragrance   []Part       `json:"fragrance"`
	Extras      []Part       `json:"extras,omitempty"`
	Containers  []Containers `json:"containers,omitempty"`
	TotalGrams  float64      `json:"total_grams"`            // in the jug
	RoomGrams   float64      `json:"room_grams,omitempty"`   // what the jug would take besides
	PourSeconds float64      `json:"pour_seconds,omitempty"` // to fill its containers
}

// PourStep is one line of the order to pour in: large first, then small, then
// top off.
type PourStep struct {
	Melt      int     `json:"melt"` // 1, 2, ...
	Container string  `json:"container"`
	Count     int     `json:"count"`
	Grams     float64 `json:"grams"`   // in each
	Seconds   float64 `json:"seconds"` // for all of them
	TopOff    bool    `json:"top_off,omitempty"`
}

// Warning is something on a sheet that the maker must know before starting.
type Warning struct {
	Key   string `json:"key"`
	Level Level  `json:"level,omitempty"`
	Text  string `json:"text"`
}

// Level says how much a warning weighs.
type Level string

// The levels of a warning.
const (
	Stop    Level = "stop"    // put this right before starting
	Caution Level = "caution" // can hurt, or spoil the batch
	Note    Level = "note"    // good to know
)

// WaxGrams is all the wax of the sheet.
func (s Sheet) WaxGrams() float64 { return total(s.Wax) }

// FragranceGrams is all the fragrance of the sheet.
func (s Sheet) FragranceGrams() float64 { return total(s.Fragrance) }

// Stops returns the warnings that must be put right before starting.
func (s Sheet) Stops() []Warning {
	var out []Warning
	for _, w := range s.Warnings {
		if w.Level == Stop {
			out = append(out, w)
		}
	}
	return out
}

func total(parts []Part) float64 {
	var g float64
	for _, p := range parts {
		g += p.Grams
	}
	return g
}

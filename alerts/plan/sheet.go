package plan

// Sheet is a batch before it starts, worked out: what to weigh, how hot, how
// long. A batch keeps the sheet it started from.
type Sheet struct {
	Name       string       `json:"name"`
	Recipe     string       `json:"recipe,omitempty"` // the recipe it came from
	Thresholds Thresholds   `json:"thresholds"`
	Timers     Timers       `json:"timers"`
	Wax        []Part       `json:"wax"`       // grams of each wax
	Fragrance  []Part       `json:"fragrance"` // grams of each oil
	Extras     []Part       `json:"extras,omitempty"`
	Containers []Containers `json:"containers,omitempty"`
	Jug        string       `json:"jug,omitempty"`
	Warnings   []Warning    `json:"warnings,omitempty"`
}

// Part is one thing to weigh.
type Part struct {
	Name  string  `json:"name"`
	Grams float64 `json:"grams"`
	Lot   string  `json:"lot,omitempty"`
}

// Containers is a count of one kind of container.
type Containers struct {
	Name  string  `json:"name"`
	Count int     `json:"count"`
	Grams float64 `json:"grams"` // of finished candle in each
	Wicks int     `json:"wicks"` // in each
}

// Warning is something on a sheet that the maker must know before starting.
type Warning struct {
	Key  string `json:"key"`
	Text string `json:"text"`
}

// WaxGrams is all the wax of the sheet.
func (s Sheet) WaxGrams() float64 { return total(s.Wax) }

// FragranceGrams is all the fragrance of the sheet.
func (s Sheet) FragranceGrams() float64 { return total(s.Fragrance) }

func total(parts []Part) float64 {
	var g float64
	for _, p := range parts {
		g += p.Grams
	}
	return g
}

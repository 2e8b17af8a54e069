package recipe

// document is a recipe file as the maker writes it: quantities are text with
// their units, and the keys are those of the file. The page's form edits the
// same document as JSON.
type document struct {
	Name        string `toml:"name" json:"name"`
	Notes       string `toml:"notes,omitempty" json:"notes,omitempty"`
	Temperature string `toml:"temperature" json:"temperature"`
	Mass        string `toml:"mass" json:"mass"`
	Scale       string `toml:"scale" json:"scale"`
	FineScale   string `toml:"fine_scale,omitempty" json:"fine_scale,omitempty"`

	Wax          []waxPart       `toml:"wax" json:"wax"`
	Fragrance    *fragrancePart  `toml:"fragrance,omitempty" json:"fragrance,omitempty"`
	Extra        []extraPart     `toml:"extra,omitempty" json:"extra,omitempty"`
	Container    []containerPart `toml:"container,omitempty" json:"container,omitempty"`
	Jug          []jugPart       `toml:"jug,omitempty" json:"jug,omitempty"`
	Pouring      *pouringPart    `toml:"pouring,omitempty" json:"pouring,omitempty"`
	Temperatures *heatPart       `toml:"temperatures,omitempty" json:"temperatures,omitempty"`
	Timers       *timersPart     `toml:"timers,omitempty" json:"timers,omitempty"`
}

type waxPart struct {
	Name    string `toml:"name" json:"name"`
	Share   any    `toml:"share,omitempty" json:"share,omitempty"`
	Density string `toml:"density,omitempty" json:"density,omitempty"`
	MaxLoad any    `toml:"max_load,omitempty" json:"max_load,omitempty"`
	Basis   string `toml:"max_load_basis,omitempty" json:"max_load_basis,omitempty"`
	Lot     string `toml:"lot,omitempty" json:"lot,omitempty"`
}

type fragrancePart struct {
	Load  any       `toml:"load,omitempty" json:"load,omitempty"`
	Basis string    `toml:"basis,omitempty" json:"basis,omitempty"`
	Oil   []oilPart `toml:"oil" json:"oil"`
}

type oilPart struct {
	Name    string `toml:"name" json:"name"`
	Share   any    `toml:"share,omitempty" json:"share,omitempty"`
	Flash   string `toml:"flash,omitempty" json:"flash,omitempty"`
	Method  string `toml:"method,omitempty" json:"method,omitempty"`
	MaxLoad any    `toml:"max_load,omitempty" json:"max_load,omitempty"`
	Basis   string `toml:"max_load_basis,omitempty" json:"max_load_basis,omitempty"`
	Lot     string `toml:"lot,omitempty" json:"lot,omitempty"`
}

type extraPart struct {
	Name   string `toml:"name" json:"name"`
	Amount any    `toml:"amount" json:"amount"`
	Lot    string `toml:"lot,omitempty" json:"lot,omitempty"`
}

type containerPart struct {
	Name      string `toml:"name" json:"name"`
	Wax       string `toml:"wax,omitempty" json:"wax,omitempty"`
	Volume    string `toml:"volume,omitempty" json:"volume,omitempty"`
	Headspace string `toml:"headspace,omitempty" json:"headspace,omitempty"`
	Wicks     *int   `toml:"wicks,omitempty" json:"wicks,omitempty"`
	FillTime  string `toml:"fill_time,omitempty" json:"fill_time,omitempty"`
}

type jugPart struct {
	Name   string `toml:"name" json:"name"`
	Holds  string `toml:"holds,omitempty" json:"holds,omitempty"`
	Volume string `toml:"volume,omitempty" json:"volume,omitempty"`
	Room   any    `toml:"room,omitempty" json:"room,omitempty"`
	Loss   string `toml:"loss,omitempty" json:"loss,omitempty"`
}

type pouringPart struct {
	FillTime string `toml:"fill_time,omitempty" json:"fill_time,omitempty"`
	TopOff   any    `toml:"top_off,omitempty" json:"top_off,omitempty"`
}

type heatPart struct {
	ScentAdd    string `toml:"scent_add,omitempty" json:"scent_add,omitempty"`
	PourHigh    string `toml:"pour_high,omitempty" json:"pour_high,omitempty"`
	Pour        string `toml:"pour,omitempty" json:"pour,omitempty"`
	PourLow     string `toml:"pour_low,omitempty" json:"pour_low,omitempty"`
	Congeal     string `toml:"congeal,omitempty" json:"congeal,omitempty"`
	Scorch      string `toml:"scorch,omitempty" json:"scorch,omitempty"`
	FlashMargin string `toml:"flash_margin,omitempty" json:"flash_margin,omitempty"`
	BathCeiling string `toml:"bath_ceiling,omitempty" json:"bath_ceiling,omitempty"`
}

type timersPart struct {
	Stir     string `toml:"stir,omitempty" json:"stir,omitempty"`
	WarmJars string `toml:"warm_jars,omitempty" json:"warm_jars,omitempty"`
	CueLead  string `toml:"cue_lead,omitempty" json:"cue_lead,omitempty"`
	Trim     string `toml:"trim,omitempty" json:"trim,omitempty"`
	Move     string `toml:"move,omitempty" json:"move,omitempty"`
	Cure     string `toml:"cure,omitempty" json:"cure,omitempty"`
}

package plan

import (
	"fmt"
	"math"
	"time"
)

// Basis says what a percentage of fragrance is a percentage of. The two differ:
// 6.25 % of the wax is 5.88 % of the total.
type Basis string

// The two ways a load is given.
const (
	OfWax   Basis = "of wax"
	OfTotal Basis = "of total" // of everything in the jug: wax, fragrance and extras
)

// Display is how a maker wants things shown. It changes no amount.
type Display struct {
	Temperature string `json:"temperature"` // "C" or "F"
	Mass        string `json:"mass"`        // "g" or "oz"
}

// Recipe is what a kind of candle is made of and how. Masses are grams,
// temperatures °C, volumes millilitres, densities g/ml, percentages 0 to 100.
type Recipe struct {
	Name       string        `json:"name"`
	Notes      string        `json:"notes,omitempty"`
	Show       Display       `json:"show"`
	Scale      float64       `json:"scale"`                // g, the smallest step the maker's scale shows
	FineScale  float64       `json:"fine_scale,omitempty"` // g, of a finer scale for oils and extras; 0 = the same one
	Wax        []Wax         `json:"wax"`
	Load       float64       `json:"load"` // % of fragrance
	Basis      Basis         `json:"basis"`
	Oils       []Oil         `json:"oils,omitempty"`
	Extras     []Extra       `json:"extras,omitempty"`
	Containers []Container   `json:"containers,omitempty"`
	Jugs       []Jug         `json:"jugs,omitempty"`
	TopOff     float64       `json:"top_off,omitempty"` // % of what is poured, kept back for a second pour
	FillTime   time.Duration `json:"fill_time"`         // to fill one container, where the container says nothing else
	Thresholds Thresholds    `json:"thresholds"`        // Flash is worked out from the oils
	Timers     Timers        `json:"timers"`
}

// Wax is one wax of a blend.
type Wax struct {
	Name    string  `json:"name"`
	Share   float64 `json:"share"`              // % of the wax
	Density float64 `json:"density,omitempty"`  // g/ml at pour temperature; 0 = not known
	MaxLoad float64 `json:"max_load,omitempty"` // %, the most fragrance its supplier allows; 0 = not known
	Basis   Basis   `json:"basis,omitempty"`    // of MaxLoad; "" is read as of wax, the stricter
	Lot     string  `json:"lot,omitempty"`
}

// Oil is one fragrance oil of a blend.
type Oil struct {
	Name    string  `json:"name"`
	Share   float64 `json:"share"`              // % of the fragrance
	Flash   float64 `json:"flash,omitempty"`    // °C; 0 = not known
	Method  string  `json:"method,omitempty"`   // "closed cup", "open cup" or "not stated"
	MaxLoad float64 `json:"max_load,omitempty"` // %, the most of this oil its supplier allows in a candle; 0 = not known
	Basis   Basis   `json:"basis,omitempty"`    // of MaxLoad; "" is read as of wax, the stricter
	Lot     string  `json:"lot,omitempty"`
}

// Extra is a dye or an additive.
type Extra struct {
	Name   string  `json:"name"`
	Amount float64 `json:"amount"` // % of the wax
	Lot    string  `json:"lot,omitempty"`
}

// Container is one kind of container. It is filled either by Wax or by Volume.
type Container struct {
	Name      string        `json:"name"`
	Wax       float64       `json:"wax,omitempty"`       // g of wax in each; fragrance comes on top
	Volume    float64       `json:"volume,omitempty"`    // ml to the brim
	Headspace float64       `json:"headspace,omitempty"` // ml left empty below the brim
	Wicks     int           `json:"wicks"`               // in each: one, or three in a triangle for a wide jar
	FillTime  time.Duration `json:"fill_time,omitempty"` // to fill one; 0 = the recipe's
}

// Jug is what the wax is melted in. Its size is either Holds or Volume.
type Jug struct {
	Name   string  `json:"name"`
	Holds  float64 `json:"holds,omitempty"`  // g of wax and fragrance to the brim
	Volume float64 `json:"volume,omitempty"` // ml to the brim
	Room   float64 `json:"room,omitempty"`   // % of it left empty, to stir in
	Loss   float64 `json:"loss,omitempty"`   // g that stay in it after pouring
}

// Count is how many of one container are to be made.
type Count struct {
	Container string `json:"container"`
	N         int    `json:"n"`
}

// Density returns the density of the wax blend at pour temperature in g/ml. The
// volumes of the waxes are taken to add up. It is false when one is not known.
func (r Recipe) Density() (float64, bool) {
	var ml, share float64
	for _, w := range r.Wax {
		if w.Density <= 0 {
			return 0, false
		}
		ml += w.Share / w.Density
		share += w.Share
	}
	if ml <= 0 {
		return 0, false
	}
	return share / ml, true
}

// OilPerWax returns grams of fragrance for each gram of wax. With the load given
// of the total, p = oil / (wax + oil + extras).
func (r Recipe) OilPerWax() float64 {
	if len(r.Oils) == 0 {
		return 0
	}
	p := r.Load / 100
	if r.Basis == OfTotal {
		return p * (1 + r.ExtrasPerWax()) / (1 - p)
	}
	return p
}

// ExtrasPerWax returns grams of dye and additives for each gram of wax.
func (r Recipe) ExtrasPerWax() float64 {
	var e float64
	for _, x := range r.Extras {
		e += x.Amount / 100
	}
	return e
}

// MixPerWax returns grams in the jug for each gram of wax.
func (r Recipe) MixPerWax() float64 { return 1 + r.OilPerWax() + r.ExtrasPerWax() }

// LowestFlash returns the lowest flash point of the oils that have one. Closed
// cup and open cup are compared as they stand; an open cup usually reads higher,
// so a sheet says when one is among them. A blend's own flash point can lie
// below that of every part: only its maker can say.
func (r Recipe) LowestFlash() *FlashPoint {
	var low *FlashPoint
	for _, o := range r.Oils {
		if o.Flash == 0 || low != nil && o.Flash >= low.Celsius {
			continue
		}
		method := o.Method
		if method == "" {
			method = MethodNotStated
		}
		low = &FlashPoint{Celsius: o.Flash, Method: method, Oil: o.Name}
	}
	return low
}

// Bands returns the recipe's thresholds with the flash point of its oils and the
// default margin where none is given.
func (r Recipe) Bands() Thresholds {
	t := r.Thresholds
	t.Flash = r.LowestFlash()
	if t.FlashMargin == 0 {
		t.FlashMargin = DefaultFlashMargin
	}
	return t
}

// The methods of a flash point. ASTM D93 and D56 are closed cups, D92 is an open one.
const (
	MethodClosed    = "closed cup"
	MethodOpen      = "open cup"
	MethodNotStated = "not stated"
)

// Grams returns the grams of wax, and of the whole mix, in one container.
func (r Recipe) Grams(c Container) (wax, mix float64, err error) {
	per := r.MixPerWax()
	if c.Wax > 0 {
		return c.Wax, c.Wax * per, nil
	}
	density, ok := r.Density()
	if !ok {
		return 0, 0, fmt.Errorf("%q is filled by volume, but the wax has no density: add the wax's density at pour temperature from its supplier's sheet, or give the container's weight of wax", c.Name)
	}
	mix = (c.Volume - c.Headspace) * density
	return mix / per, mix, nil
}

// Capacity returns the grams of mix that the jug takes with its room to stir
// left empty. It is false when the jug has no size, or a volume without a density.
func (r Recipe) Capacity(j Jug) (float64, bool) {
	room := 1 - j.Room/100
	if j.Holds > 0 {
		return j.Holds * room, true
	}
	density, ok := r.Density()
	if j.Volume <= 0 || !ok {
		return 0, false
	}
	return j.Volume * density * room, true
}

// HighestLoad returns the highest load, in per cent of the wax, that keeps what
// the suppliers of every wax and oil allow. It is false while one of them is not
// known, or nothing bounds it.
func (r Recipe) HighestLoad() (float64, bool) {
	extras := r.ExtrasPerWax()
	least := math.Inf(1)
	bound := func(share, max float64, b Basis) bool {
		if max <= 0 {
			return false
		}
		m := max / 100
		switch {
		case b != OfTotal: // share × load <= m
			least = math.Min(least, m/share)
		case share > m: // share × load / (1 + load + extras) <= m
			least = math.Min(least, m*(1+extras)/(share-m))
		}
		return true
	}
	for _, w := range r.Wax {
		if !bound(1, w.MaxLoad, w.Basis) {
			return 0, false
		}
	}
	for _, o := range r.Oils {
		if o.Share > 0 && !bound(o.Share/100, o.MaxLoad, o.Basis) {
			return 0, false
		}
	}
	return 100 * least, !math.IsInf(least, 1)
}

// Container returns the container of that name.
func (r Recipe) Container(name string) (Container, bool) {
	for _, c := range r.Containers {
		if c.Name == name {
			return c, true
		}
	}
	return Container{}, false
}

// DefaultTimers are waits that are common practice (no source); a wax supplier's
// own figures come first.
func DefaultTimers() Timers {
	return Timers{
		Stir:     2 * time.Minute,
		WarmJars: 10 * time.Minute,
		CueLead:  2 * time.Minute,
		Trim:     3 * time.Hour,
		Move:     24 * time.Hour,
		Cure:     14 * 24 * time.Hour,
	}
}

// DefaultThresholds are a start for a soft container wax: 185 °F for the
// fragrance, a pour window around 135 °F (common practice, no source). The
// supplier's sheet decides.
func DefaultThresholds() Thresholds {
	f := func(fahrenheit float64) float64 { return (fahrenheit - 32) / 1.8 }
	return Thresholds{
		ScentAdd: f(185), PourHigh: f(140), Pour: f(135), PourLow: f(130),
		FlashMargin: DefaultFlashMargin,
	}
}

// Defaults returns a recipe with everything filled in that has a common answer.
func Defaults() Recipe {
	return Recipe{
		Show:       Display{Temperature: "C", Mass: "g"},
		Scale:      1,
		Basis:      OfWax,
		FillTime:   20 * time.Second,
		Thresholds: DefaultThresholds(),
		Timers:     DefaultTimers(),
	}
}

// Problem is something in a recipe or a plan that must be put right first.
type Problem struct {
	Field string `json:"field"` // as in the recipe file, "temperatures.pour_high"
	Value string `json:"value"`
	Rule  string `json:"rule"`
	Mend  string `json:"mend"`
}

// Error puts the problem in one line.
func (p Problem) Error() string {
	return fmt.Sprintf("%s is %s: %s; %s", p.Field, p.Value, p.Rule, p.Mend)
}

func finite(v float64) bool { return !math.IsNaN(v) && !math.IsInf(v, 0) }

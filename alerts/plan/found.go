package plan

import (
	"fmt"
	"slices"
	"time"
)

// Finish is how a candle looks once it has set. The words are the trade's.
type Finish string

// The finishes. Smooth is the good one; the others can come together.
const (
	Smooth    Finish = "smooth"
	Rough     Finish = "rough"
	Frosted   Finish = "frosted"
	WetSpots  Finish = "wet spots"
	Sinkholes Finish = "sinkholes"
	Tunnelled Finish = "tunnelled" // at a burn: a hole down the middle, wax left at the wall
)

// Finishes lists every finish, the good one first.
func Finishes() []Finish {
	return []Finish{Smooth, Rough, Frosted, WetSpots, Sinkholes, Tunnelled}
}

// Found is what was seen of a batch's candles after pouring: how they came out,
// how they smell cold and lit, and how a test candle burnt. Anything can be left
// out.
type Found struct {
	Container string   `json:"container,omitempty"`  // which one; "" = all of them
	Finish    []Finish `json:"finish,omitempty"`     // none = not looked at
	ColdThrow int      `json:"cold_throw,omitempty"` // scent unlit, 1 faint to 5 strong; 0 = not judged
	HotThrow  int      `json:"hot_throw,omitempty"`  // scent lit, 1 to 5; 0 = not judged
	Burn      *Burn    `json:"burn,omitempty"`
	Photos    []string `json:"photos,omitempty"` // names of the pictures kept with the batch
}

// Burn is a first test burn: does the melt pool reach the wall, and when.
type Burn struct {
	Wick        string        `json:"wick,omitempty"`
	Lasted      time.Duration `json:"lasted,omitempty"`       // how long it burnt, ns
	Reached     bool          `json:"reached"`                // the melt pool reached the wall
	ReachedIn   time.Duration `json:"reached_in,omitempty"`   // after which time, ns; 0 = not timed
	PoolWidth   float64       `json:"pool_width,omitempty"`   // mm across
	PoolDepth   float64       `json:"pool_depth,omitempty"`   // mm
	FlameHeight float64       `json:"flame_height,omitempty"` // mm
}

// Validate returns what can't be in it.
func (f Found) Validate() []Problem {
	var out []Problem
	for _, x := range f.Finish {
		if !slices.Contains(Finishes(), x) {
			out = append(out, Problem{"finish", quoteOr(string(x), "empty"), "that finish is not known", "use " + fmt.Sprint(Finishes())})
		}
	}
	if slices.Contains(f.Finish, Smooth) && slices.ContainsFunc(f.Finish, func(x Finish) bool { return x != Smooth && x != Tunnelled }) {
		out = append(out, Problem{"finish", "smooth and something else", "a surface is smooth or it is not", "take one of them out"})
	}
	score := func(field string, v int) {
		if v < 0 || v > 5 {
			out = append(out, Problem{field, fmt.Sprint(v), "throw is judged from 1 (faint) to 5 (strong)", "give 1 to 5, or leave it out"})
		}
	}
	score("cold_throw", f.ColdThrow)
	score("hot_throw", f.HotThrow)
	if b := f.Burn; b != nil {
		if b.Lasted < 0 || b.ReachedIn < 0 || b.Lasted > 1000*time.Hour || b.ReachedIn > 1000*time.Hour {
			out = append(out, Problem{"burn", "a time out of range", "a test burn lasts some hours", "check the time"})
		}
		if !b.Reached && b.ReachedIn > 0 {
			out = append(out, Problem{"burn.reached_in", fmt.Sprint(b.ReachedIn), "the melt pool did not reach the wall", "take the time out, or say that it did"})
		}
		if b.Lasted > 0 && b.ReachedIn > b.Lasted {
			out = append(out, Problem{"burn.reached_in", fmt.Sprint(b.ReachedIn), "it is longer than the burn lasted", "check both times"})
		}
		for _, v := range []float64{b.PoolWidth, b.PoolDepth, b.FlameHeight} {
			if !finite(v) || v < 0 || v > 1000 {
				out = append(out, Problem{"burn", fmt.Sprint(v), "a width or height is given in millimetres", "check the number"})
			}
		}
	}
	return out
}

// Good reports whether the surface came out right. It is false in known when
// nobody has looked.
func (f Found) Good() (good, known bool) {
	if len(f.Finish) == 0 {
		return false, false
	}
	for _, x := range f.Finish {
		if x != Smooth && x != Tunnelled {
			return false, true
		}
	}
	return slices.Contains(f.Finish, Smooth), slices.Contains(f.Finish, Smooth)
}

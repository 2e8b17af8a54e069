package station

import (
	"errors"

	"example.org/meltstation/alerts/plan"
)

// Why a request of the maker's is refused.
var (
	ErrNoPot   = errors.New("there is no such pot")
	ErrNoBatch = errors.New("no batch is in this pot")
	ErrBusy    = errors.New("a batch is already in this pot") // at Start
	ErrStale   = errors.New("the pot has moved on since this page last looked")
	ErrNotNow  = errors.New("that doesn't fit where the batch stands")
	ErrNoEvent = errors.New("there is no such event in this batch")
	ErrInvalid = errors.New("the request can't be used") // a value is missing or impossible
)

// Tap is one thing the maker says has been done.
type Tap struct {
	ID      string            `json:"id"` // made by the page; the same id twice is one tap
	Kind    plan.EventKind    `json:"kind"`
	Stamp   uint64            `json:"stamp"` // of the PotView the maker was looking at; 0 = not checked
	Grams   float64           `json:"grams,omitempty"`
	Celsius float64           `json:"celsius,omitempty"` // 0 = as measured
	Counts  map[string]int    `json:"counts,omitempty"`
	First   float64           `json:"first,omitempty"`
	Last    float64           `json:"last,omitempty"`
	Text    string            `json:"text,omitempty"`
	Lots    map[string]string `json:"lots,omitempty"`  // of a "lots" tap
	Found   *plan.Found       `json:"found,omitempty"` // of a "found" tap
	Batch   string            `json:"batch,omitempty"` // for a batch already on the shelf; "" = the one in the pot
	Who     string            `json:"-"`               // set by the server
}

// StartRequest puts a batch into a pot.
type StartRequest struct {
	ID    string     `json:"id"` // made by the page; the same id twice is one start
	Sheet plan.Sheet `json:"sheet"`
	Name  string     `json:"name,omitempty"`
	Lots  []string   `json:"lots,omitempty"`
	// LotOf are lots by what they are of: a wax, an oil, an extra, or "wicks". They
	// go before those of the sheet.
	LotOf map[string]string `json:"lot_of,omitempty"`
	Who   string            `json:"-"`
}

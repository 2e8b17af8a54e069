// Package trace keeps what happened: batches, readings, events, alarms and cues,
// in one SQLite file that survives a kill at any moment.
//
// Readings are spooled in memory and written a few seconds' worth at a time, to
// spare an SD card; events and acknowledgements are on disk before the caller
// hears back. Every entry has a sequence number that only grows and two times:
// UTC for people, and the station's own time line, which never goes back.
package trace

import (
	"encoding/json"
	"time"

	"example.org/meltstation/probe"
)

// Kind says what an [Entry] holds.
type Kind string

// The kinds of entry.
const (
	KindReading Kind = "reading"
	KindEvent   Kind = "event"  // something the maker did, or the station noticed
	KindNotice  Kind = "notice" // a transition of an alarm or a cue
)

// Entry is one line of the trace. It is a value.
type Entry struct {
	Seq   int64         `json:"seq"`   // grows by one for every entry of the station; set by the store
	Batch string        `json:"batch"` // "" outside any batch
	Pot   string        `json:"pot"`
	At    time.Duration `json:"at"`   // station time
	Wall  time.Time     `json:"wall"` // UTC
	Kind  Kind          `json:"kind"`

	// Of a reading.
	Probe   string        `json:"probe,omitempty"`
	Role    probe.Role    `json:"role,omitempty"`
	Celsius float64       `json:"-"` // NaN = none; see Entry.MarshalJSON
	Raw     float64       `json:"-"`
	Quality probe.Quality `json:"quality,omitempty"`

	// Of an event or a notice: its id (unique among the events of a batch, so
	// that the same tap sent twice is kept once), its kind or key, and its JSON.
	ID   string          `json:"id,omitempty"`
	Name string          `json:"name,omitempty"`
	Data json.RawMessage `json:"data,omitempty"`
}

// Batch is one restock, from wax in the jug to cured candles.
type Batch struct {
	ID       string          `json:"id"` // the batch code printed on labels
	Pot      string          `json:"pot"`
	Name     string          `json:"name"`
	Recipe   string          `json:"recipe,omitempty"`
	Stage    string          `json:"stage"`
	Started  time.Time       `json:"started"`          // UTC
	Ended    time.Time       `json:"ended"`            // UTC; zero while it goes on
	StartAt  time.Duration   `json:"start_at"`         // station time
	PouredAt time.Duration   `json:"poured_at"`        // station time; 0 = not yet
	Sheet    json.RawMessage `json:"sheet,omitempty"`  // the plan.Sheet it started from
	Record   json.RawMessage `json:"record,omitempty"` // what was done and found; see package record
	Lots     []string        `json:"lots,omitempty"`   // for the look-up "which batches used this lot"
}

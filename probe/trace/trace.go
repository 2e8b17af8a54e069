// Package trace keeps what happened: batches, readings, events, alarms and cues,
// in one SQLite file that survives a kill at any moment.
//
// Readings are spooled in memory and written a quarter of a minute's worth at a
// time, to spare an SD card; events and acknowledgements are on disk before the caller
// hears back. Every entry has a sequence number that only grows and two times:
// UTC for people, and the station's own time line, which never goes back.
//
// [Store] writes and reads one file. Only one process may write it at a time;
// any number may read it meanwhile. While the disk refuses (full, read-only,
// locked, torn out) the store keeps what it is given in memory, up to a bound,
// tries again, and catches up in order; reads see what is not on disk yet.
//
// What can be lost: a kill of the process costs the readings of at most the last
// [Options.FlushEvery] (of [Options.IdleFlush] while no batch goes on), a power
// cut the same, because every write is synced before it counts. What
// [Store.Commit] has acknowledged is lost by neither.
package trace

import (
	"encoding/json"
	"errors"
	"math"
	"time"

	"example.org/meltstation/probe"
)

// Why something can't be had from, or done to, a trace.
var (
	ErrNoBatch    = errors.New("there is no such batch")
	ErrNoDocument = errors.New("there is no such document")
	ErrLocked     = errors.New("another meltstation already writes to this file") // at Open and Restore
	ErrNewer      = errors.New("this file was written by a newer meltstation")    // at Open, Check and Restore
	ErrForeign    = errors.New("this is not a meltstation database")              // at Open, Check and Restore: another program's file
	ErrDamaged    = errors.New("the database is damaged")                         // at Check, Restore, and Open of one to be read only
	ErrReadOnly   = errors.New("the database was opened for reading only")        // from every method that writes
	ErrClosed     = errors.New("the database is closed")
	ErrSpoolFull  = errors.New("the disk refuses and the memory set aside for that is full") // from Commit, PutBatch, PutDoc: this one is not kept
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
	Wall  time.Time     `json:"wall"` // UTC; the store sets it when it is zero
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

// ReadingEntry is the entry of a reading. The store sets its number.
func ReadingEntry(r probe.Reading, batch string, at time.Duration) Entry {
	return Entry{
		Batch: batch, Pot: r.Pot, At: at, Wall: r.At.UTC(), Kind: KindReading,
		Probe: r.Probe, Role: r.Role, Celsius: r.Celsius, Raw: r.Raw, Quality: r.Quality,
	}
}

// Good reports whether the entry is a reading that may be used.
func (e Entry) Good() bool {
	return e.Kind == KindReading && e.Quality == probe.Good && !math.IsNaN(e.Celsius)
}

type plainEntry Entry // without the methods

type entryJSON struct {
	plainEntry
	Celsius *float64 `json:"celsius,omitempty"`
	Raw     *float64 `json:"raw,omitempty"`
}

// MarshalJSON gives "celsius" and "raw", in °C, of a reading that has them: JSON
// has no NaN, so a reading without a number has no such member.
func (e Entry) MarshalJSON() ([]byte, error) {
	j := entryJSON{plainEntry: plainEntry(e)}
	if e.Kind == KindReading {
		j.Celsius, j.Raw = finite(e.Celsius), finite(e.Raw)
	}
	return json.Marshal(j)
}

// UnmarshalJSON reads what MarshalJSON gives.
func (e *Entry) UnmarshalJSON(b []byte) error {
	var j entryJSON
	if err := json.Unmarshal(b, &j); err != nil {
		return err
	}
	*e = Entry(j.plainEntry)
	e.Celsius, e.Raw = orNaN(j.Celsius), orNaN(j.Raw)
	return nil
}

func finite(v float64) *float64 {
	if math.IsNaN(v) || math.IsInf(v, 0) {
		return nil
	}
	return &v
}

func orNaN(v *float64) float64 {
	if v == nil {
		return math.NaN()
	}
	return *v
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

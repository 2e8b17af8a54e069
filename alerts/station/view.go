// Package station runs the pots: one step for one reading (append, fit,
// evaluate, publish), the maker's taps, restart in mid-batch. The daemon, the
// demo and replay share it.
package station

import (
	"time"

	"example.org/meltstation/alerts/plan"
)

// The types in this file are what a page sees, as JSON. Temperatures are °C,
// masses grams, times ahead seconds, times of day RFC 3339 UTC; the page turns
// them into the maker's units. A pointer that is null means "not known".

// Snapshot is the whole station at one moment: the first websocket message.
type Snapshot struct {
	Type     string        `json:"type"` // "snapshot"
	Seq      uint64        `json:"seq"`  // of the last update it contains
	Now      time.Time     `json:"now"`
	Name     string        `json:"name"`    // "The Boathouse"
	Version  string        `json:"version"` // of the program
	Demo     bool          `json:"demo"`
	Lapse    float64       `json:"lapse"` // how many times faster than life (1 outside the demo)
	Units    string        `json:"units"` // the station's default: "C" or "F"
	Mass     string        `json:"mass"`  // "g" or "oz"
	Role     string        `json:"role"`  // of whoever is looking: "maker" or "viewer"
	Pots     []PotView     `json:"pots"`
	Room     *ReadingView  `json:"room"`
	Channels []ChannelView `json:"channels"`
	Troubles []Trouble     `json:"troubles"` // what is wrong with the station itself
}

// Update is every later websocket message: one pot as it now stands, or
// something that just happened. Seq grows by one each time; a gap means the
// page must ask for a new snapshot.
type Update struct {
	Type     string        `json:"type"` // "pot", "reading", "notice", "event", "room", "channels", "troubles", "batches", "bye"
	Seq      uint64        `json:"seq"`
	Now      time.Time     `json:"now"`
	Pot      *PotView      `json:"pot,omitempty"`     // "pot": everything but the curve, after each step at most once a second
	PotID    string        `json:"pot_id,omitempty"`  // "reading", "notice", "event"
	Reading  *ReadingView  `json:"reading,omitempty"` // "reading", "room"
	Notice   *NoticeView   `json:"notice,omitempty"`  // "notice": one transition, to be sounded or silenced
	Event    *plan.Event   `json:"event,omitempty"`
	Channels []ChannelView `json:"channels,omitempty"`
	Troubles []Trouble     `json:"troubles,omitempty"`
	Reason   string        `json:"reason,omitempty"` // "bye": why the server closes
}

// PotView is one pot.
type PotView struct {
	ID       string           `json:"id"`
	Name     string           `json:"name"`
	Batch    *BatchView       `json:"batch"`
	Reading  *ReadingView     `json:"reading"`   // last one from the pot's probe, of any quality
	LastGood *ReadingView     `json:"last_good"` // last good one
	Probes   []ReadingView    `json:"probes"`    // every probe of the pot
	Trend    *float64         `json:"trend"`     // °C per minute
	Stage    plan.Stage       `json:"stage"`
	StageAge float64          `json:"stage_age"` // s since the stage began
	HeatOn   bool             `json:"heat_on"`
	Next     *NextView        `json:"next"`              // the next thing to do
	Fan      []FanPoint       `json:"fan"`               // predicted path, up to the next target and a little beyond
	Bands    *plan.Thresholds `json:"bands"`             // null when no batch
	Notices  []NoticeView     `json:"notices"`           // standing alarms and cues, the most urgent first
	Events   []plan.Event     `json:"events"`            // of the batch, as they now hold, oldest first
	History  []plan.Event     `json:"history,omitempty"` // every event as it came, with the corrections and withdrawals; absent while there are none
	Asked    []string         `json:"asked"`             // ids of detected events that wait for "yes, that's right"
	Taps     []plan.EventKind `json:"taps"`              // what may be tapped now, the likeliest first
	Stamp    uint64           `json:"stamp"`             // send it back with a tap: a tap for another stamp's stage is refused as stale
}

// ReadingView is one reading.
type ReadingView struct {
	Probe   string    `json:"probe"`
	Role    string    `json:"role"`
	At      time.Time `json:"at"`
	Age     float64   `json:"age"` // s
	Celsius *float64  `json:"celsius"`
	Quality string    `json:"quality"` // "good" or the reason it is suspect
	Detail  string    `json:"detail,omitempty"`
}

// NextView is the next thing to do and when.
type NextView struct {
	Key     string   `json:"key"`     // "scent-add", "stir-end", "warm-jars", "window-open", "pour", "window-close", "trim", "move", "cured"
	Celsius *float64 `json:"celsius"` // the temperature waited for; null for a timer
	Status  string   `json:"status"`  // a forecast.Status, or "timer"
	Reason  string   `json:"reason"`
	Eta     *float64 `json:"eta"` // s
	Lo      *float64 `json:"lo"`
	Hi      *float64 `json:"hi"`
	PReach  *float64 `json:"p_reach"`
	Grams   float64  `json:"grams,omitempty"` // fragrance to add, at scent-add
	// For the pour window: s that it will stay open from now (or from its opening).
	OpenFor *float64 `json:"open_for"`
	// And s that filling the containers still takes by the sheet; null = not known.
	Need *float64 `json:"need,omitempty"`
}

// FanPoint is the predicted temperature some seconds ahead, with its 90 % interval.
type FanPoint struct {
	Ahead float64 `json:"ahead"` // s
	Lo    float64 `json:"lo"`
	Mid   float64 `json:"mid"`
	Hi    float64 `json:"hi"`
}

// NoticeView is one standing alarm or cue, in words.
type NoticeView struct {
	Key      string    `json:"key"`
	Batch    string    `json:"batch,omitempty"` // code of the batch on the shelf that it is about; "" = what is in the pot
	Class    string    `json:"class"`           // "alarm" or "cue"
	Priority string    `json:"priority"`        // "urgent", "high", "low"
	State    string    `json:"state"`
	Why      string    `json:"why"`
	Since    time.Time `json:"since"`
	Age      float64   `json:"age"` // s
	FirstOut bool      `json:"first_out,omitempty"`
	Title    string    `json:"title"` // one short line, in the station's units
	Body     string    `json:"body"`  // what was seen
	Do       []string  `json:"do"`    // what to do now, and cautions
	Celsius  *float64  `json:"celsius"`
	Limit    *float64  `json:"limit"`
	Seconds  *float64  `json:"seconds"`
	Grams    float64   `json:"grams,omitempty"`
	Until    time.Time `json:"until,omitzero"` // of a shelved one
}

// BatchView is the batch in a pot.
type BatchView struct {
	ID      string      `json:"id"`
	Name    string      `json:"name"`
	Started time.Time   `json:"started"`
	Age     float64     `json:"age"` // s
	Sheet   *plan.Sheet `json:"sheet"`
	Like    string      `json:"like,omitempty"` // an earlier batch like it, to draw faintly behind
}

// ChannelView is one way to reach the maker.
type ChannelView struct {
	Name   string    `json:"name"`
	Kind   string    `json:"kind"` // "page", "webhook", "mail", "push", "pin"
	OK     bool      `json:"ok"`
	Tried  time.Time `json:"tried,omitzero"`
	Reason string    `json:"reason,omitempty"` // of the last failure
}

// Trouble is something wrong with the station itself.
type Trouble struct {
	Key  string `json:"key"`  // "store", "disk", "clock", "probe"
	Text string `json:"text"` // plain words with the mend
}

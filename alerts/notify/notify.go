// Package notify carries what alerts say to the maker: to the open page, a
// webhook, mail, Web Push, a buzzer or a lamp.
//
// Every channel has a queue and a goroutine of its own, so one that fails or
// hangs delays no other, and [Dispatcher.Post] never blocks. Quiet hours hold
// back cues, never an alarm. A channel may wait: it is used only when an alarm
// has not been acknowledged some seconds after it was raised, or when every
// channel before it has failed.
package notify

import (
	"context"
	"errors"
	"fmt"
	"time"

	"example.org/meltstation/alerts"
)

// Channel is one way to reach the maker.
//
// Send delivers one message or returns why it could not; it must respect ctx.
// It is called by one goroutine at a time, and once more at the same moment by
// a test of all channels. An error's text is shown to people and must hold no
// secret. An error that wraps [ErrRefused] is not tried again.
type Channel interface {
	Name() string // unique among the channels
	Kind() string // "page", "webhook", "mail", "push", "pin"
	Send(ctx context.Context, m Message) error
}

// Selective is a channel that has no use for every message.
type Selective interface {
	Wants(m Message) bool
}

// Runner is a channel with work of its own, which runs as long as the dispatcher.
type Runner interface {
	Run(ctx context.Context) error
}

// ErrRefused marks a failure that trying again can't mend.
var ErrRefused = errors.New("refused")

// Message is one notice on its way to the maker.
type Message struct {
	ID      string // the same for every attempt and every channel
	Station string // its name
	Notice  alerts.Notice
	Text    alerts.Text
	Made    time.Time // UTC
	Late    bool      // it comes because an earlier channel got no answer
	Test    bool      // a test of the channels; the Notice is empty
}

// Calls reports whether the message calls somebody: a fresh alarm or cue, a
// reminder, one that asks again, or a test.
func (m Message) Calls() bool { return m.Test || m.Notice.State == alerts.Unacked }

// Func makes a channel of a function, for the open page.
func Func(name, kind string, send func(ctx context.Context, m Message) error) Channel {
	return funcChannel{name, kind, send}
}

type funcChannel struct {
	name, kind string
	send       func(context.Context, Message) error
}

func (c funcChannel) Name() string                              { return c.name }
func (c funcChannel) Kind() string                              { return c.kind }
func (c funcChannel) Send(ctx context.Context, m Message) error { return c.send(ctx, m) }

// Route says when a channel is used.
type Route struct {
	Channel Channel
	After   time.Duration   // only when not acknowledged for this long; 0 = at once
	Least   alerts.Priority // of alarms; "" = every one
	NoCues  bool            // alarms only
	Always  bool            // told of cues in quiet hours too: an open page shows them without a sound
	Timeout time.Duration   // of one attempt; 0 = 15 s
	Queue   int             // messages that may wait; 0 = 100
}

// Quiet are the hours in which cues are held back until they end. Alarms never are.
type Quiet struct {
	From, To Clock          // From 22:00 To 7:00 goes over midnight; equal = none
	Zone     *time.Location // nil = the station's local time
}

// At reports whether it is quiet at a moment, and when that ends.
func (q Quiet) At(now time.Time) (bool, time.Time) {
	if q.From == q.To {
		return false, time.Time{}
	}
	zone := q.Zone
	if zone == nil {
		zone = time.Local
	}
	l := now.In(zone)
	day := func(add int, c Clock) time.Time {
		return time.Date(l.Year(), l.Month(), l.Day()+add, int(c)/60, int(c)%60, 0, 0, zone)
	}
	for add := -1; add <= 0; add++ {
		from, to := day(add, q.From), day(add, q.To)
		if q.To < q.From {
			to = day(add+1, q.To)
		}
		if !l.Before(from) && l.Before(to) {
			return true, to
		}
	}
	return false, time.Time{}
}

// Clock is a time of day in minutes after midnight, written "22:00".
type Clock int

// UnmarshalText reads "22:00".
func (c *Clock) UnmarshalText(b []byte) error {
	t, err := time.Parse("15:04", string(b))
	if err != nil {
		return fmt.Errorf("%q is no time of day: write it like 22:00", b)
	}
	*c = Clock(t.Hour()*60 + t.Minute())
	return nil
}

// MarshalText writes "22:00".
func (c Clock) MarshalText() ([]byte, error) { return []byte(c.String()), nil }

func (c Clock) String() string { return fmt.Sprintf("%02d:%02d", int(c)/60, int(c)%60) }

// ChannelStatus is how a channel does.
type ChannelStatus struct {
	Name    string
	Kind    string
	OK      bool      // the last attempt succeeded, or there was none
	Tried   time.Time // UTC; zero when never
	Reached time.Time // of the last success
	Reason  string    // of the last failure; "" when OK
	Waiting int       // messages in the queue
	Sent    uint64
	Failed  uint64 // attempts
	Dropped uint64 // cues given up, for age or a full queue, or messages the other end refused
	Merged  uint64 // transitions of an alarm passed over in a full queue for a later one of the same alarm
}

// Result is what a test of one channel gave.
type Result struct {
	Name string
	Kind string
	Took time.Duration
	Err  error
}

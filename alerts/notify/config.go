package notify

import (
	"errors"
	"fmt"
	"slices"
	"time"

	"example.org/meltstation/alerts"
	"example.org/meltstation/alerts/plan/units"
)

// Common is what every channel has in its set-up.
type Common struct {
	Name   string          `toml:"name"`    // unique; "" = the kind
	After  Wait            `toml:"after"`   // only when not acknowledged for this long; 0 = at once
	Least  alerts.Priority `toml:"least"`   // "urgent", "high" or "low": alarms at least so pressing
	NoCues bool            `toml:"no_cues"` // alarms only
}

// Route makes the channel's route.
func (c Common) Route(ch Channel) Route {
	return Route{Channel: ch, After: time.Duration(c.After), Least: c.Least, NoCues: c.NoCues}
}

func (c Common) title(kind string) string {
	if c.Name != "" {
		return c.Name
	}
	return kind
}

func (c Common) check(p *problems) {
	if c.After < 0 || time.Duration(c.After) > time.Hour {
		p.add("after", time.Duration(c.After).String(), "must be from 0 to 1 h")
	}
	if !slices.Contains([]alerts.Priority{"", alerts.Urgent, alerts.High, alerts.Low}, c.Least) {
		p.add("least", string(c.Least), `must be "urgent", "high" or "low"`)
	}
}

// Wait is a time written "90 s" or "2 min".
type Wait time.Duration

// UnmarshalText reads it.
func (w *Wait) UnmarshalText(b []byte) error {
	d, err := units.ParseDuration(string(b))
	if err != nil {
		return err
	}
	*w = Wait(d)
	return nil
}

// MarshalText writes it.
func (w Wait) MarshalText() ([]byte, error) {
	return []byte(units.ExactDuration(time.Duration(w))), nil
}

// FieldError is one field of a channel's set-up that can't be used.
type FieldError struct {
	Channel string
	Field   string // as in the configuration file
	Value   string // a secret is never shown
	Rule    string
}

func (e *FieldError) Error() string {
	return fmt.Sprintf("channel %q: %s is %q: %s", e.Channel, e.Field, e.Value, e.Rule)
}

type problems struct {
	channel string
	list    []error
}

func (p *problems) add(field, value, rule string) {
	p.list = append(p.list, &FieldError{p.channel, field, value, rule})
}

func (p *problems) err() error { return errors.Join(p.list...) }

// Hidden is the value of a [FieldError] that may hold a secret.
const Hidden = "(set, not shown)"

// hidden stands for a value that may be, or hold, a secret.
func hidden(s string) string {
	if s == "" {
		return ""
	}
	return Hidden
}

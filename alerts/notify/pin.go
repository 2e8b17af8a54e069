package notify

import (
	"context"
	"errors"
	"fmt"
	"sync"
	"time"

	"periph.io/x/conn/v3/gpio"
	"periph.io/x/conn/v3/gpio/gpioreg"
	"periph.io/x/host/v3"

	"example.org/meltstation/alerts"
)

// PinConfig is a buzzer or a lamp on a pin as the maker sets it up.
type PinConfig struct {
	Common
	Pin       string `toml:"pin"`        // the board's name for it, "GPIO17"
	ActiveLow bool   `toml:"active_low"` // it sounds when the pin is low
}

// Validate returns every broken field, joined.
func (c PinConfig) Validate() error {
	p := problems{channel: c.title("pin")}
	c.check(&p)
	if c.Pin == "" {
		p.add("pin", "", "must be the board's name for the pin, like GPIO17")
	}
	return p.err()
}

// OpenPin finds the pin on this board and makes its channel.
func OpenPin(c PinConfig) (*Pin, error) {
	if err := c.Validate(); err != nil {
		return nil, err
	}
	if _, err := host.Init(); err != nil {
		return nil, fmt.Errorf("looking for the board's pins: %w", err)
	}
	p := gpioreg.ByName(c.Pin)
	if p == nil {
		return nil, fmt.Errorf("channel %q: this board has no pin %q", c.title("pin"), c.Pin)
	}
	return NewPin(c, p)
}

// NewPin makes a channel of a pin, which it turns off.
func NewPin(c PinConfig, out gpio.PinOut) (*Pin, error) {
	if c.Pin == "" {
		c.Pin = out.Name()
	}
	if err := c.Validate(); err != nil {
		return nil, err
	}
	p := &Pin{c: c, out: out, wake: make(chan struct{}, 1), asking: map[name]alerts.Priority{}}
	if err := p.set(false); err != nil {
		return nil, err
	}
	return p, nil
}

// Pin sounds a buzzer or lights a lamp: on and off every half second while an
// urgent alarm is not acknowledged, twice every five seconds for another alarm,
// once for a cue. It is silent when all is acknowledged, and when it ends.
type Pin struct {
	c    PinConfig
	out  gpio.PinOut
	wake chan struct{}

	mu     sync.Mutex
	asking map[name]alerts.Priority
	once   bool // a cue waits for its one sound
	fault  error
}

var (
	_ Channel = (*Pin)(nil)
	_ Runner  = (*Pin)(nil)
)

// Name is the channel's name in the set-up.
func (p *Pin) Name() string { return p.c.title("pin") }

// Kind is "pin".
func (p *Pin) Kind() string { return "pin" }

const (
	half  = 500 * time.Millisecond
	blip  = 200 * time.Millisecond
	cycle = 5 * time.Second
)

// Send takes note of one message; the sound itself is made by Run. A test
// sounds at once.
func (p *Pin) Send(ctx context.Context, m Message) error {
	if m.Test {
		return p.play(ctx, []time.Duration{half, blip, half})
	}
	n := m.Notice
	p.mu.Lock()
	defer p.mu.Unlock()
	switch {
	case n.Class == alerts.Cue:
		p.once = p.once || n.State == alerts.Unacked
	case n.State == alerts.Unacked, n.State == alerts.LatchedUnack, n.State == alerts.ReturnedUnack:
		p.asking[nameOf(n)] = n.Priority
	default:
		delete(p.asking, nameOf(n))
	}
	select {
	case p.wake <- struct{}{}:
	default:
	}
	err := p.fault
	p.fault = nil
	return err
}

// Run sounds until ctx ends.
func (p *Pin) Run(ctx context.Context) error {
	defer p.set(false)
	for {
		pattern, rest := p.pattern()
		if pattern != nil {
			if err := p.play(ctx, pattern); err != nil && ctx.Err() == nil {
				p.mu.Lock()
				p.fault = err
				p.mu.Unlock()
				rest = cycle
			}
		}
		var after <-chan time.Time
		t := time.NewTimer(max(rest, time.Millisecond))
		if rest > 0 {
			after = t.C
		}
		select {
		case <-ctx.Done():
			t.Stop()
			return p.set(false)
		case <-p.wake:
		case <-after:
		}
		t.Stop()
	}
}

// pattern is what to play now, on and off in turn, and the rest after it; 0 is
// until something new comes.
func (p *Pin) pattern() ([]time.Duration, time.Duration) {
	p.mu.Lock()
	defer p.mu.Unlock()
	var urgent, other bool
	for _, pr := range p.asking {
		urgent = urgent || pr == alerts.Urgent
		other = true
	}
	once := p.once
	p.once = false
	switch {
	case urgent:
		return []time.Duration{half}, half
	case other:
		return []time.Duration{blip, blip, blip}, cycle - 3*blip
	case once:
		return []time.Duration{half}, 0
	}
	return nil, 0
}

func (p *Pin) play(ctx context.Context, pattern []time.Duration) error {
	for i, d := range pattern {
		if err := p.set(i%2 == 0); err != nil {
			return err
		}
		t := time.NewTimer(d)
		select {
		case <-ctx.Done():
			t.Stop()
			return errors.Join(p.set(false), ctx.Err())
		case <-t.C:
		}
	}
	return p.set(false)
}

func (p *Pin) set(on bool) error {
	if err := p.out.Out(gpio.Level(on != p.c.ActiveLow)); err != nil {
		return fmt.Errorf("switching pin %s: %w", p.c.Pin, err)
	}
	return nil
}

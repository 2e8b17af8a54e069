package sim

import (
	"slices"
	"time"

	"example.org/meltstation/probe"
)

// What can go wrong in a batch.
const (
	LiftProbe   = "lift"        // the wax probe is out of the wax
	UnplugProbe = "unplug"      // the wax probe's plug comes loose
	StickProbe  = "stick"       // the wax probe repeats its last number
	BoilDry     = "boil-dry"    // the bath is suddenly empty
	BareFlame   = "bare-flame"  // the jug stands on the flame without a bath
	OpenWindow  = "draught"     // moving air over the bench
	ForgetHeat  = "forget-heat" // the jug is put back over the flame and left there
)

// Incident is one thing that goes wrong, some time after something was done.
type Incident struct {
	What  string
	After string        // what the maker did: "start", "scent-added", "jug-out"
	In    time.Duration // after it
	For   time.Duration // how long; 0 = until somebody acts
	Value float64       // W for BareFlame
}

// Typical is an incident of a kind at a moment when it matters, as the demo
// shows it. It reports false for a kind that there is not.
func Typical(what string) (Incident, bool) {
	i := map[string]Incident{
		LiftProbe:   {After: doJugOut, In: 8 * time.Minute, For: 3 * time.Minute},
		UnplugProbe: {After: doStart, In: 12 * time.Minute, For: 2 * time.Minute},
		StickProbe:  {After: doJugOut, In: 5 * time.Minute, For: 15 * time.Minute},
		BoilDry:     {After: doStart, In: 14 * time.Minute},
		BareFlame:   {After: doJugOut, In: 5 * time.Minute, For: 15 * time.Minute, Value: 900},
		OpenWindow:  {After: doJugOut, In: 10 * time.Minute, For: 10 * time.Minute},
		ForgetHeat:  {After: doJugOut, In: 2 * time.Minute},
	}[what]
	i.What = what
	return i, i.After != ""
}

// MishapKinds are the kinds of incident there are.
func MishapKinds() []string {
	return []string{LiftProbe, UnplugProbe, StickProbe, BoilDry, BareFlame, OpenWindow, ForgetHeat}
}

// Mishaps lets incidents befall a bench. One goroutine at a time.
type Mishaps struct {
	bench *Bench
	maker *Maker
	open  []incident
}

type incident struct {
	Incident
	from time.Duration // -1 = waits
}

// NewMishaps has incidents wait for what the maker does.
func NewMishaps(b *Bench, m *Maker, incidents []Incident) *Mishaps {
	ms := &Mishaps{bench: b, maker: m}
	for _, i := range incidents {
		ms.open = append(ms.open, incident{i, -1})
	}
	return ms
}

// Step begins and ends what is due. now is the time that the maker goes by.
func (ms *Mishaps) Step(now time.Duration) {
	ms.open = slices.DeleteFunc(ms.open, func(x incident) bool {
		return x.from >= 0 && now >= x.from+x.For && ms.befall(x.Incident, false)
	})
	for i := range ms.open {
		x := &ms.open[i]
		if did := ms.maker.Did(x.After); x.from < 0 && did >= 0 && now >= did+x.In {
			x.from = now
			ms.befall(x.Incident, true)
		}
	}
}

// befall begins or ends an incident; it reports whether the incident is over.
func (ms *Mishaps) befall(i Incident, on bool) bool {
	if !on && i.For == 0 {
		return true
	}
	switch i.What {
	case LiftProbe:
		ms.bench.Lift(on)
	case UnplugProbe:
		ms.bench.With(probe.RolePot, func(s *Sensor) { s.Unplug(on) })
	case StickProbe:
		ms.bench.With(probe.RolePot, func(s *Sensor) { s.Stick(on) })
	case BoilDry:
		if on {
			ms.bench.Do((*Pot).Drain)
		}
	case BareFlame:
		ms.bench.Do(func(p *Pot) {
			if on && p.Grams() > 100 {
				p.BareFlame(i.Value)
			} else if !on {
				p.BareFlame(0)
			}
		})
	case OpenWindow:
		ms.bench.Do(func(p *Pot) { p.Draught(on) })
	case ForgetHeat:
		if on {
			ms.bench.Do(func(p *Pot) { p.JugIn(); p.HeatOn() })
		}
	}
	return !on
}

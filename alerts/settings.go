package alerts

import (
	"errors"
	"fmt"
	"time"
)

// Settings are the numbers that a maker may change. The zero value is not
// usable: start from [DefaultSettings].
type Settings struct {
	CueLead  time.Duration // lead of the "soon" cues when the batch's sheet sets none
	WarmJars time.Duration // lead of warm-jars before the window opens when the sheet sets none

	ApproachLead  time.Duration // flash-approach: the rate says the limit is this near
	BathMargin    float64       // K above the bath's boiling point at which it must have boiled dry
	HeatOffAfter  time.Duration // heat-left-on: this long after the stirring is over
	LostAfter     time.Duration // probe-lost: no good reading for this long
	DisagreeBy    float64       // K between two probes in one pot
	HotAbove      float64       // °C from which wax counts as hot
	UnattendedFor time.Duration // unattended-heat: nobody touched the station for this long
	ClockStepMin  time.Duration // smaller steps of the wall clock are nothing
	DiskMin       int64         // bytes that must stay free
	CongealMargin float64       // K above the congealing point at which congealing comes
	WicksAfter    time.Duration // after pouring
	StaleAfter    time.Duration // a good reading older than this says nothing about now
	Together      time.Duration // alarms raised within this of the first came together

	// Rules changes single rules, by key; a nil field keeps the catalogue's value.
	Rules map[string]Tuning
}

// Tuning overrides the catalogue for one rule.
type Tuning struct {
	OnDelay  *time.Duration // the condition must hold for this long
	OffDelay *time.Duration // and be over for this long
	Deadband *float64       // K (or per cent of free disk) by which it must fall back
	Remind   *time.Duration // 0 = never
}

// DefaultSettings are sound for a kitchen with one or two pots. Delays and
// deadbands of temperature alarms start from 1 % of the span and 60 s, the
// starting values usually given with ISA-18.2 and EEMUA 191 for temperature
// (from memory); the rest is common practice, no source.
func DefaultSettings() Settings {
	return Settings{
		CueLead:  2 * time.Minute,
		WarmJars: 10 * time.Minute,

		ApproachLead:  2 * time.Minute,
		BathMargin:    3,
		HeatOffAfter:  time.Minute,
		LostAfter:     15 * time.Second,
		DisagreeBy:    5,
		HotAbove:      60,
		UnattendedFor: 20 * time.Minute,
		ClockStepMin:  2 * time.Second,
		DiskMin:       200 << 20,
		CongealMargin: 2,
		WicksAfter:    10 * time.Minute,
		StaleAfter:    30 * time.Second,
		Together:      time.Minute,
	}
}

// SettingError is one setting that can't be used.
type SettingError struct {
	Field string // as in Settings
	Value string
	Rule  string // what it must be
}

func (e *SettingError) Error() string {
	return fmt.Sprintf("%s is %s: %s", e.Field, e.Value, e.Rule)
}

// Validate returns every broken setting, joined, each a *[SettingError].
func (s Settings) Validate() error {
	var errs []error
	bad := func(field string, value any, rule string) {
		errs = append(errs, &SettingError{field, fmt.Sprint(value), rule})
	}
	span := func(field string, v, lo, hi time.Duration) {
		if v < lo || v > hi {
			bad(field, v, fmt.Sprintf("must be from %v to %v", lo, hi))
		}
	}
	num := func(field string, v, lo, hi float64) {
		if !(v >= lo && v <= hi) {
			bad(field, v, fmt.Sprintf("must be from %v to %v", lo, hi))
		}
	}
	span("CueLead", s.CueLead, 30*time.Second, time.Hour)
	span("WarmJars", s.WarmJars, time.Minute, 2*time.Hour)
	span("ApproachLead", s.ApproachLead, 30*time.Second, 15*time.Minute)
	num("BathMargin", s.BathMargin, 1, 15)
	span("HeatOffAfter", s.HeatOffAfter, 15*time.Second, 30*time.Minute)
	span("LostAfter", s.LostAfter, 3*time.Second, 2*time.Minute)
	num("DisagreeBy", s.DisagreeBy, 1, 30)
	num("HotAbove", s.HotAbove, 30, 90)
	span("UnattendedFor", s.UnattendedFor, time.Minute, 2*time.Hour)
	span("ClockStepMin", s.ClockStepMin, 100*time.Millisecond, time.Hour)
	if s.DiskMin < 0 {
		bad("DiskMin", s.DiskMin, "must not be negative")
	}
	num("CongealMargin", s.CongealMargin, 0, 15)
	span("WicksAfter", s.WicksAfter, 0, 3*time.Hour)
	span("StaleAfter", s.StaleAfter, 3*time.Second, 5*time.Minute)
	span("Together", s.Together, time.Second, 10*time.Minute)
	for key, t := range s.Rules {
		r, ok := find(key)
		if !ok {
			bad("Rules", key, "there is no such alarm or cue")
			continue
		}
		at := "Rules." + key
		if t.OnDelay != nil {
			if r.Latching && *t.OnDelay != 0 {
				bad(at+".OnDelay", *t.OnDelay, "a dangerous alarm may not be delayed")
			}
			span(at+".OnDelay", *t.OnDelay, 0, 10*time.Minute)
		}
		if t.OffDelay != nil {
			least := time.Duration(0)
			if r.Class == Alarm {
				least = 60 * time.Second // so that none toggles more than once a minute
			}
			span(at+".OffDelay", *t.OffDelay, least, time.Hour)
		}
		if t.Deadband != nil {
			num(at+".Deadband", *t.Deadband, 0, 20)
		}
		if t.Remind != nil {
			span(at+".Remind", *t.Remind, 0, 24*time.Hour)
		}
	}
	return errors.Join(errs...)
}

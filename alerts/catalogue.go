package alerts

import (
	"slices"
	"time"
)

// Keys of the alarms.
const (
	KeyFlashMargin    = "flash-margin"
	KeyBoiledDry      = "boiled-dry"
	KeyFlashApproach  = "flash-approach"
	KeyTooHotForScent = "too-hot-for-scent"
	KeyScorch         = "scorch"
	KeyHeatLeftOn     = "heat-left-on"
	KeyUnattended     = "unattended-heat"
	KeyProbeLost      = "probe-lost"
	KeyProbeSuspect   = "probe-suspect"
	KeyProbesDisagree = "probes-disagree"
	KeyStoreFailing   = "store-failing"
	KeyDiskLow        = "disk-low"
	KeyClockStepped   = "clock-stepped"
)

// Keys of the cues, in the order of a batch.
const (
	KeyScentCaution  = "scent-caution"
	KeyScentDue      = "scent-due"
	KeyScentNow      = "scent-now"
	KeyStirEnd       = "stir-end"
	KeyWarmJars      = "warm-jars"
	KeyWindowOpening = "window-opening"
	KeyPourNow       = "pour-now"
	KeyWindowClosing = "window-closing"
	KeyWindowClosed  = "window-closed"
	KeyCongealing    = "congealing"
	KeyReheated      = "reheated"
	KeyWicks         = "wicks"
	KeyTrim          = "trim"
	KeyMove          = "move"
	KeyCured         = "cured"
)

// Rule is one alarm or cue, as the catalogue has it.
type Rule struct {
	Key       string        `json:"key"`
	Class     Class         `json:"class"`
	Priority  Priority      `json:"priority"`
	Latching  bool          `json:"latching"`            // stays until acknowledged and reset
	OnDelay   time.Duration `json:"on_delay"`            // the condition must hold for this long
	OffDelay  time.Duration `json:"off_delay"`           // and be over for this long
	OffMost   time.Duration `json:"off_most,omitempty"`  // when it comes and goes the off-delay doubles each time, up to this; 0 = it doesn't
	Deadband  float64       `json:"deadband"`            // K by which it must fall back (disk-low: per cent)
	Remind    time.Duration `json:"remind"`              // acknowledged and still true: asks again after this; 0 = never
	ShelveMax time.Duration `json:"shelve_max"`          // longest shelf; 0 = may not be shelved
	UnderKey  string        `json:"under_key,omitempty"` // suppressed by design while this one is active
	About     string        `json:"about"`               // when it comes, in one sentence
}

func (r Rule) cycle() cycle {
	switch {
	case r.Class == Cue:
		return promptCycle
	case r.Latching:
		return latchCycle
	}
	return plainCycle
}

// rule is a Rule with the condition that raises it.
type rule struct {
	Rule
	judge func(w *Watch, f *Facts, it *item) finding
}

// Catalogue lists every rule, alarms first, the most urgent first, then the
// cues in the order of a batch. The order also decides which of several alarms
// raised by one reading is the first-out.
func Catalogue() []Rule {
	rules := catalogue()
	out := make([]Rule, len(rules))
	for i, r := range rules {
		out[i] = r.Rule
	}
	return out
}

func find(key string) (Rule, bool) {
	all := Catalogue()
	i := slices.IndexFunc(all, func(r Rule) bool { return r.Key == key })
	if i < 0 {
		return Rule{}, false
	}
	return all[i], true
}

// catalogue is a function, not a variable, so that nothing can change it.
//
// Every alarm's off-delay is at least 60 s, so that none can toggle more than
// once a minute whatever the noise; the deadband makes it rarer. An alarm that
// needs action whenever its limit is reached has no on-delay (the committee's
// advice on ISA-18.2: then the off-delay does the work). A probe that comes and
// goes is one alarm, not twenty: those wait longer before they clear.
func catalogue() []rule {
	const (
		s = time.Second
		m = time.Minute
		h = time.Hour
	)
	return []rule{
		{Rule{Key: KeyFlashMargin, Class: Alarm, Priority: Urgent, Latching: true, OffDelay: 60 * s, Deadband: 2, Remind: 2 * m, ShelveMax: 5 * m,
			About: "Wax with fragrance in it comes within the set margin of the lowest flash point in the blend."}, judgeFlashMargin},
		{Rule{Key: KeyBoiledDry, Class: Alarm, Priority: Urgent, Latching: true, OffDelay: 60 * s, Deadband: 2, Remind: 2 * m, ShelveMax: 5 * m,
			About: "The wax or the bath is hotter than boiling water can make it, so the bath has no water."}, judgeBoiledDry},
		{Rule{Key: KeyFlashApproach, Class: Alarm, Priority: High, OnDelay: 3 * s, OffDelay: 60 * s, Remind: 5 * m, ShelveMax: 5 * m, UnderKey: KeyFlashMargin,
			About: "At the rate it is heating now, wax with fragrance in it will reach the flash-point limit within the set time."}, judgeFlashApproach},
		{Rule{Key: KeyTooHotForScent, Class: Alarm, Priority: High, OffDelay: 60 * s, Deadband: 2, Remind: 5 * m, ShelveMax: 15 * m,
			About: "Nobody has said that the fragrance is in, and the wax is past scent-add and past the flash-point limit."}, judgeTooHotForScent},
		{Rule{Key: KeyScorch, Class: Alarm, Priority: High, OffDelay: 60 * s, Deadband: 2, Remind: 5 * m, ShelveMax: 15 * m,
			About: "The wax is hotter than it can bear without spoiling."}, judgeScorch},
		{Rule{Key: KeyHeatLeftOn, Class: Alarm, Priority: High, OnDelay: 5 * s, OffDelay: 60 * s, Remind: 5 * m, ShelveMax: 15 * m,
			About: "The fragrance is stirred in, the set time has gone by, and the heat is still on, or the wax is still warming."}, judgeHeatLeftOn},
		{Rule{Key: KeyUnattended, Class: Alarm, Priority: High, OffDelay: 60 * s, Remind: 5 * m, ShelveMax: 30 * m,
			About: "The heat is on, the wax is hot and nobody has touched the station for the set time."}, judgeUnattended},
		{Rule{Key: KeyProbeLost, Class: Alarm, Priority: High, OffDelay: 2 * m, OffMost: 30 * m, Remind: 5 * m, ShelveMax: 30 * m,
			About: "A probe in the wax has given no good reading for the set time while the heat is on or the wax is hot."}, judgeProbeLost},
		{Rule{Key: KeyProbeSuspect, Class: Alarm, Priority: Low, OnDelay: 5 * s, OffDelay: 5 * m, OffMost: 30 * m, ShelveMax: 2 * h, UnderKey: KeyProbeLost,
			About: "Many readings of a probe in the wax can't be trusted while the heat is on or the wax is hot."}, judgeProbeSuspect},
		{Rule{Key: KeyProbesDisagree, Class: Alarm, Priority: Low, OnDelay: 60 * s, OffDelay: 60 * s, Deadband: 1, ShelveMax: 2 * h,
			About: "Two probes in one pot differ by more than the set amount."}, judgeProbesDisagree},
		{Rule{Key: KeyStoreFailing, Class: Alarm, Priority: Low, OnDelay: 5 * s, OffDelay: 60 * s, Remind: 30 * m, ShelveMax: 8 * h,
			About: "The batch can't be written to disk. Alarms and cues go on."}, judgeStoreFailing},
		{Rule{Key: KeyDiskLow, Class: Alarm, Priority: Low, OnDelay: 10 * s, OffDelay: 60 * s, Deadband: 10, ShelveMax: 24 * h,
			About: "The disk has less free space than the set minimum."}, judgeDiskLow},
		{Rule{Key: KeyClockStepped, Class: Alarm, Priority: Low, OffDelay: 60 * s, ShelveMax: 24 * h,
			About: "The station's clock was set forward or back. Timers and forecasts don't use it and are right."}, judgeClockStepped},

		{Rule{Key: KeyScentCaution, Class: Cue, Priority: High, OffDelay: 60 * s, ShelveMax: 8 * h,
			About: "Before the fragrance goes in: scent-add is within 16.7 °C (30 °F) of the lowest flash point."}, judgeScentCaution},
		{Rule{Key: KeyScentDue, Class: Cue, Priority: Low, OnDelay: 3 * s, OffDelay: 60 * s, ShelveMax: 8 * h,
			About: "The wax will reach scent-add within the set lead."}, judgeScentDue},
		{Rule{Key: KeyScentNow, Class: Cue, Priority: High, OffDelay: 60 * s, Deadband: 2, ShelveMax: 8 * h,
			About: "The wax has reached scent-add."}, judgeScentNow},
		{Rule{Key: KeyStirEnd, Class: Cue, Priority: High, ShelveMax: 8 * h,
			About: "The stirring time is over."}, judgeStirEnd},
		{Rule{Key: KeyWarmJars, Class: Cue, Priority: Low, OnDelay: 3 * s, OffDelay: 60 * s, ShelveMax: 8 * h,
			About: "The pour window will open within the time that the jars need to warm."}, judgeWarmJars},
		{Rule{Key: KeyWindowOpening, Class: Cue, Priority: Low, OnDelay: 3 * s, OffDelay: 60 * s, ShelveMax: 8 * h,
			About: "The pour window will open within the set lead, or is open above the best pour temperature."}, judgeWindowOpening},
		{Rule{Key: KeyPourNow, Class: Cue, Priority: High, OffDelay: 60 * s, Deadband: 1.5, ShelveMax: 8 * h,
			About: "The wax has cooled to the best pour temperature."}, judgePourNow},
		{Rule{Key: KeyWindowClosing, Class: Cue, Priority: High, OnDelay: 3 * s, OffDelay: 60 * s, ShelveMax: 8 * h,
			About: "The wax will be too cool to pour within the set lead."}, judgeWindowClosing},
		{Rule{Key: KeyWindowClosed, Class: Cue, Priority: High, OffDelay: 60 * s, Deadband: 1, ShelveMax: 8 * h,
			About: "The wax is too cool to pour and must be warmed again."}, judgeWindowClosed},
		{Rule{Key: KeyCongealing, Class: Cue, Priority: High, OffDelay: 60 * s, Deadband: 1, ShelveMax: 8 * h,
			About: "The wax in the jug is about to set."}, judgeCongealing},
		{Rule{Key: KeyReheated, Class: Cue, Priority: High, OffDelay: 60 * s, Deadband: 2, ShelveMax: 8 * h,
			About: "Wax that was warmed again is back at the top of the pour window."}, judgeReheated},
		{Rule{Key: KeyWicks, Class: Cue, Priority: Low, ShelveMax: 24 * h,
			About: "Some minutes after pouring: look whether the wicks stand straight."}, judgeWicks},
		{Rule{Key: KeyTrim, Class: Cue, Priority: Low, ShelveMax: 24 * h,
			About: "The candles have set long enough to trim the wicks."}, judgeTrim},
		{Rule{Key: KeyMove, Class: Cue, Priority: Low, ShelveMax: 48 * h,
			About: "The candles may leave the bench."}, judgeMove},
		{Rule{Key: KeyCured, Class: Cue, Priority: Low, ShelveMax: 48 * h,
			About: "The candles are cured: they may be burnt or sent."}, judgeCured},
	}
}

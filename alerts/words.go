package alerts

import (
	"math"
	"strings"
	"time"

	"example.org/meltstation/alerts/plan/units"
	"example.org/meltstation/probe"
)

// Text is a notice in words: one short line to read from across the room, what
// was seen, and what to do, each a sentence.
type Text struct {
	Title string
	Body  string
	Do    []string
}

// Units are the maker's.
type Units struct {
	Temperature string  // units.C or units.F; "" is °C
	Mass        string  // units.Grams or units.Ounces; "" is grams
	MassStep    float64 // grams that the maker's scale can show; 0 = a gram, or a tenth below 100 g
	Language    string  // "en"; what has no words yet is said in English
	// Probes are the names that the maker gave to probes, by id.
	Probes map[string]string
}

// Words puts a notice into words.
func Words(n Notice, u Units) Text {
	lang, ok := languages[u.Language]
	if !ok {
		lang = english
	}
	p, ok := lang.phrases[n.Key]
	if !ok {
		return Text{Title: n.Key, Body: n.Detail}
	}
	fill := lang.filler(n, u)
	t := Text{Title: p.title, Body: p.body, Do: p.do}
	switch {
	case n.State == Shelved:
		t = Text{Title: lang.shelved, Body: lang.shelvedBody}
	case n.State == OutOfService:
		t = Text{Title: lang.removed, Body: lang.removedBody}
	case n.Class == Alarm && !n.on():
		t = Text{Title: lang.over, Body: p.body}
		switch n.State {
		case LatchedUnack, LatchedAck:
			t.Do = lang.latched
		case ReturnedUnack:
			t.Do = lang.returned
		}
	case p.then != nil:
		if q := p.then(n); q != nil {
			t = Text{Title: q.title, Body: q.body, Do: q.do}
		}
	}
	if p.asksScent && n.Grams > 0 {
		t.Body += " " + lang.unscented
		t.Do = append([]string{lang.scentIt}, t.Do...)
	}
	t.Title, t.Body = fill(t.Title), fill(t.Body)
	do := make([]string, 0, len(t.Do))
	for _, d := range t.Do {
		do = append(do, fill(d))
	}
	t.Do = do
	return t
}

// on reports whether the alarm is raised and its cause not over.
func (n Notice) on() bool { return n.State == Unacked || n.State == Acked }

// wellPastScent is how far past scent-add the wax no longer is at it. Fragrance
// put into hotter wax leaves with the vapour: common practice, no source.
const wellPastScent = 5 // K

// phrase is one alarm or cue. A word in braces is replaced by its value.
type phrase struct {
	name        string // for when it is over or put aside; "" = the title
	title, body string
	do          []string
	asksScent   bool                 // grams of fragrance are not noted as in: ask
	then        func(Notice) *phrase // another phrase for some notices; nil result = this one
}

// below is another phrase for an alarm that stands though the wax is under its
// limit again: not far enough, or not for long enough.
func below(title, body string, do ...string) func(Notice) *phrase {
	return func(n Notice) *phrase {
		if n.Limit <= 0 || n.Celsius <= 0 || n.Celsius >= n.Limit {
			return nil
		}
		return &phrase{title: title, body: body, do: do}
	}
}

// language holds every string that a maker reads about alarms and cues.
type language struct {
	phrases                map[string]phrase
	faults                 map[probe.Quality]string
	over                   string // title of an alarm whose cause is gone
	latched, returned      []string
	shelved, shelvedBody   string
	removed, removedBody   string
	noTemp, about, between string
	now                    string
	methodNotStated        string
	someOil, someProbe     string
	unscented, scentIt     string
}

var languages = map[string]language{"": english, "en": english}

// English. What to do about burning wax is the usual advice of fire services and
// of the candle trade (candles.org: smother, never add water); it defers to the
// suppliers' sheets and to the people whose trade it is.
const (
	heatOff   = "Turn the heat off now."
	noWater   = "Never put water on hot wax."
	smother   = "If it smokes or burns: heat off, and slide a lid over it to smother it if you can do so safely. Don't carry it."
	leave     = "If it keeps burning: leave, close the door and call for help."
	aidOnly   = "This station is an aid, not a safety device: trust your eyes and nose first."
	lookAtWax = "Go and look at the wax now."
)

var english = language{
	over:        "Over: {name}",
	latched:     []string{"Look at the wax before you go on.", "This alarm stays until you acknowledge and reset it."},
	returned:    []string{"Acknowledge it, so that the next one is seen."},
	shelved:     "Put aside: {name}",
	shelvedBody: "It will ask again if it is still true when the time is over.",
	removed:     "Out of service: {name}",
	removedBody: "Reason: {reason}. It says nothing until you put it back.",
	noTemp:      "not known",
	about:       "about {x}",
	between:     "about {x} ({lo} to {hi})",
	now:         "now",

	methodNotStated: "method not stated",
	someOil:         "the fragrance",
	someProbe:       "the probe",

	unscented: "\"Scent is in\" was never tapped: is the fragrance in?",
	scentIt:   "If the {grams} of fragrance are in, tap \"Scent is in\". If not, tap \"Heat on again\", warm the wax to scent-add and put them in.",

	faults: map[probe.Quality]string{
		probe.BadCRC:         "its answers arrive damaged; look at the cable and its length",
		probe.PowerOnReset:   "it keeps restarting; look at its supply wire",
		probe.OutOfRange:     "it gives a temperature that can't be; look at the plug and the type",
		probe.ImpossibleRate: "its temperature jumps faster than wax can",
		probe.Stuck:          "its temperature has not moved at all",
		probe.OpenCircuit:    "the thermocouple is broken or unplugged",
		probe.Shorted:        "it is shorted; look for wet or crushed wires",
		probe.Stale:          "it has stopped answering",
		probe.NoDevice:       "it is not attached",
		probe.Garbled:        "what it sends can't be read; look at the cable and the speed",
	},

	phrases: map[string]phrase{
		KeyFlashMargin: {
			name:  "Wax too hot near the flash point",
			title: "TOO HOT: {temp}. Heat off now",
			body:  "The wax with fragrance is at {temp}. The limit is {limit}: {oil} can give off vapour that burns from {flash} ({method}).",
			do:    []string{heatOff, "Lift the jug out of the bath if you can do so safely. Keep flames and sparks away.", smother, noWater, leave, aidOnly},
			then: below("Still too hot: {temp}. Heat off",
				"The wax with fragrance was over the limit of {limit} and is at {temp}, still too close to it: {oil} can give off vapour that burns from {flash} ({method}).",
				heatOff, "Keep flames and sparks away.", smother, noWater, leave, aidOnly),
		},
		KeyBoiledDry: {
			name:  "Bath boiled dry",
			title: "BATH BOILED DRY? {temp}. Heat off now",
			body:  "{temp} is more than boiling water can give (limit {limit}): the bath has run dry, or the pot stands on the heat.",
			do:    []string{heatOff, "Let it cool before you add water to the bath, and never into the wax.", smother, noWater, leave, aidOnly},
			then: below("Bath boiled dry? {temp}. Heat off",
				"It was over {limit}, more than boiling water can give, and is at {temp}, still too close to it: the bath has run dry, or the pot stands on the heat.",
				heatOff, "Let it cool before you add water to the bath, and never into the wax.", smother, noWater, leave, aidOnly),
		},
		KeyFlashApproach: {
			name:  "Heating too fast",
			title: "Heating too fast: limit in {soon}",
			body:  "The wax with fragrance is at {temp} and will reach its limit of {limit} in {in}.",
			do:    []string{heatOff, "Lift the jug out of the bath if you can do so safely.", noWater, aidOnly},
			then: func(n Notice) *phrase {
				if n.Seconds > 0 {
					return nil
				}
				return &phrase{title: "Heated too fast: {temp}, limit {limit}",
					body: "The wax with fragrance is at {temp} and was heading for its limit of {limit}.",
					do:   []string{heatOff, "Lift the jug out of the bath if you can do so safely.", noWater, aidOnly}}
			},
		},
		KeyTooHotForScent: {
			name:  "Too hot for the fragrance",
			title: "Too hot for the fragrance: {temp}",
			body:  "The wax is at {temp}, over the limit of {limit}: {oil} can give off vapour that burns from {flash} ({method}).",
			do:    []string{"If the fragrance is in: heat off now, and tap \"Scent is in\".", "If it is not: turn the heat off and let the wax cool to scent-add first.", noWater, aidOnly},
			then: below("Still too hot for the fragrance: {temp}",
				"The wax was over the limit of {limit} and is at {temp}, still too close to it: {oil} can give off vapour that burns from {flash} ({method}).",
				"If the fragrance is in: heat off now, and tap \"Scent is in\".", "If it is not: turn the heat off and let the wax cool to scent-add first.", noWater, aidOnly),
		},
		KeyScorch: {
			name:  "Wax too hot",
			title: "Wax too hot: {temp}",
			body:  "The wax is at {temp}. Above {limit} it spoils: it yellows and holds scent less well.",
			do:    []string{"Turn the heat down or off.", "If it smokes: heat off, lid on if you can do so safely, and stay away from it.", noWater, aidOnly},
			then: below("Wax still too hot: {temp}",
				"The wax was over {limit}, where it spoils, and is at {temp}, still too close to it.",
				"Turn the heat down or off.", "If it smokes: heat off, lid on if you can do so safely, and stay away from it.", noWater, aidOnly),
		},
		KeyHeatLeftOn: {
			name:  "Heat left on",
			title: "Is the heat still on?",
			body:  "The fragrance is in and the heat has not been turned off. The wax is at {temp}.",
			do:    []string{"Turn the heat off and tap \"Heat off\".", "Lift the jug out of the bath.", aidOnly},
			then: func(n Notice) *phrase {
				if n.Detail != "warming" {
					return nil
				}
				return &phrase{title: "The wax is still warming",
					body: "The heat was tapped off, but the wax is at {temp} and rising.",
					do:   []string{"Check that the heat is really off.", "Lift the jug out of the bath.", aidOnly}}
			},
		},
		KeyUnattended: {
			name:  "Nobody with the wax",
			title: "Is anyone with the wax?",
			body:  "The wax is at {temp} and nobody has touched the station for {in}.",
			do:    []string{lookAtWax, "Tap the page to say that you are there. If you must leave: heat off first.", aidOnly},
		},
		KeyProbeLost: {
			name:  "No temperature from {probe}",
			title: "No temperature from {probe}",
			body:  "There has been no good reading for {in}: {fault}. The last good one was {temp}.",
			then: func(n Notice) *phrase {
				if n.Detail != "back" {
					return nil
				}
				return &phrase{title: "{probe} is back", body: "It says {temp} again. This alarm clears when it has stayed for a while.",
					do: []string{"Check its plug and its cable before it goes again."}}
			},
			do: []string{"Until it is back nothing watches the wax: stay with it, use another thermometer or turn the heat off.", "Check the probe, its plug and its cable.", aidOnly},
		},
		KeyProbeSuspect: {
			name:  "{probe} can't be trusted",
			title: "Don't trust {probe}",
			body:  "Many of its readings are doubtful: {fault}.",
			do:    []string{"Check it against another thermometer.", "Check the probe, its plug and its cable."},
		},
		KeyProbesDisagree: {
			name:  "Two probes disagree",
			title: "Two probes disagree",
			body:  "{probe} says {temp} and {detail} says {limit}, in the same wax. Alarms go by the hotter one.",
			do:    []string{"Stir, and see that both are in the wax and touch neither the bottom nor the wall.", "If they still differ, calibrate both."},
		},
		KeyStoreFailing: {
			name:  "Batch not being saved",
			title: "The batch is not being saved",
			body:  "Writing fails: {detail}. Alarms and cues go on; the record is kept in memory for a while.",
			do:    []string{"Free some disk space, or check the card or disk.", "Don't switch the station off before that."},
		},
		KeyDiskLow: {
			name:  "Disk nearly full",
			title: "Disk nearly full",
			body:  "{detail} are left. When none is, the batch can't be saved; alarms and cues go on.",
			do:    []string{"Free some disk space."},
		},
		KeyClockStepped: {
			name:  "Clock changed",
			title: "The clock was changed",
			body:  "The station's clock moved by {detail}. Timers, cues and forecasts don't use it and stay right.",
			do:    []string{"Check that the time of day shown is right."},
		},

		KeyScentCaution: {
			name:  "Scent-add near the flash point",
			title: "Careful: scent-add is near the flash point",
			body:  "The fragrance goes in at {limit}. {oil} can give off vapour that burns from {flash} ({method}).",
			do:    []string{"Keep flames and sparks away while you add it. Read the supplier's sheet.", "Turn the heat off before you add it.", noWater, aidOnly},
		},
		KeyScentDue: {
			name:  "Fragrance soon",
			title: "Fragrance in {soon}",
			body:  "The wax is at {temp} and will reach {limit} in {in}.",
			do:    []string{"Weigh {grams} of fragrance."},
			then: func(n Notice) *phrase {
				if n.Grams > 0 {
					return nil
				}
				return &phrase{title: "At temperature in {soon}", body: "The wax is at {temp} and will reach {limit} in {in}."}
			},
		},
		KeyScentNow: {
			name:  "Fragrance now",
			title: "Add {grams} of fragrance now",
			body:  "The wax is at {temp}.",
			do:    []string{"Pour in {grams} and stir gently for {stir}.", "Tap \"Scent is in\"."},
			then: func(n Notice) *phrase {
				if n.Grams > 0 {
					if n.Limit <= 0 || n.Celsius < n.Limit+wellPastScent {
						return nil
					}
					return &phrase{title: "Past scent-add: let it cool to {limit}", body: "The wax is at {temp}. Keep the heat off until {limit}, where the fragrance goes in; hotter wax drives it off.",
						do: []string{"Turn the heat off.", "At {limit} pour in {grams} and stir gently for {stir}.", "Tap \"Scent is in\"."}}
				}
				return &phrase{title: "The wax is hot enough", body: "The wax is at {temp}. This batch has no fragrance.",
					do: []string{"Turn the heat off and lift the jug out of the bath."}}
			},
		},
		KeyStirEnd: {
			name:  "Stop stirring",
			title: "Stop stirring",
			body:  "You have stirred for {stir}.",
			do:    []string{"Heat off, and lift the jug out of the bath.", "Tap \"Jug is out\"."},
		},
		KeyWarmJars: {
			name:      "Warm the jars",
			asksScent: true,
			title:     "Warm the jars: pour in {soon}",
			body:      "The wax is at {temp}. The pour window opens at {limit} in {in}.",
			do:        []string{"Set the wicks and warm the jars."},
		},
		KeyWindowOpening: {
			name:      "Pour window opening",
			asksScent: true,
			title:     "Pour window opens in {soon}",
			body:      "The wax is at {temp}. From {limit} you may pour.",
			do:        []string{"Have the jars ready."},
			then: func(n Notice) *phrase {
				if n.Seconds > 0 {
					return nil
				}
				return &phrase{title: "The pour window is open", body: "The wax is at {temp}. You may pour; the best moment is still to come.",
					do: []string{"Have the jars ready."}}
			},
		},
		KeyPourNow: {
			name:      "Pour now",
			asksScent: true,
			title:     "Pour now",
			body:      "The wax is at {temp}, the best temperature to pour is {limit}. The window closes in {in}.",
			do:        []string{"Pour the largest jars first.", "Tap \"First jar poured\" at the first."},
			then: func(n Notice) *phrase {
				if n.Seconds > 0 {
					return nil
				}
				return &phrase{title: "Pour now", body: "The wax is at {temp}, the best temperature to pour is {limit}.",
					do: []string{"Pour the largest jars first.", "Tap \"First jar poured\" at the first."}}
			},
		},
		KeyWindowClosing: {
			name:  "Pour window closing",
			title: "Pour window closes in {soon}",
			body:  "The wax is at {temp}. Below {limit} it is too cool to pour well.",
			do:    []string{"Pour what is left now."},
		},
		KeyWindowClosed: {
			name:  "Too cool to pour",
			title: "Too cool to pour: {temp}",
			body:  "Below {limit} the wax sets rough and sticks badly to the jar.",
			do:    []string{"Warm it again in the bath, gently, back into the pour window, and stir.", "Tap \"Heat on again\", and stay with it."},
		},
		KeyCongealing: {
			name:  "Wax about to set",
			title: "The wax is about to set: {temp}",
			body:  "At {limit} it begins to set in the jug.",
			do:    []string{"Warm it again in the bath now, or it must be melted from the start.", "Tap \"Heat on again\", and stay with it."},
		},
		KeyReheated: {
			name:  "Warm enough again",
			title: "Warm enough again: {temp}",
			body:  "The wax is back at the top of the pour window ({limit}).",
			do:    []string{"Heat off, and lift the jug out of the bath.", "Tap \"Jug is out\"."},
		},
		KeyWicks: {
			title: "Straighten the wicks",
			body:  "The wax is setting.",
			do:    []string{"Look whether every wick stands straight and in the middle. Don't move the jars."},
		},
		KeyTrim: {
			title: "Trim the wicks",
			body:  "The candles have set.",
			do:    []string{"Trim each wick to a little under a quarter inch (5 to 6 mm)."},
		},
		KeyMove: {
			title: "The candles may be moved",
			body:  "They have stood long enough to leave the bench.",
			do:    []string{"Move them to the shelf. Don't burn or send them yet."},
		},
		KeyCured: {
			title: "Cured: ready to burn or send",
			body:  "The curing time is over.",
			do:    []string{"Test-burn one before you sell the batch.", "Tap \"Cured, close it\" to close the batch."},
		},
	},
}

// filler returns a function that fills the braces of a phrase.
func (l language) filler(n Notice, u Units) func(string) string {
	tu, mu := u.Temperature, u.Mass
	if tu == "" {
		tu = units.C
	}
	if mu == "" {
		mu = units.Grams
	}
	deg := func(c float64, known bool) string {
		if !known || math.IsNaN(c) {
			return l.noTemp
		}
		d := 0
		if tu == units.C {
			d = 1
		}
		return units.Temperature(c, tu, d)
	}
	step := u.MassStep
	if step == 0 && mu == units.Grams {
		step = 1
		if n.Grams < 100 && math.Abs(n.Grams-math.Round(n.Grams)) > 0.04 {
			step = 0.1 // as the page and the sheet say it
		}
	}
	secs := func(s float64) string { return units.Duration(roundTime(s)) }
	in, soon := l.now, l.now
	if n.Seconds > 0 {
		soon = strings.ReplaceAll(l.about, "{x}", secs(n.Seconds))
		in = soon
		if lo, hi := secs(n.Low), secs(n.HighEnd); n.HighEnd > 0 && lo != hi {
			if strings.HasSuffix(lo, " min") && strings.HasSuffix(hi, " min") {
				lo = strings.TrimSuffix(lo, " min")
			}
			in = strings.NewReplacer("{x}", secs(n.Seconds), "{lo}", lo, "{hi}", hi).Replace(l.between)
		}
	}
	if n.Key == KeyUnattended || n.Key == KeyProbeLost { // time gone by, not an estimate
		in = secs(n.Seconds)
	}
	method := n.Method
	if method == "" {
		method = l.methodNotStated
	}
	oil := n.Oil
	if oil == "" {
		oil = l.someOil
	}
	fault, ok := l.faults[probe.Quality(n.Detail)]
	if !ok {
		fault = n.Detail
	}
	called := func(id string) string {
		if name := u.Probes[id]; name != "" && name != id {
			return "“" + name + "”"
		}
		return id
	}
	name, detail := called(n.Probe), n.Detail
	if name == "" {
		name = l.someProbe
	}
	if n.Key == KeyProbesDisagree { // the other probe
		detail = called(detail)
	}
	have := n.Probe != ""
	temp := deg(n.Celsius, have && n.Celsius != 0)
	r := strings.NewReplacer(
		"{temp}", temp,
		"{limit}", deg(n.Limit, n.Limit != 0),
		"{flash}", deg(n.Flash, n.Flash != 0),
		"{method}", method,
		"{oil}", oil,
		"{grams}", units.Mass(n.Grams, mu, step),
		"{stir}", units.Duration(n.Stir),
		"{in}", in,
		"{soon}", soon,
		"{probe}", name,
		"{fault}", fault,
		"{detail}", detail,
		"{reason}", n.Reason,
	)
	return func(s string) string {
		if strings.Contains(s, "{name}") {
			name := l.phrases[n.Key].name
			if name == "" {
				name = l.phrases[n.Key].title
			}
			s = strings.ReplaceAll(s, "{name}", name)
		}
		return upper(r.Replace(s))
	}
}

// upper gives a sentence that begins with a value its capital letter.
func upper(s string) string {
	for _, lower := range []string{"the ", "about "} {
		if strings.HasPrefix(s, lower) {
			return strings.ToUpper(s[:1]) + s[1:]
		}
	}
	return s
}

// roundTime rounds to what is worth saying: 10 s below two minutes, else minutes.
func roundTime(s float64) time.Duration {
	d := time.Duration(s * float64(time.Second))
	if d < 110*time.Second {
		return max(d.Round(10*time.Second), 10*time.Second)
	}
	return d.Round(time.Minute)
}

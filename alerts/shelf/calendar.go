package shelf

import (
	"bytes"
	"fmt"
	"strings"
	"time"
	"unicode"

	ics "github.com/arran4/golang-ical"

	"example.org/meltstation/alerts/plan/units"
)

// appointment is how long an entry lasts in the calendar: long enough to be seen
// there, and it blocks no time.
const appointment = 15 * time.Minute

// Calendar writes the steps of the batches as an iCalendar file (RFC 5545), each
// with a reminder at its moment, so that the phone's own calendar tells it. A
// step keeps its UID: a file taken again after a correction moves the entry
// instead of doubling it. Steps that are done are left out.
func Calendar(batches []Poured, now time.Time) ([]byte, error) {
	cal := ics.NewCalendarFor("meltstation")
	cal.SetProductId("-//meltstation//batch shelf//EN")
	cal.SetMethod(ics.MethodPublish)
	cal.SetXWRCalName("Candle shelf")
	cal.SetRefreshInterval("PT1H")
	for _, p := range batches {
		for _, it := range p.Items(now) {
			if it.State == Done {
				continue
			}
			e := cal.AddEvent(uid(it))
			e.SetDtStampTime(now.UTC())
			e.SetStartAt(it.Due.UTC())
			if err := e.SetDuration(appointment); err != nil {
				return nil, fmt.Errorf("write the calendar entry of batch %s: %w", it.Code, err)
			}
			title := clean(fmt.Sprintf("%s, %s (%s)", it.Title, it.Name, it.Code))
			e.SetSummary(title)
			e.SetDescription(clean(describe(it, p)))
			e.SetTimeTransparency(ics.TransparencyTransparent)
			a := e.AddAlarm()
			a.SetAction(ics.ActionDisplay)
			a.SetTrigger("PT0S")
			a.SetDescription(title)
		}
	}
	var b bytes.Buffer
	if err := cal.SerializeTo(&b, ics.WithNewLineWindows); err != nil {
		return nil, fmt.Errorf("write the calendar: %w", err)
	}
	return b.Bytes(), nil
}

// uid names a step for good: the same batch and step, the same id.
func uid(it Item) string {
	var b strings.Builder
	for _, r := range it.Code {
		if r < 0x80 && (unicode.IsLetter(r) || unicode.IsDigit(r) || r == '-') {
			b.WriteRune(r)
		} else {
			fmt.Fprintf(&b, "_%x", r)
		}
	}
	return b.String() + "." + string(it.Step) + "@meltstation.example.org"
}

func describe(it Item, p Poured) string {
	// No time of day in words: the phone shows it in its own zone.
	what := fmt.Sprintf("\nBatch %s, %s; %s after pouring.", it.Code, count(it.Jars, "candle"), units.Duration(it.Due.Sub(p.At)))
	switch it.Step {
	case Trim:
		return "The wax has set: trim the wicks before the candles are moved." + what
	case Move:
		return "The candles may leave the bench. Don't burn or send them yet." + what
	}
	return "The cure is over: they may be burnt, tested and sent." + what
}

// clean keeps control characters out of a text property; RFC 5545 knows none but
// the line break.
func clean(s string) string {
	return strings.Map(func(r rune) rune {
		if r != '\n' && unicode.IsControl(r) {
			return -1
		}
		return r
	}, strings.ToValidUTF8(s, ""))
}

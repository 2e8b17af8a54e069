package shelf_test

import (
	"bytes"
	"fmt"
	"strings"
	"testing"
	"time"
	"unicode/utf8"

	ical "github.com/emersion/go-ical"
	"pgregory.net/rapid"

	"example.org/meltstation/alerts/plan"
	"example.org/meltstation/alerts/shelf"
)

var pouredAt = time.Date(2026, 11, 21, 14, 10, 0, 0, time.UTC)

func fog() shelf.Poured {
	return shelf.Poured{Code: "HF-261121-A", Name: "Harbour Fog", At: pouredAt, Jars: 12, Wicks: 16, Timers: plan.DefaultTimers()}
}

func TestBoardThroughTheLifeOfABatch(t *testing.T) {
	// Waits of 3 h, 24 h and 14 days: common practice, no source.
	tests := []struct {
		after        time.Duration
		status       string
		due, waiting string
	}{
		{0, "setting", "", "trim move cure"},
		{3*time.Hour - time.Second, "setting", "", "trim move cure"},
		{3 * time.Hour, "curing", "trim", "move cure"},
		{24*time.Hour - time.Second, "curing", "trim", "move cure"},
		{24 * time.Hour, "curing", "trim move", "cure"},
		{14 * 24 * time.Hour, "ready", "trim move cure", ""},
	}
	for _, tt := range tests {
		t.Run(tt.after.String(), func(t *testing.T) {
			b := shelf.NewBoard([]shelf.Poured{fog()}, pouredAt.Add(tt.after))
			if got := b.Rows[0].Status; got != tt.status {
				t.Errorf("status %q, want %q", got, tt.status)
			}
			if got := steps(b.Due); got != tt.due {
				t.Errorf("due %q, want %q", got, tt.due)
			}
			if got := steps(b.Next); got != tt.waiting {
				t.Errorf("waiting %q, want %q", got, tt.waiting)
			}
		})
	}
}

func TestDoneStepsLeaveTheBoard(t *testing.T) {
	p := fog()
	p.Trimmed = pouredAt.Add(4 * time.Hour)
	b := shelf.NewBoard([]shelf.Poured{p}, pouredAt.Add(30*time.Hour))
	if got := steps(b.Due); got != "move" {
		t.Errorf("due %q, want move", got)
	}
	p.Finished = pouredAt.Add(31 * time.Hour)
	b = shelf.NewBoard([]shelf.Poured{p}, pouredAt.Add(32*time.Hour))
	if len(b.Due)+len(b.Next) != 0 || b.Rows[0].Status != "finished" || b.Rows[0].Next != nil {
		t.Errorf("a closed batch still asks for something: %+v", b)
	}
}

func TestACureShorterThanTheMoveWaitsForTheMove(t *testing.T) {
	p := fog()
	p.Timers.Cure = 5 * time.Hour
	items := p.Items(pouredAt)
	if last := items[len(items)-1]; last.Due != pouredAt.Add(24*time.Hour) {
		t.Errorf("ready at %v: before it may be moved", last.Due)
	}
}

func TestFromEventsUsesCorrectedTimesAndCounts(t *testing.T) {
	sheet := plan.Sheet{Name: "Harbour Fog", Jars: 12, Wicks: 12, Timers: plan.DefaultTimers(),
		Containers: []plan.Containers{{Name: "Tumbler", Count: 10, Wicks: 1}, {Name: "Bowl", Count: 2, Wicks: 3}}}
	history := []plan.Event{
		{ID: "a", Kind: plan.EventStart, At: 0, Wall: pouredAt.Add(-time.Hour)},
		{ID: "b", Kind: plan.EventPoured, At: time.Hour, Wall: pouredAt, Counts: map[string]int{"Tumbler": 10, "Bowl": 2}},
		{ID: "c", Kind: plan.EventCorrection, Corrects: "b", At: 2 * time.Hour, Corrected: &plan.Event{
			Kind: plan.EventPoured, At: time.Hour + time.Minute, Wall: pouredAt.Add(time.Minute), Counts: map[string]int{"Tumbler": 9, "Bowl": 2}}},
	}
	p, ok := shelf.FromEvents("HF-261121-A", sheet, history)
	if !ok || p.At != pouredAt.Add(time.Minute) || p.Jars != 11 || p.Wicks != 15 {
		t.Errorf("got %+v, %v; want the corrected pour: 11 jars, 15 wicks, a minute later", p, ok)
	}
	if _, ok := shelf.FromEvents("x", sheet, history[:1]); ok {
		t.Error("a batch that is not poured is on the shelf")
	}
	if _, ok := shelf.FromEvents("x", sheet, append(history, plan.Event{ID: "d", Kind: plan.EventAbandoned, At: 3 * time.Hour})); ok {
		t.Error("a batch that was given up is on the shelf")
	}
}

func TestCalendarIsReadBack(t *testing.T) {
	p := fog()
	p.Trimmed = pouredAt.Add(4 * time.Hour)
	now := pouredAt.Add(5 * time.Hour)
	data, err := shelf.Calendar([]shelf.Poured{p}, now)
	if err != nil {
		t.Fatal(err)
	}
	lawful(t, data)
	cal, err := ical.NewDecoder(bytes.NewReader(data)).Decode()
	if err != nil {
		t.Fatal(err)
	}
	if n := bytes.Count(data, []byte("REFRESH-INTERVAL;VALUE=DURATION:PT1H\r\n")); n != 1 {
		t.Errorf("REFRESH-INTERVAL (RFC 7986 section 5.7) stands there %d times with its one VALUE", n)
	}
	if v := cal.Props.Get(ical.PropVersion); v == nil || v.Value != "2.0" {
		t.Error("VERSION must be 2.0 (RFC 5545 section 3.7.4)")
	}
	events := cal.Events()
	if len(events) != 2 {
		t.Fatalf("%d entries, want 2: move and cure", len(events))
	}
	want := []time.Time{pouredAt.Add(24 * time.Hour), pouredAt.Add(14 * 24 * time.Hour)}
	for i, e := range events {
		start, err := e.DateTimeStart(time.UTC)
		if err != nil || !start.Equal(want[i]) {
			t.Errorf("entry %d starts %v (%v), want %v", i, start, err, want[i])
		}
		end, err := e.DateTimeEnd(time.UTC)
		if err != nil || end.Sub(start) != 15*time.Minute {
			t.Errorf("entry %d ends %v (%v)", i, end, err)
		}
		if text, err := e.Props.Text(ical.PropSummary); err != nil || !strings.Contains(text, "Harbour Fog (HF-261121-A)") {
			t.Errorf("summary %q (%v)", text, err)
		}
		alarms := 0
		for _, c := range e.Children {
			if c.Name != ical.CompAlarm {
				continue
			}
			alarms++
			if a := c.Props.Get(ical.PropAction); a == nil || a.Value != "DISPLAY" {
				t.Error("the alarm does not say DISPLAY")
			}
			if c.Props.Get(ical.PropDescription) == nil || c.Props.Get(ical.PropTrigger) == nil {
				t.Error("a DISPLAY alarm needs DESCRIPTION and TRIGGER (RFC 5545 section 3.6.6)")
			}
		}
		if alarms != 1 {
			t.Errorf("entry %d has %d reminders, want 1", i, alarms)
		}
	}
}

func TestCalendarKeepsUIDsWhenAPourIsCorrected(t *testing.T) {
	ids := func(p shelf.Poured) string {
		data, err := shelf.Calendar([]shelf.Poured{p}, pouredAt)
		if err != nil {
			t.Fatal(err)
		}
		var out []string
		for _, line := range strings.Split(string(data), "\r\n") {
			if strings.HasPrefix(line, "UID:") {
				out = append(out, line)
			}
		}
		return strings.Join(out, " ")
	}
	later := fog()
	later.At = later.At.Add(10 * time.Minute)
	if a, b := ids(fog()), ids(later); a != b {
		t.Errorf("UIDs changed:\n%s\n%s", a, b)
	}
}

// lawful checks what RFC 5545 section 3.1 asks of every line.
func lawful(t interface{ Errorf(string, ...any) }, data []byte) {
	if strings.Contains(strings.ReplaceAll(string(data), "\r\n", ""), "\n") {
		t.Errorf("a line ends without CR LF")
	}
	for i, line := range strings.Split(string(data), "\r\n") {
		if len(line) > 75 {
			t.Errorf("line %d has %d octets, more than 75", i+1, len(line))
		}
		if !utf8.ValidString(line) {
			t.Errorf("line %d is cut inside a character", i+1)
		}
	}
}

func TestAnyNameSurvivesTheCalendar(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		p := fog()
		p.Name = rapid.StringOfN(rapid.RuneFrom([]rune("aZ ,;:\\\"é漢🕯\n<>%")), 0, 120, -1).Draw(t, "name")
		p.Code = rapid.StringMatching(`[A-Z]{2}-[0-9]{6}-[A-Z]`).Draw(t, "code")
		data, err := shelf.Calendar([]shelf.Poured{p}, pouredAt)
		if err != nil {
			t.Fatal(err)
		}
		lawful(t, data)
		cal, err := ical.NewDecoder(bytes.NewReader(data)).Decode()
		if err != nil {
			t.Fatalf("can't be read back: %v\n%s", err, data)
		}
		for _, e := range cal.Events() {
			text, err := e.Props.Text(ical.PropSummary)
			if err != nil {
				t.Fatal(err)
			}
			if !strings.Contains(text, p.Name) || !strings.Contains(text, p.Code) {
				t.Fatalf("summary %q has lost %q", text, p.Name)
			}
		}
	})
}

func steps(items []shelf.Item) string {
	var s []string
	for _, it := range items {
		s = append(s, string(it.Step))
	}
	return strings.Join(s, " ")
}

func BenchmarkBoard10000(b *testing.B) {
	var all []shelf.Poured
	for i := range 10000 {
		p := fog()
		p.Code, p.At = fmt.Sprintf("HF-%05d-A", i), pouredAt.Add(-time.Duration(i)*time.Hour)
		all = append(all, p)
	}
	for b.Loop() {
		shelf.NewBoard(all, pouredAt)
	}
	b.ReportMetric(float64(b.Elapsed().Milliseconds())/float64(b.N), "ms/board")
}

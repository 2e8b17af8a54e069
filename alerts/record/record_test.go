package record_test

import (
	"bytes"
	"encoding/json"
	"fmt"
	"os"
	"strings"
	"testing"
	"time"

	"pgregory.net/rapid"

	"example.org/meltstation/alerts/plan"
	"example.org/meltstation/alerts/plan/recipe"
	"example.org/meltstation/alerts/record"
)

var day = time.Date(2026, 11, 21, 13, 5, 0, 0, time.UTC)

// fog is a batch of the Boathouse, with a correction, a tap taken back and a look
// at the candles two weeks later.
func fog(t *testing.T) record.Batch {
	t.Helper()
	data, err := os.ReadFile("../../testdata/recipes/harbour-fog.toml")
	if err != nil {
		t.Fatal(err)
	}
	r, err := recipe.Parse("harbour-fog.toml", data)
	if err != nil {
		t.Fatal(err)
	}
	s, err := r.Sheet([]plan.Count{{Container: "Bowl, three wicks", N: 2}, {Container: "Tumbler", N: 6}, {Container: "Tin", N: 3}}, plan.Options{From: "26-10-30-A"})
	if err != nil {
		t.Fatal(err)
	}
	at := func(min int) (time.Duration, time.Time) {
		d := time.Duration(min) * time.Minute
		return d, day.Add(d)
	}
	var h []plan.Event
	add := func(id string, min int, e plan.Event) {
		e.ID = id
		e.At, e.Wall = at(min)
		h = append(h, e)
	}
	add("e1", 0, plan.Event{Kind: plan.EventStart, Celsius: 19.5, Who: "Ines"})
	add("e1b", 1, plan.Event{Kind: plan.EventLots, Lots: map[string]string{"Rapeseed-coconut": "RC-2231", "wicks": "W-18-09"}, Who: "Ines"})
	add("e2", 41, plan.Event{Kind: plan.EventScentAdded, Grams: 140, Celsius: 82.6, Who: "Ines"})
	add("e2c", 43, plan.Event{Kind: plan.EventCorrection, Corrects: "e2", Who: "Ines", Corrected: &plan.Event{
		Kind: plan.EventScentAdded, At: 41 * time.Minute, Wall: day.Add(41 * time.Minute), Grams: 145.1, Celsius: 82.6, Who: "Ines"}})
	add("e3", 44, plan.Event{Kind: plan.EventHeatOff})
	add("e4", 45, plan.Event{Kind: plan.EventJugOut, Detected: true})
	add("e5", 60, plan.Event{Kind: plan.EventPourStart, Celsius: 75})
	add("e5w", 61, plan.Event{Kind: plan.EventWithdrawal, Corrects: "e5", Who: "Ines"})
	add("e6", 91, plan.Event{Kind: plan.EventPourStart, Celsius: 58.1})
	add("e7", 96, plan.Event{Kind: plan.EventPoured, First: 58.1, Last: 52.4, Counts: map[string]int{"Bowl, three wicks": 2, "Tumbler": 6, "Tin": 2}, Who: "Ines"})
	add("e8", 99, plan.Event{Kind: plan.EventLeftOver, Grams: 96})
	add("e9", 280, plan.Event{Kind: plan.EventTrimmed})
	add("e10", 14*24*60, plan.Event{Kind: plan.EventFound, Who: "Ines", Text: "One tin a little low.", Found: &plan.Found{
		Finish: []plan.Finish{plan.Smooth}, ColdThrow: 3, HotThrow: 4}})
	add("e11", 15*24*60, plan.Event{Kind: plan.EventFound, Who: "Ines", Found: &plan.Found{Container: "Tumbler",
		Burn: &plan.Burn{Wick: "CD 18", Lasted: 4 * time.Hour, Reached: true, ReachedIn: 150 * time.Minute, PoolWidth: 72, PoolDepth: 9}}})
	peak := 83.1
	return record.Batch{Code: "26-11-21-A", Station: "The Boathouse", Pot: "Hob, left", Started: day, Sheet: s, History: h,
		Summary: record.Summary{Peak: &peak, PeakAt: day.Add(40 * time.Minute), Readings: 5760,
			Alarms: []record.AlarmLine{{At: day.Add(40 * time.Minute), Text: "Within 18 °F of the flash point of “Wet rope”"}}}}
}

func line(t *testing.T, r record.Record, key string) record.Line {
	t.Helper()
	for _, l := range r.Lines {
		if l.Key == key {
			return l
		}
	}
	t.Fatalf("no line %q in %+v", key, r.Lines)
	return record.Line{}
}

func TestPlannedAgainstActual(t *testing.T) {
	r := record.Build(fog(t))
	if l := line(t, r, "fragrance"); l.Actual == nil || *l.Actual != 145.1 {
		t.Errorf("fragrance %+v, want the corrected 145.1 g", l)
	}
	if l := line(t, r, "jars"); *l.Planned != 11 || *l.Actual != 10 || l.Mark != "below" {
		t.Errorf("containers %+v, want 10 of 11, below", l)
	}
	if l := line(t, r, "pour-first"); *l.Actual != 58.1 || l.Mark != "" {
		t.Errorf("first container %+v: 58.1 °C lies inside 53.3 to 60 °C", l)
	}
	if l := line(t, r, "pour-last"); *l.Actual != 52.4 || l.Mark != "below" {
		t.Errorf("last container %+v: 52.4 °C lies below 53.3 °C", l)
	}
	if l := line(t, r, "cooling"); *l.Actual != 47*60 {
		t.Errorf("heat off to the first container %v s, want 2820: the pour that was taken back doesn't count", *l.Actual)
	}
	want := []string{"RC-2231", "SH-0412", "WR-0077", "W-18-09"}
	if strings.Join(r.Lots, " ") != strings.Join(want, " ") {
		t.Errorf("lots %v, want %v", r.Lots, want)
	}
	if r.Ready != r.Poured.Add(14*24*time.Hour) {
		t.Errorf("ready %v", r.Ready)
	}
}

func TestCorrectionsKeepWhatStoodThere(t *testing.T) {
	r := record.Build(fog(t))
	var scent, taken *record.Step
	for i := range r.Steps {
		switch r.Steps[i].ID {
		case "e2":
			scent = &r.Steps[i]
		case "e5":
			taken = &r.Steps[i]
		}
	}
	if scent == nil || scent.Grams != 145.1 || len(scent.Before) != 1 || !strings.Contains(scent.Before[0].Text, "140.0 g") {
		t.Errorf("the corrected step does not show the 140.0 g that stood there: %+v", scent)
	}
	if taken == nil || !taken.Taken || len(taken.Before) != 1 {
		t.Errorf("the step that was taken back is not shown as such: %+v", taken)
	}
}

func TestARecordOfNothingYetIsARecord(t *testing.T) {
	r := record.Build(record.Batch{Code: "26-11-21-B", Started: day, Sheet: plan.Sheet{Name: "Plain"}})
	var b bytes.Buffer
	if err := r.HTML(&b, nil); err != nil {
		t.Fatal(err)
	}
	if data, err := json.Marshal(r); err != nil || strings.Contains(string(data), `:null,"steps"`) {
		t.Errorf("%s %v", data, err)
	}
}

func TestThePageEscapesWhatWasTyped(t *testing.T) {
	b := fog(t)
	b.Sheet.Name = `<script>alert(1)</script>`
	b.History = append(b.History, plan.Event{ID: "x", Kind: plan.EventNote, Text: `"><img src=x onerror=alert(1)>`, Wall: day, At: 1})
	var out bytes.Buffer
	r := record.Build(b)
	for _, write := range []func() error{func() error { return r.HTML(&out, nil) }, func() error { return r.Labels(&out, 3, nil) }} {
		if err := write(); err != nil {
			t.Fatal(err)
		}
	}
	for _, bad := range []string{"<script", "<img"} {
		if strings.Contains(out.String(), bad) {
			t.Errorf("the page holds %s", bad)
		}
	}
}

func TestThePageNeedsNothingBesideItself(t *testing.T) {
	var b bytes.Buffer
	if err := record.Build(fog(t)).HTML(&b, nil); err != nil {
		t.Fatal(err)
	}
	for _, bad := range []string{" style=", " src=", "<link", "<script", "<svg", "ZgotmplZ", "%!"} {
		if strings.Contains(b.String(), bad) {
			t.Errorf("the page holds %q", bad)
		}
	}
	if out := os.Getenv("MELTSTATION_RECORD_OUT"); out != "" { // to look at it
		if err := os.WriteFile(out, b.Bytes(), 0o644); err != nil {
			t.Fatal(err)
		}
	}
}

// Whatever was tapped, corrected and taken back, in whatever order: the record is
// made, keeps every step, and counts only what holds.
func TestAnyHistoryMakesARecord(t *testing.T) {
	kinds := []plan.EventKind{plan.EventStart, plan.EventScentAdded, plan.EventHeatOff, plan.EventJugOut, plan.EventPourStart, plan.EventPoured,
		plan.EventLeftOver, plan.EventNote, plan.EventFound, plan.EventLots, plan.EventTouched, "tomorrow's kind"}
	base := fog(t)
	rapid.Check(t, func(t *rapid.T) {
		b := base
		b.History = nil
		made := 0
		event := func(id string) plan.Event {
			at := time.Duration(rapid.IntRange(-5, 5000).Draw(t, "minute")) * time.Minute
			e := plan.Event{ID: id, Kind: rapid.SampledFrom(kinds).Draw(t, "kind"), At: at, Wall: day.Add(at),
				Grams: rapid.Float64Range(0, 500).Draw(t, "grams"), Celsius: rapid.Float64Range(0, 100).Draw(t, "celsius"),
				Text: rapid.SampledFrom([]string{"", "a word", "<b>&"}).Draw(t, "text")}
			switch e.Kind {
			case plan.EventPoured:
				e.Counts = map[string]int{rapid.SampledFrom([]string{"Tumbler", "Tin", "Egg cup"}).Draw(t, "jar"): rapid.IntRange(0, 30).Draw(t, "n")}
			case plan.EventFound:
				e.Found = &plan.Found{Finish: []plan.Finish{plan.Rough}, Burn: &plan.Burn{}}
			case plan.EventLots:
				e.Lots = map[string]string{"Slate dye": "D-1", "label": "L"}
			}
			return e
		}
		for i := range rapid.IntRange(0, 12).Draw(t, "events") {
			id := fmt.Sprint(i)
			switch rapid.IntRange(0, 3).Draw(t, "what") {
			case 0:
				c := event("")
				c.ID = ""
				b.History = append(b.History, plan.Event{ID: id, Kind: plan.EventCorrection, Corrects: fmt.Sprint(rapid.IntRange(0, 12).Draw(t, "corrects")), Wall: day, Corrected: &c})
			case 1:
				b.History = append(b.History, plan.Event{ID: id, Kind: plan.EventWithdrawal, Corrects: fmt.Sprint(rapid.IntRange(0, 12).Draw(t, "takes back")), Wall: day})
			default:
				e := event(id)
				b.History = append(b.History, e)
				if e.Kind != plan.EventTouched {
					made++
				}
			}
		}
		r := record.Build(b)
		if len(r.Steps) != made {
			t.Fatalf("%d steps of %d events", len(r.Steps), made)
		}
		var scent float64
		for _, e := range plan.Fold(b.History) {
			if e.Kind == plan.EventScentAdded {
				scent += e.Grams
			}
		}
		for _, l := range r.Lines {
			if l.Key == "fragrance" && l.Actual != nil && *l.Actual != scent {
				t.Fatalf("%v g of fragrance in the record, %v g hold", *l.Actual, scent)
			}
		}
		if _, err := json.Marshal(r); err != nil {
			t.Fatal(err)
		}
		var page bytes.Buffer
		if err := r.HTML(&page, nil); err != nil {
			t.Fatal(err)
		}
		if bytes.Contains(page.Bytes(), []byte("<b>&")) || bytes.Contains(page.Bytes(), []byte("%!")) {
			t.Fatal(page.String())
		}
	})
}

// What the recipe says of itself and what the maker noted keep their lines.
func TestNotesKeepTheirLines(t *testing.T) {
	b := fog(t)
	b.Sheet.Source.Notes = "Stir well.\nThe dye <settles>."
	b.History = append(b.History, plan.Event{ID: "n1", Kind: plan.EventNote, At: time.Hour, Wall: day.Add(time.Hour), Text: "Window open.\nToo cold?"})
	var out bytes.Buffer
	if err := record.Build(b).HTML(&out, nil); err != nil {
		t.Fatal(err)
	}
	for _, want := range []string{"<div class=\"lines\">Stir well.\nThe dye &lt;settles&gt;.</div>", "<span class=\"quiet lines\">Window open.\nToo cold?</span>", ".lines { white-space: pre-line; }"} {
		if !strings.Contains(out.String(), want) {
			t.Errorf("the record lacks %q", want)
		}
	}
}

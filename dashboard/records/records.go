// Package records writes a batch up from its trace: the record on paper, the
// trace as CSV and as a picture, the waits as a calendar, and what many batches
// together teach.
package records

import (
	"bytes"
	"cmp"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"iter"
	"math"
	"slices"
	"sync"
	"time"

	"example.org/meltstation/alerts"
	"example.org/meltstation/alerts/lesson"
	"example.org/meltstation/alerts/plan"
	"example.org/meltstation/alerts/record"
	"example.org/meltstation/alerts/shelf"
	"example.org/meltstation/probe"
	"example.org/meltstation/probe/trace"
)

// Store is what a Book reads. A [trace.Store] is one.
type Store interface {
	Batch(ctx context.Context, id string) (trace.Batch, error) // trace.ErrNoBatch when there is none
	Batches(ctx context.Context, q trace.Query) ([]trace.Batch, error)
	Curve(ctx context.Context, batch string, q trace.CurveQuery) ([]trace.Series, error)
	Events(ctx context.Context, batch string) ([]trace.Entry, error)
	Entries(ctx context.Context, batch string, fromSeq int64) iter.Seq2[trace.Entry, error]
	Commit(ctx context.Context, entries ...trace.Entry) (int64, error)
	PutBatch(ctx context.Context, b trace.Batch) error
	PutDoc(ctx context.Context, kind, id string, data []byte, who string) error
	Doc(ctx context.Context, kind, id string) ([]byte, error) // trace.ErrNoDocument when there is none
	Docs(ctx context.Context, kind string) ([]trace.Document, error)
}

var _ Store = (*trace.Store)(nil)

// Errors of a Book.
var (
	ErrFormat    = errors.New("there is no such format; html, csv, svg, ics and json are known")
	ErrNotPoured = errors.New("the batch is not poured yet, so there is nothing to wait for")
	ErrFinding   = errors.New("the finding can't be used") // wraps every [plan.Problem]
	ErrNoEvent   = errors.New("there is no such event in this batch")
	ErrClosed    = errors.New("the batch is closed") // of what a closed batch does not take
)

// Book writes up the batches of one station.
type Book struct {
	Store    Store
	Station  string                 // its name, "The Boathouse"
	Location *time.Location         // of the times on paper; nil = UTC
	Units    alerts.Units           // of what is put in words where the sheet says nothing
	Now      func() time.Time       // nil = time.Now
	PotName  func(id string) string // nil = pots go by their ids

	mu sync.Mutex // what is written about closed batches, one after another
}

// Formats are the forms that Write knows.
var Formats = []string{"html", "csv", "svg", "ics", "json"}

func (b *Book) now() time.Time {
	if b.Now == nil {
		return time.Now()
	}
	return b.Now()
}

// History returns a batch's events in order, corrections and withdrawals included.
func (b *Book) History(ctx context.Context, batch string) ([]plan.Event, error) {
	events, _, err := b.told(ctx, batch)
	return events, err
}

// told returns the events and the notices of a batch.
func (b *Book) told(ctx context.Context, batch string) ([]plan.Event, []alerts.Notice, error) {
	entries, err := b.Store.Events(ctx, batch)
	if err != nil {
		return nil, nil, err
	}
	var events []plan.Event
	var notices []alerts.Notice
	for _, e := range entries {
		switch e.Kind {
		case trace.KindEvent:
			var v plan.Event
			if err := json.Unmarshal(e.Data, &v); err != nil {
				return nil, nil, fmt.Errorf("reading event %s of batch %s: %w", e.ID, batch, err)
			}
			events = append(events, v)
		case trace.KindNotice:
			var v alerts.Notice
			if json.Unmarshal(e.Data, &v) == nil {
				notices = append(notices, v)
			}
		}
	}
	return events, notices, nil
}

func sheetOf(b trace.Batch) (plan.Sheet, error) {
	var s plan.Sheet
	if len(b.Sheet) == 0 {
		return s, nil
	}
	if err := json.Unmarshal(b.Sheet, &s); err != nil {
		return s, fmt.Errorf("reading the sheet of batch %s: %w", b.ID, err)
	}
	return s, nil
}

// Sheet returns the sheet a batch started from.
func (b *Book) Sheet(ctx context.Context, id string) (plan.Sheet, error) {
	batch, err := b.Store.Batch(ctx, id)
	if err != nil {
		return plan.Sheet{}, err
	}
	return sheetOf(batch)
}

// Record writes one batch up.
func (b *Book) Record(ctx context.Context, id string) (record.Record, error) {
	batch, err := b.Store.Batch(ctx, id)
	if err != nil {
		return record.Record{}, err
	}
	r, _, notices, err := b.paper(ctx, batch)
	if err != nil {
		return r, err
	}
	r.Summary, err = b.summary(ctx, id, r.Show, notices)
	return r, err
}

// paper is Record without what the curve says.
func (b *Book) paper(ctx context.Context, batch trace.Batch) (record.Record, plan.Sheet, []alerts.Notice, error) {
	sheet, err := sheetOf(batch)
	if err != nil {
		return record.Record{}, sheet, nil, err
	}
	history, notices, err := b.told(ctx, batch.ID)
	if err != nil {
		return record.Record{}, sheet, nil, err
	}
	if batch.Name != "" {
		sheet.Name = batch.Name
	}
	pot := batch.Pot
	if b.PotName != nil {
		pot = cmp.Or(b.PotName(pot), pot)
	}
	r := record.Build(record.Batch{
		Code: batch.ID, Station: b.Station, Pot: pot, Started: batch.Started, Ended: batch.Ended, Sheet: sheet, History: history,
	})
	return r, sheet, notices, nil
}

// summaryPoints is enough for the mean of a room; the thinning of a curve keeps
// its peak whatever the number.
const summaryPoints = 2000

func (b *Book) summary(ctx context.Context, id string, show plan.Display, notices []alerts.Notice) (record.Summary, error) {
	var s record.Summary
	series, err := b.Store.Curve(ctx, id, trace.CurveQuery{Points: summaryPoints})
	if err != nil {
		return s, err
	}
	var room float64
	var n int
	for _, one := range series {
		if one.Role == probe.RolePot {
			s.Readings += one.Count
		}
		for _, p := range one.Points {
			switch {
			case math.IsNaN(p.Celsius):
			case one.Role == probe.RolePot && (s.Peak == nil || p.Celsius > *s.Peak):
				c := p.Celsius
				s.Peak, s.PeakAt = &c, p.Wall
			case one.Role == probe.RoleRoom:
				room += p.Celsius
				n++
			}
		}
	}
	if n > 0 {
		mean := room / float64(n)
		s.Room = &mean
	}
	units := alerts.Units{Temperature: cmp.Or(show.Temperature, b.Units.Temperature, "C"), Mass: cmp.Or(show.Mass, b.Units.Mass, "g"), Probes: b.Units.Probes}
	for _, v := range notices {
		if v.Class == alerts.Alarm && v.Why == "raised" {
			s.Alarms = append(s.Alarms, record.AlarmLine{At: v.Wall.UTC(), Text: alerts.Words(v, units).Title})
		}
	}
	return s, nil
}

// Poured returns what a batch waits for on the shelf.
func (b *Book) Poured(ctx context.Context, batch trace.Batch) (shelf.Poured, bool, error) {
	sheet, err := sheetOf(batch)
	if err != nil {
		return shelf.Poured{}, false, err
	}
	history, err := b.History(ctx, batch.ID)
	if err != nil {
		return shelf.Poured{}, false, err
	}
	p, ok := shelf.FromEvents(batch.ID, sheet, history)
	p.Name = cmp.Or(batch.Name, p.Name)
	return p, ok, nil
}

// readyFor is how long cured candles stay on the shelf when nobody says that they
// are gone.
const readyFor = 60 * 24 * time.Hour

// Shelf returns the poured batches that go on, and of the latest ones those whose
// cure is over and of which nobody has said yet that they are put away.
func (b *Book) Shelf(ctx context.Context) ([]shelf.Poured, error) {
	open, err := b.Store.Batches(ctx, trace.Query{Open: true, Limit: 200})
	if err != nil {
		return nil, err
	}
	late, err := b.Store.Batches(ctx, trace.Query{Limit: 200})
	if err != nil {
		return nil, err
	}
	now := b.now()
	for _, batch := range late {
		if !batch.Ended.IsZero() && batch.PouredAt > 0 && now.Sub(batch.Ended) < readyFor {
			open = append(open, batch)
		}
	}
	var list []shelf.Poured
	for _, batch := range open {
		p, ok, err := b.Poured(ctx, batch)
		if err != nil {
			return nil, err
		}
		if ok && (batch.Ended.IsZero() || p.Finished.IsZero()) {
			list = append(list, p)
		}
	}
	return list, nil
}

// Write writes a batch in one of the Formats.
func (b *Book) Write(ctx context.Context, w io.Writer, id, format string) error {
	batch, err := b.Store.Batch(ctx, id)
	if err != nil {
		return err
	}
	switch format {
	case "html", "json":
		r, err := b.Record(ctx, id)
		if err != nil {
			return err
		}
		if format == "html" {
			if r.Summary.Readings > 0 {
				var curve bytes.Buffer
				if err := b.svg(ctx, &curve, batch); err != nil {
					return err
				}
				r.Curve = curve.Bytes()
			}
			if r.Photos, err = b.Photos(ctx, r); err != nil {
				return err
			}
			return r.HTML(w, b.Location)
		}
		e := json.NewEncoder(w)
		e.SetIndent("", "  ")
		return e.Encode(r)
	case "csv":
		return b.csv(ctx, w, batch)
	case "svg":
		return b.svg(ctx, w, batch)
	case "ics":
		p, ok, err := b.Poured(ctx, batch)
		if err != nil {
			return err
		}
		if !ok {
			return ErrNotPoured
		}
		body, err := shelf.Calendar([]shelf.Poured{p}, b.now().UTC())
		if err != nil {
			return err
		}
		_, err = w.Write(body)
		return err
	}
	return fmt.Errorf("%w: %q", ErrFormat, format)
}

// csv writes every entry of a batch as a line that [replay.Reader] takes back.
func (b *Book) csv(ctx context.Context, w io.Writer, batch trace.Batch) error {
	return trace.WriteCSV(ctx, w, b.Store, batch, func(e trace.Entry) string {
		var v plan.Event
		if json.Unmarshal(e.Data, &v) != nil {
			return ""
		}
		return v.Text
	})
}

// Lesson compares the last batches, all of them or those of one recipe, in words
// of the given units; without units in those of the latest batch.
func (b *Book) Lesson(ctx context.Context, recipe string, show plan.Display) (lesson.Findings, error) {
	list, err := b.Store.Batches(ctx, trace.Query{Recipe: recipe, Limit: 200})
	if err != nil {
		return lesson.Findings{}, err
	}
	var outcomes []lesson.Outcome
	var latest plan.Sheet
	one := true                  // they are all of one recipe
	for i, batch := range list { // the newest first
		r, sheet, _, err := b.paper(ctx, batch)
		if err != nil {
			return lesson.Findings{}, err
		}
		if i == 0 {
			latest = sheet
		}
		if !r.Poured.IsZero() {
			one = one && sheet.Recipe == latest.Recipe
			outcomes = append(outcomes, lesson.FromRecord(r, sheet))
		}
	}
	slices.Reverse(outcomes)
	var o lesson.Options
	if one { // so its limits are those of the next trial
		o.Thresholds, o.MaxLoad = latest.Thresholds, maxLoad(latest)
	}
	o.Show.Temperature = cmp.Or(show.Temperature, latest.Show.Temperature, b.Units.Temperature, "C")
	o.Show.Mass = cmp.Or(show.Mass, latest.Show.Mass, b.Units.Mass, "g")
	return lesson.Compare(outcomes, o), nil
}

// maxLoad is the most fragrance that the suppliers of a sheet's waxes and oils
// allow, in per cent of the wax; 0 = not known for each of them.
func maxLoad(s plan.Sheet) float64 {
	if s.Source == nil {
		return 0
	}
	most, ok := s.Source.HighestLoad()
	if !ok {
		return 0
	}
	return most
}

// later are the kinds of event that a closed batch still takes.
var later = []plan.EventKind{plan.EventFound, plan.EventLots, plan.EventNote, plan.EventLeftOver, plan.EventTrimmed, plan.EventMoved, plan.EventCured}

// Add keeps an event of a batch whose pot and shelf have let go of it: what was
// found of its candles, a lot, a note, what was left over, a tap that was skipped, and that the cured
// candles are put away. The same id twice is one event.
func (b *Book) Add(ctx context.Context, id string, e plan.Event) (plan.Event, error) {
	if !slices.Contains(later, e.Kind) {
		return e, fmt.Errorf("%w: %q comes too late for it", ErrClosed, e.Kind)
	}
	if e.Found != nil {
		if bad := e.Found.Validate(); len(bad) > 0 {
			errs := []error{ErrFinding}
			for _, p := range bad {
				errs = append(errs, p)
			}
			return e, errors.Join(errs...)
		}
	}
	return b.keep(ctx, id, func(batch trace.Batch, _ []plan.Event, _ time.Duration) (plan.Event, error) {
		if batch.PouredAt == 0 && slices.Contains([]plan.EventKind{plan.EventTrimmed, plan.EventMoved, plan.EventCured}, e.Kind) {
			return e, fmt.Errorf("%w and was never poured: there is nothing for %q; write a note instead", ErrClosed, e.Kind)
		}
		return e, nil
	})
}

// Correct replaces what an event of a closed batch says, see [plan.Replacement];
// what it said before is kept.
func (b *Book) Correct(ctx context.Context, id, event string, to plan.Event, who string) error {
	return b.amend(ctx, id, event, func(batch trace.Batch, old plan.Event, now time.Duration) (plan.Event, error) {
		to, err := plan.Replacement(old, to, batch.StartAt, now)
		if err != nil {
			return to, err
		}
		to.Who = who
		return plan.Event{Kind: plan.EventCorrection, Who: who, Corrected: &to}, nil
	})
}

// Withdraw takes an event of a closed batch back; it stays in the history. What
// made the batch poured or closed stays.
func (b *Book) Withdraw(ctx context.Context, id, event, who string) error {
	return b.amend(ctx, id, event, func(batch trace.Batch, old plan.Event, now time.Duration) (plan.Event, error) {
		sheet, err := sheetOf(batch)
		if err != nil {
			return plan.Event{}, err
		}
		cured := now-batch.PouredAt >= max(sheet.Timers.Cure, sheet.Timers.Move) // by time alone
		switch {
		case old.Kind == plan.EventPoured, old.Kind == plan.EventCured && !cured, old.Kind == plan.EventAbandoned:
			return plan.Event{}, fmt.Errorf("%w, and %q is what it rests on; correct its time or write a note instead", ErrClosed, old.Kind)
		}
		return plan.Event{Kind: plan.EventWithdrawal, Who: who}, nil
	})
}

func (b *Book) amend(ctx context.Context, id, event string, make func(batch trace.Batch, old plan.Event, now time.Duration) (plan.Event, error)) error {
	_, err := b.keep(ctx, id, func(batch trace.Batch, history []plan.Event, now time.Duration) (plan.Event, error) {
		for _, old := range plan.Fold(history) {
			if old.ID != event {
				continue
			}
			if old.Kind == plan.EventStart {
				return old, fmt.Errorf("%w, and its start stays", ErrClosed)
			}
			e, err := make(batch, old, now)
			e.Corrects = event
			e.ID = fmt.Sprintf("%s-%s-%d", e.Kind, event, now.Milliseconds())
			return e, err
		}
		return plan.Event{}, fmt.Errorf("%w: %q", ErrNoEvent, event)
	})
	return err
}

// keep writes an event of a closed batch, and its row if the event moves it.
func (b *Book) keep(ctx context.Context, id string, make func(batch trace.Batch, history []plan.Event, now time.Duration) (plan.Event, error)) (plan.Event, error) {
	b.mu.Lock()
	defer b.mu.Unlock()
	batch, err := b.Store.Batch(ctx, id)
	if err != nil {
		return plan.Event{}, err
	}
	history, err := b.History(ctx, id)
	if err != nil {
		return plan.Event{}, err
	}
	wall := b.now().UTC()
	// The station's own time line goes on past the batch's last event, also where
	// the clock of either was wrong.
	at := batch.StartAt + max(0, wall.Sub(batch.Started))
	for _, old := range history {
		at = max(at, old.At+time.Millisecond)
	}
	e, err := make(batch, history, at)
	if err != nil {
		return e, err
	}
	for _, old := range history {
		if old.ID == e.ID {
			return old, nil
		}
	}
	e.At, e.Wall = at, wall
	data, err := json.Marshal(e)
	if err != nil {
		return e, fmt.Errorf("writing an event of batch %s: %w", id, err)
	}
	_, err = b.Store.Commit(ctx, trace.Entry{
		Batch: id, Pot: batch.Pot, At: e.At, Wall: e.Wall, Kind: trace.KindEvent, ID: e.ID, Name: string(e.Kind), Data: data,
		Celsius: math.NaN(), Raw: math.NaN(),
	})
	if err != nil {
		return e, fmt.Errorf("keeping an event of batch %s: %w", id, err)
	}
	sheet, err := sheetOf(batch)
	if err != nil {
		return e, err
	}
	before, now := plan.Fold(history), plan.Fold(append(history, e))
	lots := plan.LotsOf(sheet, now)
	was := plan.LotsOf(sheet, before)
	for _, l := range batch.Lots { // given at the start without saying of what
		if !slices.Contains(was, l) && !slices.Contains(lots, l) {
			lots = append(lots, l)
		}
	}
	poured := batch.PouredAt
	for _, x := range now {
		if x.Kind == plan.EventPoured {
			poured = x.At
		}
	}
	if slices.Equal(lots, batch.Lots) && poured == batch.PouredAt {
		return e, nil
	}
	batch.Lots, batch.PouredAt = lots, poured
	if err := b.Store.PutBatch(ctx, batch); err != nil {
		return e, fmt.Errorf("keeping the lots of batch %s: %w", id, err)
	}
	return e, nil
}

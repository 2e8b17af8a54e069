package dashboard

import (
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"math"
	"mime"
	"net/http"
	"slices"
	"strconv"
	"time"

	"example.org/meltstation/alerts/plan"
	"example.org/meltstation/alerts/shelf"
	"example.org/meltstation/probe"
	"example.org/meltstation/probe/trace"
)

// Batches is where the batches and their curves are. A [trace.Store] is one.
type Batches interface {
	Batch(ctx context.Context, id string) (trace.Batch, error) // trace.ErrNoBatch when there is none
	Batches(ctx context.Context, q trace.Query) ([]trace.Batch, error)
	Curve(ctx context.Context, batch string, q trace.CurveQuery) ([]trace.Series, error)
	Events(ctx context.Context, batch string) ([]trace.Entry, error)
}

// Records writes up what was done and found.
type Records struct {
	Record func(ctx context.Context, batch string) (any, error)                             // as JSON
	File   func(ctx context.Context, batch, format string) ([]byte, error)                  // "html", "csv", "svg" or "ics"
	Notes  func(ctx context.Context, batch string, notes json.RawMessage, who string) error // what the maker found; strict
}

// batchError turns a failure of the trace into an answer.
func (s *Server) batchError(r *http.Request, err error) error {
	if errors.Is(err, trace.ErrNoBatch) {
		return problemNotFound.with("There is no batch of that code.")
	}
	return s.refused(r, err)
}

// heavy runs what reads much of the disk, a few at a time.
func (s *Server) heavy(ctx context.Context, do func() error) error {
	select {
	case s.slots <- struct{}{}:
	case <-ctx.Done():
		return problemUnavailable.with("Too much was asked for at once.")
	}
	defer func() { <-s.slots }()
	return do()
}

type batchLine struct {
	ID      string    `json:"id"`
	Pot     string    `json:"pot"`
	Name    string    `json:"name"`
	Recipe  string    `json:"recipe"`
	Stage   string    `json:"stage"`
	Started time.Time `json:"started"`
	Ended   time.Time `json:"ended,omitzero"`
	Lots    []string  `json:"lots"`
}

func (s *Server) listBatches(w http.ResponseWriter, r *http.Request) error {
	if s.opts.Batches == nil {
		return problemUnavailable.with("No trace is kept.")
	}
	v := r.URL.Query()
	q := trace.Query{Text: v.Get("text"), Lot: v.Get("lot"), Recipe: v.Get("recipe"), Before: v.Get("before"), Limit: 50}
	for _, t := range []string{q.Text, q.Lot, q.Recipe, q.Before} {
		if len(t) > maxShort {
			return problemInvalid.with("What is searched for is too long.")
		}
	}
	n, err := number(v.Get("limit"), q.Limit, 1, 200)
	if err != nil {
		return err
	}
	q.Limit = n + 1 // one more tells whether there is a next page
	list, err := s.opts.Batches.Batches(r.Context(), q)
	if err != nil {
		return s.batchError(r, err)
	}
	answer := struct {
		Batches []batchLine `json:"batches"`
		Next    string      `json:"next"`
	}{Batches: []batchLine{}}
	if len(list) > n {
		list = list[:n]
		answer.Next = list[n-1].ID
	}
	for _, b := range list {
		lots := b.Lots
		if lots == nil {
			lots = []string{}
		}
		answer.Batches = append(answer.Batches, batchLine{b.ID, b.Pot, b.Name, b.Recipe, b.Stage, b.Started, b.Ended, lots})
	}
	return writeJSON(w, http.StatusOK, answer)
}

// number reads a whole number of a query, within bounds.
func number(text string, fallback, least, most int) (int, error) {
	if text == "" {
		return fallback, nil
	}
	n, err := strconv.Atoi(text)
	if err != nil || n < least || n > most {
		return 0, problemInvalid.with(fmt.Sprintf("%s is no whole number from %d to %d.", quote(text), least, most))
	}
	return n, nil
}

func (s *Server) record(w http.ResponseWriter, r *http.Request) error {
	if s.opts.Records.Record == nil {
		return problemUnavailable.with("No records are kept.")
	}
	return s.heavy(r.Context(), func() error {
		rec, err := s.opts.Records.Record(r.Context(), r.PathValue("id"))
		if err != nil {
			return s.batchError(r, err)
		}
		return writeJSON(w, http.StatusOK, rec)
	})
}

func (s *Server) notes(w http.ResponseWriter, r *http.Request) error {
	var notes json.RawMessage
	if err := readJSON(w, r, maxBody, &notes); err != nil {
		return err
	}
	if s.opts.Records.Notes == nil {
		return problemUnavailable.with("No records are kept.")
	}
	if err := s.opts.Records.Notes(r.Context(), r.PathValue("id"), notes, identityOf(r).name()); err != nil {
		return s.batchError(r, err)
	}
	return s.done(w, r, nil)
}

// recordFiles are the forms in which a record can be had.
var recordFiles = map[string]struct {
	kind     string
	download bool
}{
	"html": {"text/html; charset=utf-8", false},
	"svg":  {"image/svg+xml", false},
	"csv":  {"text/csv; charset=utf-8", true},
	"ics":  {"text/calendar; charset=utf-8", true},
}

func (s *Server) recordFile(format string) handler {
	return func(w http.ResponseWriter, r *http.Request) error {
		if s.opts.Records.File == nil {
			return problemUnavailable.with("No records are kept.")
		}
		return s.heavy(r.Context(), func() error {
			body, err := s.opts.Records.File(r.Context(), r.PathValue("id"), format)
			if err != nil {
				return s.batchError(r, err)
			}
			f := recordFiles[format]
			sendFile(w, f.kind, r.PathValue("id")+"."+format, f.download, body)
			return nil
		})
	}
}

// sendFile sends a document that may carry its own style, but no script.
func sendFile(w http.ResponseWriter, kind, name string, download bool, body []byte) {
	h := w.Header()
	h.Set("Content-Security-Policy", recordPolicy)
	h.Set("Content-Type", kind)
	h.Set("Cache-Control", "no-store")
	disposition := "inline"
	if download {
		disposition = "attachment"
	}
	h.Set("Content-Disposition", mime.FormatMediaType(disposition, map[string]string{"filename": name}))
	w.WriteHeader(http.StatusOK)
	w.Write(body)
}

// curveView is a curve as the page draws it: columns.
type curveView struct {
	Pot    string       `json:"pot"`
	Batch  string       `json:"batch"`
	Start  time.Time    `json:"start"` // of t = 0
	Series []seriesView `json:"series"`
	Events []plan.Event `json:"events"`
}

type seriesView struct {
	Probe string     `json:"probe"`
	Role  string     `json:"role"`
	T     []float64  `json:"t"` // s
	C     []*float64 `json:"c"` // °C; null = nothing good
}

const (
	defaultPoints = 1500
	minPoints     = 16
	maxPoints     = 20000
)

func (s *Server) batchCurve(w http.ResponseWriter, r *http.Request) error {
	return s.curve(w, r, r.PathValue("id"))
}

func (s *Server) potCurve(w http.ResponseWriter, r *http.Request) error {
	id := r.PathValue("pot")
	for _, p := range s.station.Snapshot().Pots {
		if p.ID != id {
			continue
		}
		if p.Batch != nil && s.opts.Batches != nil {
			return s.curve(w, r, p.Batch.ID)
		}
		points, err := number(r.URL.Query().Get("points"), defaultPoints, minPoints, maxPoints)
		if err != nil {
			return err
		}
		return writeJSON(w, http.StatusOK, s.hub.recent.curve(id, points))
	}
	return problemNotFound.with("There is no such pot.")
}

func (s *Server) curve(w http.ResponseWriter, r *http.Request, id string) error {
	if s.opts.Batches == nil {
		return problemUnavailable.with("No trace is kept.")
	}
	points, err := number(r.URL.Query().Get("points"), defaultPoints, minPoints, maxPoints)
	if err != nil {
		return err
	}
	return s.heavy(r.Context(), func() error {
		b, err := s.opts.Batches.Batch(r.Context(), id)
		if err != nil {
			return s.batchError(r, err)
		}
		series, err := s.opts.Batches.Curve(r.Context(), id, trace.CurveQuery{Points: points})
		if err != nil {
			return s.batchError(r, err)
		}
		history, err := s.history(r.Context(), id)
		if err != nil {
			return s.batchError(r, err)
		}
		view := curveView{Pot: b.Pot, Batch: b.ID, Start: b.Started.UTC(), Series: []seriesView{}, Events: plan.Fold(history)}
		if view.Events == nil {
			view.Events = []plan.Event{}
		}
		for _, one := range series {
			v := seriesView{Probe: one.Probe, Role: string(one.Role), T: make([]float64, 0, len(one.Points)), C: make([]*float64, 0, len(one.Points))}
			for _, p := range one.Points {
				v.T = append(v.T, math.Round((p.At-b.StartAt).Seconds()*1000)/1000)
				v.C = append(v.C, orNull(p.Celsius))
			}
			view.Series = append(view.Series, v)
		}
		potFirst(view.Series)
		return writeJSON(w, http.StatusOK, view)
	})
}

// potFirst puts the probe in the wax before the others.
func potFirst(series []seriesView) {
	slices.SortStableFunc(series, func(a, b seriesView) int {
		rank := func(v seriesView) int {
			if v.Role == string(probe.RolePot) {
				return 0
			}
			return 1
		}
		return rank(a) - rank(b)
	})
}

// orNull is a temperature for JSON, to a thousandth of a degree.
func orNull(c float64) *float64 {
	if math.IsNaN(c) || math.IsInf(c, 0) {
		return nil
	}
	c = math.Round(c*1000) / 1000
	return &c
}

// history returns a batch's events, corrections and withdrawals included.
func (s *Server) history(ctx context.Context, batch string) ([]plan.Event, error) {
	entries, err := s.opts.Batches.Events(ctx, batch)
	if err != nil {
		return nil, err
	}
	var list []plan.Event
	for _, e := range entries {
		if e.Kind != trace.KindEvent {
			continue
		}
		var v plan.Event
		if err := json.Unmarshal(e.Data, &v); err != nil {
			s.log.Warn("an event can't be read", "batch", batch, "event", e.ID, "error", err)
			continue
		}
		list = append(list, v)
	}
	return list, nil
}

// poured returns the batches on the shelf: poured, and not closed or closed of late.
func (s *Server) poured(ctx context.Context) ([]shelf.Poured, error) {
	if s.opts.Batches == nil {
		return nil, problemUnavailable.with("No trace is kept.")
	}
	open, err := s.opts.Batches.Batches(ctx, trace.Query{Open: true, Limit: 200})
	if err != nil {
		return nil, err
	}
	var list []shelf.Poured
	for _, b := range open {
		history, err := s.history(ctx, b.ID)
		if err != nil {
			return nil, err
		}
		var sheet plan.Sheet
		if len(b.Sheet) > 0 {
			if err := json.Unmarshal(b.Sheet, &sheet); err != nil {
				s.log.Warn("a sheet can't be read", "batch", b.ID, "error", err)
			}
		}
		if p, ok := shelf.FromEvents(b.ID, sheet, history); ok {
			if b.Name != "" {
				p.Name = b.Name
			}
			list = append(list, p)
		}
	}
	return list, nil
}

func (s *Server) shelf(w http.ResponseWriter, r *http.Request) error {
	return s.heavy(r.Context(), func() error {
		list, err := s.poured(r.Context())
		if err != nil {
			return s.batchError(r, err)
		}
		return writeJSON(w, http.StatusOK, shelf.NewBoard(list, s.now().UTC()))
	})
}

func (s *Server) calendar(w http.ResponseWriter, r *http.Request) error {
	return s.heavy(r.Context(), func() error {
		list, err := s.poured(r.Context())
		if err != nil {
			return s.batchError(r, err)
		}
		body, err := shelf.Calendar(list, s.now().UTC())
		if err != nil {
			return err
		}
		sendFile(w, "text/calendar; charset=utf-8", "shelf.ics", true, body)
		return nil
	})
}

func (s *Server) lesson(w http.ResponseWriter, r *http.Request) error {
	if s.opts.Lesson == nil {
		return problemUnavailable.with("Nothing is learnt here.")
	}
	return s.heavy(r.Context(), func() error {
		v, err := s.opts.Lesson(r.Context())
		if err != nil {
			return s.batchError(r, err)
		}
		return writeJSON(w, http.StatusOK, v)
	})
}

// sheetText is the sheet as it is printed in a terminal.
func sheetText(sheet plan.Sheet) (string, error) {
	var b bytes.Buffer
	if err := sheet.Print(&b); err != nil {
		return "", fmt.Errorf("printing the sheet: %w", err)
	}
	return b.String(), nil
}

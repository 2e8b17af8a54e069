package dashboard

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"io"
	"math"
	"mime"
	"net/http"
	"slices"
	"strconv"
	"sync"
	"time"

	"example.org/meltstation/alerts/plan"
	"example.org/meltstation/alerts/record"
	"example.org/meltstation/alerts/shelf"
	"example.org/meltstation/alerts/station"
	"example.org/meltstation/dashboard/records"
	"example.org/meltstation/probe"
	"example.org/meltstation/probe/trace"
)

// Batches is where the batches and their curves are. A [trace.Store] is one.
type Batches = records.Store

// batchError turns a failure of the trace into an answer.
func (s *Server) batchError(r *http.Request, err error) error {
	if errors.Is(err, trace.ErrNoBatch) {
		return problemNotFound.with("There is no batch of that code.")
	}
	for _, c := range []struct {
		is error
		as problem
	}{
		{records.ErrNotPoured, problemNotNow},
		{records.ErrClosed, problemNotNow},
		{records.ErrNoEvent, problemNoEvent},
		{records.ErrNoPhoto, problemNotFound},
		{records.ErrPhoto, problemInvalid},
		{records.ErrPhotosFull, problemInvalid},
		{plan.ErrNoCorrection, problemInvalid},
	} {
		if errors.Is(err, c.is) {
			return c.as.with(sentence(clip(err.Error(), 500)))
		}
	}
	return s.refused(r, err)
}

// potNames returns what a pot is called on paper; "" = it has left the settings. They
// are those of the settings, which hold for as long as the station runs.
func potNames(st Station) func(id string) string {
	names := sync.OnceValue(func() map[string]string {
		names := map[string]string{}
		for _, p := range st.Snapshot().Pots {
			names[p.ID] = p.Name
		}
		return names
	})
	return func(id string) string { return names()[id] }
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
	if s.book == nil {
		return problemUnavailable.with("No records are kept.")
	}
	return s.heavy(r.Context(), func() error {
		rec, err := s.book.Record(r.Context(), r.PathValue("id"))
		if err != nil {
			return s.batchError(r, err)
		}
		return writeJSON(w, http.StatusOK, rec)
	})
}

// notes keeps what was found of a batch's candles: an event like any other, so
// that every page sees it.
func (s *Server) notes(w http.ResponseWriter, r *http.Request) error {
	var req struct {
		ID    string      `json:"id"`
		Found *plan.Found `json:"found"`
		Text  string      `json:"text"`
	}
	if err := readJSON(w, r, maxBody, &req); err != nil {
		return err
	}
	if s.book == nil {
		return problemUnavailable.with("No records are kept.")
	}
	if !okID(req.ID) {
		return problemInvalid.with(badID)
	}
	if len(req.Text) > maxText || req.Found == nil && req.Text == "" {
		return problemInvalid.with("Say what was found, in at most 4000 bytes.")
	}
	if req.Found == nil {
		req.Found = &plan.Found{}
	}
	if bad := req.Found.Validate(); len(bad) > 0 {
		return recipeProblem(bad[0])
	}
	if err := s.book.HavePhotos(r.Context(), r.PathValue("id"), req.Found.Photos); err != nil {
		return s.batchError(r, err)
	}
	return s.tapBatch(w, r, station.Tap{ID: req.ID, Kind: plan.EventFound, Found: req.Found, Text: req.Text, Who: identityOf(r).name()})
}

// batchTap is tap for a batch wherever it is: in its pot, on the shelf, or closed.
func (s *Server) batchTap(w http.ResponseWriter, r *http.Request) error {
	t, err := s.readTap(w, r)
	if err != nil {
		return err
	}
	return s.tapBatch(w, r, t)
}

func (s *Server) tapBatch(w http.ResponseWriter, r *http.Request, t station.Tap) error {
	pot, err := s.potOf(r)
	if err != nil {
		return err
	}
	t.Batch, t.Stamp = r.PathValue("id"), 0
	e, err := s.station.Tap(r.Context(), pot, t)
	if closed(err) {
		e, err = s.book.Add(r.Context(), t.Batch, plan.Event{
			ID: t.ID, Kind: t.Kind, Who: t.Who, Celsius: t.Celsius, Grams: t.Grams, Text: t.Text, Lots: t.Lots, Found: t.Found,
		})
		if err != nil {
			return s.batchError(r, err)
		}
	}
	if err != nil {
		return s.unsaved(r, e.ID != "", err)
	}
	return writeJSON(w, http.StatusOK, map[string]plan.Event{"event": e})
}

// potOf is the pot that the request's batch was made in.
func (s *Server) potOf(r *http.Request) (string, error) {
	if s.book == nil {
		return "", problemUnavailable.with("No records are kept.")
	}
	b, err := s.opts.Batches.Batch(r.Context(), r.PathValue("id"))
	if err != nil {
		return "", s.batchError(r, err)
	}
	return b.Pot, nil
}

// closed reports whether the station refuses because it has let go of the batch:
// it is neither in its pot nor on the shelf.
func closed(err error) bool {
	return errors.Is(err, station.ErrNoBatch) || errors.Is(err, station.ErrNoPot) || errors.Is(err, station.ErrNoEvent)
}

// batchCorrect is correct for a batch wherever it is.
func (s *Server) batchCorrect(w http.ResponseWriter, r *http.Request) error {
	to, err := s.readCorrection(w, r)
	if err != nil {
		return err
	}
	who := identityOf(r).name()
	return s.amendBatch(w, r,
		func(pot, event string) error { return s.station.Correct(r.Context(), pot, event, to, who) },
		func(batch, event string) error { return s.book.Correct(r.Context(), batch, event, to, who) })
}

// batchWithdraw is withdraw for a batch wherever it is.
func (s *Server) batchWithdraw(w http.ResponseWriter, r *http.Request) error {
	who := identityOf(r).name()
	return s.amendBatch(w, r,
		func(pot, event string) error { return s.station.Withdraw(r.Context(), pot, event, who) },
		func(batch, event string) error { return s.book.Withdraw(r.Context(), batch, event, who) })
}

func (s *Server) amendBatch(w http.ResponseWriter, r *http.Request, open, shut func(where, event string) error) error {
	pot, err := s.potOf(r)
	if err != nil {
		return err
	}
	batch, event := r.PathValue("id"), r.PathValue("event")
	history, err := s.book.History(r.Context(), batch)
	if err != nil {
		return s.batchError(r, err)
	}
	if !slices.ContainsFunc(history, func(e plan.Event) bool { return e.ID == event }) { // it may be another batch's
		return s.batchError(r, fmt.Errorf("%w: %q", records.ErrNoEvent, event))
	}
	err = open(pot, event)
	if closed(err) {
		if err := shut(batch, event); err != nil {
			return s.batchError(r, err)
		}
		return s.done(w, r, nil)
	}
	return s.noted(w, r, err)
}

// addPhoto keeps a photo with a batch; the notes that follow name it.
func (s *Server) addPhoto(w http.ResponseWriter, r *http.Request) error {
	if s.book == nil {
		return problemUnavailable.with("No records are kept.")
	}
	if media, _, err := mime.ParseMediaType(r.Header.Get("Content-Type")); err != nil || media != "image/jpeg" {
		return problemPhotoType.with("A photo is sent as image/jpeg.")
	}
	// A phone far from the router takes its time to send: that holds nobody up.
	body, err := io.ReadAll(http.MaxBytesReader(w, r.Body, records.PhotoSent))
	if err != nil {
		var big *http.MaxBytesError
		if errors.As(err, &big) {
			return problemPhotoSize.with(fmt.Sprintf("A photo of at most %d KiB is taken.", records.PhotoSent>>10))
		}
		return problemBadRequest.with("The photo broke off.")
	}
	return s.heavy(r.Context(), func() error {
		name, err := s.book.AddPhoto(r.Context(), r.PathValue("id"), body, identityOf(r).name())
		if err != nil {
			return s.batchError(r, err)
		}
		return writeJSON(w, http.StatusCreated, map[string]string{"name": name})
	})
}

// photo sends one photo. It is the encoder's own JPEG, and nothing may take it for
// anything else.
func (s *Server) photo(w http.ResponseWriter, r *http.Request) error {
	if s.book == nil {
		return problemUnavailable.with("No records are kept.")
	}
	data, err := s.book.Photo(r.Context(), r.PathValue("id"), r.PathValue("name"))
	if err != nil {
		return s.batchError(r, err)
	}
	sendFile(w, "default-src 'none'; sandbox; frame-ancestors 'none'", "image/jpeg", r.PathValue("id")+"-"+r.PathValue("name"), false, data)
	return nil
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
		if s.book == nil {
			return problemUnavailable.with("No records are kept.")
		}
		id := r.PathValue("id")
		return s.heavy(r.Context(), func() error {
			var body bytes.Buffer // whole before anything is sent, so that a failure is an answer too
			if err := s.book.Write(r.Context(), &body, id, format); err != nil {
				return s.batchError(r, err)
			}
			f := recordFiles[format]
			policy := recordPolicy
			if format == "html" {
				policy = record.CSP() + "; frame-ancestors 'none'"
			}
			sendFile(w, policy, f.kind, id+"."+format, f.download, body.Bytes())
			return nil
		})
	}
}

// labels gives a page of small labels with the batch code.
func (s *Server) labels(w http.ResponseWriter, r *http.Request) error {
	if s.book == nil {
		return problemUnavailable.with("No records are kept.")
	}
	n, err := number(r.URL.Query().Get("n"), 24, 1, 500)
	if err != nil {
		return err
	}
	return s.heavy(r.Context(), func() error {
		rec, err := s.book.Record(r.Context(), r.PathValue("id"))
		if err != nil {
			return s.batchError(r, err)
		}
		var body bytes.Buffer
		if err := rec.Labels(&body, n, s.book.Location); err != nil {
			return err
		}
		sendFile(w, record.CSP()+"; frame-ancestors 'none'", "text/html; charset=utf-8", "labels.html", false, body.Bytes())
		return nil
	})
}

// sendFile sends a document that may carry its own style, but no script.
func sendFile(w http.ResponseWriter, policy, kind, name string, download bool, body []byte) {
	h := w.Header()
	h.Set("Content-Security-Policy", policy)
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
		history, err := s.book.History(r.Context(), id)
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

func (s *Server) shelf(w http.ResponseWriter, r *http.Request) error {
	if s.book == nil {
		return problemUnavailable.with("No records are kept.")
	}
	return s.heavy(r.Context(), func() error {
		list, err := s.book.Shelf(r.Context())
		if err != nil {
			return s.batchError(r, err)
		}
		return writeJSON(w, http.StatusOK, shelf.NewBoard(list, s.now().UTC()))
	})
}

func (s *Server) calendar(w http.ResponseWriter, r *http.Request) error {
	if s.book == nil {
		return problemUnavailable.with("No records are kept.")
	}
	return s.heavy(r.Context(), func() error {
		list, err := s.book.Shelf(r.Context())
		if err != nil {
			return s.batchError(r, err)
		}
		now := s.now().UTC()
		list = slices.DeleteFunc(list, func(p shelf.Poured) bool { // nothing is left to wait for
			return !slices.ContainsFunc(p.Items(now), func(it shelf.Item) bool { return it.State == shelf.Waiting })
		})
		body, err := shelf.Calendar(list, now)
		if err != nil {
			return err
		}
		sendFile(w, recordPolicy, "text/calendar; charset=utf-8", "shelf.ics", true, body)
		return nil
	})
}

func (s *Server) lesson(w http.ResponseWriter, r *http.Request) error {
	if s.book == nil {
		return problemUnavailable.with("No records are kept.")
	}
	query := r.URL.Query()
	recipe, show := query.Get("recipe"), plan.Display{Temperature: query.Get("temperature"), Mass: query.Get("mass")}
	if !slices.Contains([]string{"", "C", "F"}, show.Temperature) || !slices.Contains([]string{"", "g", "oz"}, show.Mass) {
		return problemInvalid.with("Temperatures are shown in C or F, masses in g or oz.")
	}
	if len(recipe) > maxShort {
		return problemInvalid.with("There is no recipe of so long a name.")
	}
	return s.heavy(r.Context(), func() error {
		v, err := s.book.Lesson(r.Context(), recipe, show)
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

package dashboard

import (
	"context"
	"fmt"
	"math"
	"net/http"
	"slices"
	"time"

	"example.org/meltstation/alerts/plan"
	"example.org/meltstation/alerts/station"
)

// Station is what the server shows and passes taps on to: a [station.Station],
// or a fake. Its methods may be called by many goroutines.
//
// Subscribe never makes the station wait: a channel whose buffer is full is
// closed. Errors wrap one of the station's own (ErrNoPot and so on) where the
// asker is at fault.
type Station interface {
	Snapshot() station.Snapshot
	Subscribe(buffer int) (<-chan station.Update, func())

	// An error beside a batch code or an event says that it was noted, but is not on disk.
	Start(ctx context.Context, pot string, r station.StartRequest) (batch string, err error)
	Tap(ctx context.Context, pot string, t station.Tap) (plan.Event, error)
	Withdraw(ctx context.Context, pot, eventID, who string) error
	Correct(ctx context.Context, pot, eventID string, to plan.Event, who string) error
	Confirm(ctx context.Context, pot, eventID, who string, yes bool) error

	Acknowledge(ctx context.Context, pot, key, who string) error
	Shelve(ctx context.Context, pot, key, who string, d time.Duration) error
	Unshelve(ctx context.Context, pot, key, who string) error
	Reset(ctx context.Context, pot, key, who string) error
	Remove(ctx context.Context, pot, key, who, reason string) error
	Restore(ctx context.Context, pot, key, who string) error

	TestChannels(ctx context.Context) []station.ChannelView
}

var _ Station = (*station.Station)(nil)

// tapKinds are what may be tapped; corrections and withdrawals have routes of
// their own, and so has a start.
var tapKinds = []plan.EventKind{
	plan.EventScentAdded, plan.EventStirred, plan.EventHeatOff, plan.EventHeatOn, plan.EventJugOut,
	plan.EventPourStart, plan.EventPoured, plan.EventLeftOver, plan.EventWicks, plan.EventTrimmed,
	plan.EventMoved, plan.EventCured, plan.EventAbandoned, plan.EventNote, plan.EventProbeOut,
	plan.EventProbeIn, plan.EventTouched, plan.EventLots, plan.EventFound,
}

func (s *Server) snapshot(w http.ResponseWriter, r *http.Request) error {
	snap := s.station.Snapshot()
	snap.Type, snap.Role = "snapshot", string(identityOf(r).role)
	return writeJSON(w, http.StatusOK, snap)
}

func (s *Server) start(w http.ResponseWriter, r *http.Request) error {
	var req station.StartRequest
	if err := readJSON(w, r, maxBigBody, &req); err != nil {
		return err
	}
	if !okID(req.ID) {
		return problemInvalid.with(badID)
	}
	if len(req.Name) > maxShort || len(req.Lots) > 100 || slices.ContainsFunc(req.Lots, func(l string) bool { return len(l) > maxShort }) {
		return problemInvalid.with("A name or a lot is too long.")
	}
	if err := checkLots(req.LotOf); err != nil {
		return err
	}
	if err := checkSheet(req.Sheet); err != nil {
		return err
	}
	req.Who = identityOf(r).name()
	batch, err := s.station.Start(r.Context(), r.PathValue("pot"), req)
	if err != nil {
		return s.unsaved(r, batch != "", err)
	}
	return writeJSON(w, http.StatusCreated, map[string]string{"batch": batch})
}

const badID = `"id" must be 8 to 64 letters, digits, dashes or underscores, made afresh for each thing done.`

// checkSheet bounds what a sheet may hold; whether it makes sense is for the
// station to say.
func checkSheet(sheet plan.Sheet) error {
	if len(sheet.Wax)+len(sheet.Fragrance)+len(sheet.Extras) > 200 || len(sheet.Containers) > 200 {
		return problemInvalid.with("The sheet has more than 200 lines.")
	}
	for _, parts := range [][]plan.Part{sheet.Wax, sheet.Fragrance, sheet.Extras} {
		for _, p := range parts {
			if !amount(p.Grams) || len(p.Name) > maxShort || len(p.Lot) > maxShort {
				return problemInvalid.with("A part of the sheet has an impossible weight or too long a name.")
			}
		}
	}
	for _, c := range sheet.Containers {
		if c.Count < 0 || c.Count > 100_000 || !amount(c.Grams) || len(c.Name) > maxShort {
			return problemInvalid.with("A container of the sheet has an impossible count or weight, or too long a name.")
		}
	}
	return nil
}

// amount reports whether g can be a mass in a kitchen, in grams.
func amount(g float64) bool { return g >= 0 && g <= 1e6 }

// temperature reports whether c can be a wax temperature as a maker types it; 0
// stands for "not given".
func temperature(c float64) bool { return !math.IsNaN(c) && c >= -50 && c <= 400 }

func (s *Server) tap(w http.ResponseWriter, r *http.Request) error {
	t, err := s.readTap(w, r)
	if err != nil {
		return err
	}
	e, err := s.station.Tap(r.Context(), r.PathValue("pot"), t)
	if err != nil {
		return s.unsaved(r, e.ID != "", err)
	}
	return writeJSON(w, http.StatusOK, map[string]plan.Event{"event": e})
}

// readTap reads a tap and bounds what it may say.
func (s *Server) readTap(w http.ResponseWriter, r *http.Request) (station.Tap, error) {
	var t station.Tap
	if err := readJSON(w, r, maxBody, &t); err != nil {
		return t, err
	}
	if !okID(t.ID) {
		return t, problemInvalid.with(badID)
	}
	if t.Kind == "" {
		return t, problemInvalid.with("Say which tap it is, in its \"kind\".")
	}
	if !slices.Contains(tapKinds, t.Kind) {
		return t, problemInvalid.with("There is no tap " + quote(string(t.Kind)) + ".")
	}
	if err := checkEvent(t.Grams, t.Celsius, t.First, t.Last, t.Counts, t.Text); err != nil {
		return t, err
	}
	if err := checkLots(t.Lots); err != nil {
		return t, err
	}
	if t.Found != nil {
		if bad := t.Found.Validate(); len(bad) > 0 {
			return t, recipeProblem(bad[0])
		}
		if len(t.Found.Photos) > 0 {
			return t, problemInvalid.with("Photos are sent with the notes of their batch.")
		}
	}
	if t.Batch != "" && !okName(t.Batch, maxIDLength) {
		return t, problemInvalid.with("There is no batch of that name.")
	}
	t.Who = identityOf(r).name()
	return t, nil
}

// checkLots bounds what lots may be noted.
func checkLots(lots map[string]string) error {
	if len(lots) > 200 {
		return problemInvalid.with("There are more than 200 lots.")
	}
	for name, lot := range lots {
		if len(name) > maxShort || len(lot) > maxShort {
			return problemInvalid.with("A lot is too long.")
		}
	}
	return nil
}

// checkEvent bounds what an event may say.
func checkEvent(grams, celsius, first, last float64, counts map[string]int, text string) error {
	switch {
	case !amount(grams):
		return problemInvalid.with(fmt.Sprintf("%g g can't be weighed here.", grams))
	case !temperature(celsius) || !temperature(first) || !temperature(last):
		return problemInvalid.with("A temperature is impossible.")
	case len(counts) > 100:
		return problemInvalid.with("At most 100 kinds of container can be counted.")
	case len(text) > maxText:
		return problemInvalid.with(fmt.Sprintf("At most %d bytes of text can be kept with it.", maxText))
	}
	for name, n := range counts {
		if n < 0 || n > 100_000 || len(name) > maxShort {
			return problemInvalid.with("A count of containers is impossible.")
		}
	}
	return nil
}

func (s *Server) correct(w http.ResponseWriter, r *http.Request) error {
	to, err := s.readCorrection(w, r)
	if err != nil {
		return err
	}
	return s.noted(w, r, s.station.Correct(r.Context(), r.PathValue("pot"), r.PathValue("id"), to, identityOf(r).name()))
}

// readCorrection reads what an event is to say; only what a maker may mend is
// passed on.
func (s *Server) readCorrection(w http.ResponseWriter, r *http.Request) (plan.Event, error) {
	var e plan.Event
	if err := readJSON(w, r, maxBody, &e); err != nil {
		return e, err
	}
	if err := checkEvent(e.Grams, e.Celsius, e.First, e.Last, e.Counts, e.Text); err != nil {
		return e, err
	}
	if !e.Wall.IsZero() && (e.Wall.Year() < 2000 || e.Wall.After(s.now().Add(24*time.Hour))) {
		return e, problemInvalid.with("The time of day is not one at which it can have happened.")
	}
	return plan.Event{Kind: e.Kind, Wall: e.Wall, Celsius: e.Celsius, Grams: e.Grams, Counts: e.Counts, First: e.First, Last: e.Last, Text: e.Text}, nil
}

func (s *Server) withdraw(w http.ResponseWriter, r *http.Request) error {
	return s.noted(w, r, s.station.Withdraw(r.Context(), r.PathValue("pot"), r.PathValue("id"), identityOf(r).name()))
}

func (s *Server) confirm(w http.ResponseWriter, r *http.Request) error {
	return s.noted(w, r, s.station.Confirm(r.Context(), r.PathValue("pot"), r.PathValue("id"), identityOf(r).name(), true))
}

func (s *Server) deny(w http.ResponseWriter, r *http.Request) error {
	return s.noted(w, r, s.station.Confirm(r.Context(), r.PathValue("pot"), r.PathValue("id"), identityOf(r).name(), false))
}

// notice runs one of the simple answers to an alarm or a cue.
func (s *Server) notice(do func(ctx context.Context, pot, key, who string) error) handler {
	return func(w http.ResponseWriter, r *http.Request) error {
		return s.noted(w, r, do(r.Context(), r.PathValue("pot"), r.PathValue("key"), identityOf(r).name()))
	}
}

// The limits of shelving. Time-limited by design: an alarm put aside for good
// is one taken out of service, with a reason.
const (
	minShelf = time.Minute
	maxShelf = time.Hour
)

func (s *Server) shelve(w http.ResponseWriter, r *http.Request) error {
	var req struct {
		Seconds float64 `json:"seconds"`
	}
	if err := readJSON(w, r, maxBody, &req); err != nil {
		return err
	}
	if !(req.Seconds >= minShelf.Seconds() && req.Seconds <= maxShelf.Seconds()) {
		return problemInvalid.with("An alarm can be put aside for 60 to 3600 seconds.")
	}
	d := time.Duration(req.Seconds * float64(time.Second))
	return s.noted(w, r, s.station.Shelve(r.Context(), r.PathValue("pot"), r.PathValue("key"), identityOf(r).name(), d))
}

func (s *Server) removeNotice(w http.ResponseWriter, r *http.Request) error {
	var req struct {
		Reason string `json:"reason"`
	}
	if err := readJSON(w, r, maxBody, &req); err != nil {
		return err
	}
	if req.Reason == "" || len(req.Reason) > maxText {
		return problemInvalid.with("Say in a few words why the alarm is taken out of service.")
	}
	return s.noted(w, r, s.station.Remove(r.Context(), r.PathValue("pot"), r.PathValue("key"), identityOf(r).name(), req.Reason))
}

// done answers 204, or says why not.
func (s *Server) done(w http.ResponseWriter, r *http.Request, err error) error {
	if err != nil {
		return s.refused(r, err)
	}
	w.Header().Set("Cache-Control", "no-store")
	w.WriteHeader(http.StatusNoContent)
	return nil
}

// noted is done for what the station notes before it writes.
func (s *Server) noted(w http.ResponseWriter, r *http.Request, err error) error {
	if err != nil {
		return s.unsaved(r, true, err)
	}
	return s.done(w, r, nil)
}

// unsaved is refused for what the station may have noted all the same: it then
// stands in memory and not on disk, and only what is on disk is answered with 200.
func (s *Server) unsaved(r *http.Request, noted bool, err error) error {
	if noted && stationProblem(err) == nil {
		s.log.Error("what was noted is not on disk", "path", r.URL.Path, "error", err)
		return problemUnsaved.with(sentence(clip(err.Error(), 300)))
	}
	return s.refused(r, err)
}

// refused turns an error of the station's into a problem; a conflict shows the
// pot as it now is.
func (s *Server) refused(r *http.Request, err error) error {
	p := stationProblem(err)
	if p == nil {
		s.log.Error("the station could not do what was asked", "path", r.URL.Path, "error", err)
		return problemUnavailable.with(sentence(clip(err.Error(), 300)))
	}
	if p.Status == http.StatusConflict {
		for _, pot := range s.station.Snapshot().Pots {
			if pot.ID == r.PathValue("pot") {
				p.Pot = &pot
			}
		}
	}
	return p
}

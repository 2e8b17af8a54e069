package dashboard

import (
	"errors"
	"fmt"
	"net/http"
	"slices"
	"time"

	"example.org/meltstation/alerts/plan"
	"example.org/meltstation/probe"
	"example.org/meltstation/probe/calibrate"
)

type pointView struct {
	Kind string    `json:"kind"`
	True float64   `json:"true"`
	Raw  float64   `json:"raw"`
	At   time.Time `json:"at"`
	By   string    `json:"by"`
	Note string    `json:"note,omitempty"`
}

type takingView struct {
	Kind    string   `json:"kind"`
	True    float64  `json:"true"`
	Note    string   `json:"note,omitempty"`
	Raw     *float64 `json:"raw"`
	Near    bool     `json:"near"`
	Quality string   `json:"quality,omitempty"`
	Steady  bool     `json:"steady"`
	Mean    float64  `json:"mean"`
	Range   float64  `json:"range"`
	Drift   float64  `json:"drift"` // a minute
	Span    float64  `json:"span"`  // s
	Hold    float64  `json:"hold"`  // s
}

type calibrationView struct {
	Points []pointView `json:"points"` // in force, the newest first, at most two
	Taking *takingView `json:"taking"`
}

// viewCalibration is what is known of a probe's calibration; book may be nil.
func (s *Server) viewCalibration(id string, book *calibrate.Book) *calibrationView {
	v := &calibrationView{Points: []pointView{}}
	if book != nil {
		for _, p := range book.For(id).Points() {
			v.Points = append(v.Points, pointView{string(p.Kind), p.True, p.Raw, p.At.UTC(), p.By, p.Note})
		}
	}
	if t, ok := s.opts.Calibration.Taking(id); ok {
		v.Taking = &takingView{
			Kind: string(t.Point.Kind), True: t.Point.True, Note: t.Point.Note, Near: t.Near, Quality: string(t.Quality),
			Steady: t.Verdict.Steady, Mean: t.Verdict.Mean, Range: t.Verdict.Range, Drift: t.Verdict.Drift,
			Span: t.Verdict.Span.Seconds(), Hold: t.Hold.Seconds(),
		}
		if t.Raw == t.Raw {
			v.Taking.Raw = &t.Raw
		}
	}
	return v
}

// calibrating finds the probe that a request is about, and refuses where a
// calibration would change what is read of wax that is being worked with.
func (s *Server) calibrating(r *http.Request) (probe.Status, error) {
	if s.opts.Calibration == nil || s.opts.Probes == nil {
		return probe.Status{}, problemUnavailable.with("Calibrations can't be taken here.")
	}
	id := r.PathValue("id")
	list := s.opts.Probes()
	i := slices.IndexFunc(list, func(p probe.Status) bool { return p.ID == id })
	if i < 0 {
		return probe.Status{}, problemNotFound.with("There is no such probe.")
	}
	for _, pot := range s.station.Snapshot().Pots {
		if list[i].Pot != "" && list[i].Pot != pot.ID {
			continue
		}
		switch pot.Stage {
		case plan.StageMelting, plan.StageScent, plan.StageStirring, plan.StageCooling, plan.StageWindow, plan.StageCold, plan.StagePouring:
			return probe.Status{}, problemNotNow.with(fmt.Sprintf("There is a batch in %s. Calibrate once it is poured.", pot.Name))
		}
	}
	return list[i], nil
}

// beginCalibration starts to watch a probe in ice, in boiling water or beside a
// thermometer that is trusted; "none" makes it count as it reads.
func (s *Server) beginCalibration(w http.ResponseWriter, r *http.Request) error {
	var req struct {
		Kind     calibrate.Kind `json:"kind"`
		Celsius  *float64       `json:"celsius"`  // of a reference
		Metres   *float64       `json:"metres"`   // of boiling: the altitude
		Pressure *float64       `json:"pressure"` // of boiling: hPa at the pot; goes before metres
	}
	if err := readJSON(w, r, maxBody, &req); err != nil {
		return err
	}
	st, err := s.calibrating(r)
	if err != nil {
		return err
	}
	p := calibrate.Point{Probe: st.ID, Kind: req.Kind, By: identityOf(r).name()}
	switch req.Kind {
	case calibrate.None:
		if _, err := s.opts.Calibration.Forget(st.ID, p.By); err != nil {
			return s.uncalibrated(err)
		}
		return s.done(w, r, nil)
	case calibrate.Ice:
	case calibrate.Reference:
		if req.Celsius == nil {
			return problemInvalid.with("Say what the other thermometer shows.")
		}
		p.True = *req.Celsius
	case calibrate.Boil:
		var hPa float64
		switch {
		case req.Pressure != nil:
			hPa = *req.Pressure
			p.Note = fmt.Sprintf("%.1f hPa measured", hPa)
		case req.Metres != nil:
			if hPa, err = calibrate.Pressure(*req.Metres); err != nil {
				return problemInvalid.with(sentence(err.Error()))
			}
			p.Note = fmt.Sprintf("%.0f m, %.0f hPa on an average day", *req.Metres, hPa)
		default:
			return problemInvalid.with("Water boils cooler the higher you are: say the altitude or the air pressure.")
		}
		if p.True, err = calibrate.Boiling(hPa); err != nil {
			return problemInvalid.with(sentence(err.Error()))
		}
	}
	if err := s.opts.Calibration.Begin(p); err != nil {
		return problemInvalid.with(sentence(clip(err.Error(), 300)))
	}
	return s.done(w, r, nil)
}

func (s *Server) keepCalibration(w http.ResponseWriter, r *http.Request) error {
	st, err := s.calibrating(r)
	if err != nil {
		return err
	}
	book, err := s.opts.Calibration.Keep(st.ID)
	if err != nil {
		return s.uncalibrated(err)
	}
	return writeJSON(w, http.StatusOK, s.viewCalibration(st.ID, book))
}

func (s *Server) giveUpCalibration(w http.ResponseWriter, r *http.Request) error {
	if s.opts.Calibration == nil {
		return problemUnavailable.with("Calibrations can't be taken here.")
	}
	s.opts.Calibration.GiveUp(r.PathValue("id"))
	return s.done(w, r, nil)
}

// uncalibrated turns an error of the calibrations into an answer.
func (s *Server) uncalibrated(err error) error {
	switch {
	case errors.Is(err, calibrate.ErrNoTaking), errors.Is(err, calibrate.ErrNotSteady):
		return problemInvalid.with(sentence(err.Error()))
	}
	s.log.Error("a calibration could not be kept", "error", err)
	return problemUnavailable.with("The calibration could not be kept: " + clip(err.Error(), 300) + ".")
}

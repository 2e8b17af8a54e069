package dashboard

import (
	"encoding/json"
	"errors"
	"fmt"
	"net/http"

	"example.org/meltstation/alerts"
	"example.org/meltstation/alerts/station"
	"example.org/meltstation/dashboard/records"
)

// problem is an error answer after RFC 9457, section 3.
type problem struct {
	Type   string `json:"type"`
	Title  string `json:"title"`
	Status int    `json:"status"`
	Detail string `json:"detail,omitempty"`
	Mend   string `json:"mend,omitempty"` // what to do about it
	Code   string `json:"code"`           // what a page branches on

	Fields []fieldFault `json:"fields,omitempty"` // what is wrong with a form, by field

	Pot *station.PotView `json:"pot,omitempty"` // as it now stands, where a tap was refused
}

// Error makes a problem an error, so that a handler can return one.
func (p *problem) Error() string { return p.Title + ": " + p.Detail }

// with returns a copy of p with its own detail.
func (p problem) with(detail string) *problem {
	p.Detail = detail
	return &p
}

// The kinds of problem. Each is copied with a detail of its own; the mend
// stands unless a better one is known.
var (
	problemBadRequest  = problem{Status: 400, Code: "bad-request", Title: "This can't be read", Mend: "Reload the page and try again."}
	problemTooLarge    = problem{Status: 413, Code: "too-large", Title: "This is too long", Mend: "Shorten the text and try again."}
	problemBadType     = problem{Status: 415, Code: "bad-type", Title: "This is not JSON", Mend: `Send JSON with the header "Content-Type: application/json".`}
	problemPhotoType   = problem{Status: 415, Code: "bad-type", Title: "This is no photo", Mend: `Send a JPEG with the header "Content-Type: image/jpeg".`}
	problemPhotoSize   = problem{Status: 413, Code: "too-large", Title: "The photo is too large", Mend: fmt.Sprintf("Send it scaled down to %d pixels.", records.PhotoSide)}
	problemNotFound    = problem{Status: 404, Code: "not-found", Title: "Not found", Mend: "Go back to the first view; what you look for may have been removed."}
	problemBadMethod   = problem{Status: 405, Code: "bad-method", Title: "Not that way", Mend: "See the Allow header for what can be done here."}
	problemUnpaired    = problem{Status: 401, Code: "unpaired", Title: "This device is not paired", Mend: "Ask for a pairing code at the station or on a paired phone, and enter it at /pair."}
	problemForbidden   = problem{Status: 403, Code: "forbidden", Title: "Viewers can only look", Mend: "Pair this device again with a maker's code."}
	problemWrongHost   = problem{Status: 421, Code: "wrong-host", Title: "The station does not go by that name", Mend: "Use the address that the station prints at its start, or add this name to its configuration."}
	problemCrossSite   = problem{Status: 403, Code: "cross-site", Title: "Asked for by another site", Mend: "Open the station's own page and do it there."}
	problemStale       = problem{Status: 409, Code: "stale", Title: "The pot has moved on", Mend: "Look at the pot as it is now, and tap again if it still holds."}
	problemNotNow      = problem{Status: 409, Code: "not-now", Title: "That doesn't fit where the batch stands", Mend: "Look at the pot as it is now; a mistaken tap can be taken back."}
	problemBusy        = problem{Status: 409, Code: "busy", Title: "A batch is already in this pot", Mend: "Finish or give up that batch first, or use another pot."}
	problemInvalid     = problem{Status: 422, Code: "invalid", Title: "A value is missing or impossible", Mend: "Mend the value and send it again."}
	problemNoBatch     = problem{Status: 409, Code: "no-batch", Title: "No batch is in this pot", Mend: "Start a batch first."}
	problemNoEvent     = problem{Status: 404, Code: "no-event", Title: "There is no such event in this batch", Mend: "Reload the page; it may have been taken back already."}
	problemCodeWrong   = problem{Status: 403, Code: "code-wrong", Title: "That code doesn't work", Mend: "Check it letter by letter. A code lasts 5 minutes and serves once; ask for a new one if in doubt."}
	problemTooMany     = problem{Status: 429, Code: "too-many", Title: "Too many tries", Mend: "Wait a minute, then try again."}
	problemUnavailable = problem{Status: 503, Code: "unavailable", Title: "The station can't do this now", Mend: "Try again shortly. The watch on the wax goes on."}
	problemUnsaved     = problem{Status: 503, Code: "unsaved", Title: "Noted, but not on disk yet", Mend: "It stands while the station runs, and is written as soon as the disk takes it. Don't do it again; see what is wrong with the disk."}
	problemInternal    = problem{Status: 500, Code: "internal", Title: "Something went wrong in the station", Mend: "Try again; the station's log says more. The watch on the wax goes on."}
)

// stationProblem turns an error of the station's into the answer for it.
func stationProblem(err error) *problem {
	var p *problem
	if errors.As(err, &p) {
		return p
	}
	for _, c := range []struct {
		is error
		as problem
	}{
		{station.ErrNoPot, problemNotFound},
		{station.ErrNoBatch, problemNoBatch},
		{station.ErrBusy, problemBusy},
		{station.ErrStale, problemStale},
		{station.ErrNotNow, problemNotNow},
		{station.ErrNoEvent, problemNoEvent},
		{station.ErrInvalid, problemInvalid},
		{alerts.ErrUnknownKey, problemNotFound},
		{alerts.ErrNotStanding, problemNotNow},
		{alerts.ErrNotShelved, problemNotNow},
		{alerts.ErrNotRemoved, problemNotNow},
		{alerts.ErrNoLatch, problemNotNow},
		{alerts.ErrMayNotShelf, problemNotNow},
		{alerts.ErrShelfLength, problemInvalid},
		{alerts.ErrNoReason, problemInvalid},
	} {
		if errors.Is(err, c.is) {
			return c.as.with(sentence(clip(err.Error(), 500)))
		}
	}
	return nil
}

// writeProblem answers with p.
func writeProblem(w http.ResponseWriter, p *problem) {
	q := *p
	q.Type = "tag:example.org,2026:meltstation/" + q.Code
	body, err := json.Marshal(q)
	if err != nil { // a pot view that has no JSON form; the rest has one
		q.Pot = nil
		body, _ = json.Marshal(q)
	}
	w.Header().Set("Content-Type", "application/problem+json")
	w.Header().Set("Cache-Control", "no-store")
	if q.Status == http.StatusTooManyRequests {
		w.Header().Set("Retry-After", "60")
	}
	w.WriteHeader(q.Status)
	w.Write(append(body, '\n'))
}

package dashboard

import (
	"context"
	"net/http"
	"time"
)

// healthz says that the process answers.
func (s *Server) healthz(w http.ResponseWriter, r *http.Request) error {
	return writeJSON(w, http.StatusOK, map[string]string{"status": "ok"})
}

// readyz says whether everything works, and to those who may look, what doesn't.
func (s *Server) readyz(w http.ResponseWriter, r *http.Request) error {
	type line struct {
		Name   string `json:"name"`
		OK     bool   `json:"ok"`
		Detail string `json:"detail,omitempty"`
	}
	answer := struct {
		Status string `json:"status"`
		Checks []line `json:"checks,omitempty"`
	}{Status: "ready"}
	ctx, cancel := context.WithTimeout(r.Context(), 5*time.Second)
	defer cancel()
	status := http.StatusOK
	note := func(name string, err error) {
		l := line{Name: name, OK: err == nil}
		if err != nil {
			l.Detail = err.Error()
			answer.Status, status = "not-ready", http.StatusServiceUnavailable
		}
		answer.Checks = append(answer.Checks, l)
	}
	for _, c := range s.ready {
		note(c.Name, c.Check(ctx))
	}
	for _, t := range s.station.Snapshot().Troubles {
		note(t.Key, trouble(t.Text))
	}
	if identityOf(r).role == "" {
		answer.Checks = nil
	}
	return writeJSON(w, status, answer)
}

// trouble is something wrong with the station, in plain words.
type trouble string

func (t trouble) Error() string { return string(t) }

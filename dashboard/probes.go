package dashboard

import (
	"math"
	"net"
	"net/http"
	"net/netip"
	"net/url"
	"strings"
	"time"

	"example.org/meltstation/alerts/station"
	"example.org/meltstation/dashboard/metrics"
	"example.org/meltstation/probe"
	"example.org/meltstation/probe/calibrate"
	"example.org/meltstation/probe/trace"
)

type probeView struct {
	ID       string               `json:"id"`
	Name     string               `json:"name"`
	Kind     string               `json:"kind"`
	Where    string               `json:"where"`
	Pot      string               `json:"pot"`
	Role     string               `json:"role"`
	Attached bool                 `json:"attached"`
	Last     *station.ReadingView `json:"last"`
	Good     *station.ReadingView `json:"good"`
	Rate     float64              `json:"rate"` // good readings per second
	Readings int                  `json:"readings"`
	Errors   map[string]int       `json:"errors"`
	Since    time.Time            `json:"since,omitzero"`
	Mend     string               `json:"mend"`

	Calibration *calibrationView `json:"calibration,omitempty"`
}

func (s *Server) probes(w http.ResponseWriter, r *http.Request) error {
	list := []probeView{}
	if s.opts.Probes != nil {
		now := s.now()
		var book *calibrate.Book
		if s.opts.Calibration != nil {
			var err error
			if book, err = s.opts.Calibration.Book(); err != nil { // shown as a trouble of the station
				s.log.Warn("the calibrations can't be read", "error", err)
			}
		}
		for _, p := range s.opts.Probes() {
			v := probeView{
				ID: p.ID, Name: p.Name, Kind: p.Kind, Where: p.Where, Pot: p.Pot, Role: string(p.Role), Attached: p.Attached,
				Last: viewReading(p.Last, now), Good: viewReading(p.LastGood, now), Readings: p.Readings,
				Errors: map[string]int{}, Since: p.Since.UTC(), Mend: p.Mend,
			}
			if !math.IsNaN(p.RateHz) && !math.IsInf(p.RateHz, 0) {
				v.Rate = p.RateHz
			}
			if p.Since.IsZero() {
				v.Since = time.Time{}
			}
			for q, n := range p.Errors {
				v.Errors[string(q)] = n
			}
			if s.opts.Calibration != nil {
				v.Calibration = s.viewCalibration(p.ID, book)
			}
			list = append(list, v)
		}
	}
	return writeJSON(w, http.StatusOK, map[string]any{"probes": list, "altitude": s.opts.Altitude})
}

// countProbes is what the metrics show of the probes.
func countProbes(list []probe.Status) []metrics.Probe {
	out := make([]metrics.Probe, len(list))
	for i, p := range list {
		out[i] = metrics.Probe{ID: p.ID, Up: p.Attached && p.Last.OK(), Good: uint64(p.Readings), Errors: make(map[string]uint64)}
		for q, n := range p.Errors {
			out[i].Errors[string(q)] = uint64(n)
		}
	}
	return out
}

// countStore is what the metrics show of the trace.
func countStore(h trace.Health) metrics.Store {
	return metrics.Store{Healthy: h.Err == nil, Spooled: h.Spooled, Lost: uint64(h.Dropped), Bytes: h.Size, Free: h.DiskFree}
}

// viewReading is a reading as the page sees it; nil when there was none yet.
func viewReading(r probe.Reading, now time.Time) *station.ReadingView {
	if r.At.IsZero() {
		return nil
	}
	v := station.ReadingView{
		Probe: r.Probe, Role: string(r.Role), At: r.At.UTC(), Age: now.Sub(r.At).Seconds(),
		Quality: string(r.Quality), Detail: r.Detail,
	}
	if !math.IsNaN(r.Celsius) && !math.IsInf(r.Celsius, 0) {
		c := r.Celsius
		v.Celsius = &c
	}
	return &v
}

func (s *Server) channels(w http.ResponseWriter, r *http.Request) error {
	list := s.station.Snapshot().Channels
	if list == nil {
		list = []station.ChannelView{}
	}
	return writeJSON(w, http.StatusOK, map[string]any{"channels": list})
}

func (s *Server) testChannels(w http.ResponseWriter, r *http.Request) error {
	if !s.tests.Allow() { // mail servers and push services don't like to be hammered
		return problemTooMany.with("The channels were tried only just now.")
	}
	return writeJSON(w, http.StatusOK, map[string]any{"channels": s.station.TestChannels(r.Context())})
}

// checkEndpoint refuses a push endpoint that would make the station call into
// its own network: push services have public names.
func checkEndpoint(endpoint string) error {
	bad := problemInvalid.with("The push endpoint is not one of a public push service.")
	u, err := url.Parse(endpoint)
	if err != nil || u.User != nil || u.Fragment != "" {
		return bad
	}
	host := strings.ToLower(strings.TrimSuffix(u.Hostname(), "."))
	if _, err := netip.ParseAddr(host); err == nil || net.ParseIP(host) != nil {
		return bad
	}
	last := host[strings.LastIndexByte(host, '.')+1:]
	if last == host || last == "local" || last == "localhost" || last == "internal" || last == "lan" || last == "home" || host[len(host)-1] <= '9' {
		return bad
	}
	return nil
}

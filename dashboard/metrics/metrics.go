// Package metrics shows the station to a Prometheus server: what was last read,
// how old that is, what is forecast, which alarms stand, and how the program
// itself does. Units are base units; every name begins with "meltstation_".
//
// Nothing is counted twice: the values are taken from the station's own snapshot
// at the moment they are asked for.
package metrics

import (
	"fmt"
	"math"
	"net/http"
	"runtime"
	"strings"

	"github.com/prometheus/client_golang/prometheus"
	"github.com/prometheus/client_golang/prometheus/collectors"
	"github.com/prometheus/client_golang/prometheus/promhttp"

	"example.org/meltstation/alerts/station"
)

// Sources are where the values come from. All but Snapshot may be nil.
type Sources struct {
	Snapshot func() station.Snapshot
	Pages    func() (open int, dropped map[string]uint64) // websockets; dropped by reason
	Panics   func() uint64                                // requests that made a handler stumble
	Probes   func() []Probe
	Store    func() Store

	Version, Revision string // of the program
}

// Probe is what the supervisor has counted of one probe since the start.
type Probe struct {
	ID     string
	Up     bool              // the last attempt gave a reading
	Good   uint64            // good readings
	Errors map[string]uint64 // by kind
}

// Store is how the trace on disk does.
type Store struct {
	Healthy bool
	Spooled int    // entries in memory that wait to be written
	Lost    uint64 // entries given up because the spool was full
	Bytes   int64  // size of the file; negative = not known
	Free    int64  // bytes free on its disk; negative = not known
}

// Handler returns the exposition of s, in the Prometheus text format or
// OpenMetrics as asked.
func Handler(s Sources) (http.Handler, error) {
	r := prometheus.NewRegistry()
	for _, c := range []prometheus.Collector{
		newCollector(s),
		collectors.NewGoCollector(),
		collectors.NewProcessCollector(collectors.ProcessCollectorOpts{}),
	} {
		if err := r.Register(c); err != nil {
			return nil, fmt.Errorf("registering metrics: %w", err)
		}
	}
	return promhttp.HandlerFor(r, promhttp.HandlerOpts{
		EnableOpenMetrics:   true,
		MaxRequestsInFlight: 4,
		ErrorHandling:       promhttp.ContinueOnError,
	}), nil
}

type collector struct {
	src Sources

	temperature, age, good, trend              *prometheus.Desc
	forecast, forecastLow, forecastHigh, reach *prometheus.Desc
	stage, heat, notice, trouble               *prometheus.Desc
	pages, dropped, panics                     *prometheus.Desc
	probeUp, probeGood, probeErrors            *prometheus.Desc
	storeUp, storeSpooled, storeLost           *prometheus.Desc
	storeBytes, storeFree, channel, build      *prometheus.Desc
}

func newCollector(s Sources) *collector {
	desc := func(name, help string, labels ...string) *prometheus.Desc {
		return prometheus.NewDesc("meltstation_"+name, help, labels, nil)
	}
	return &collector{
		src:          s,
		temperature:  desc("temperature_celsius", "Last good reading of a probe.", "pot", "probe", "role"),
		age:          desc("reading_age_seconds", "Age of the last good reading of a probe.", "pot", "probe", "role"),
		good:         desc("reading_good", "1 if the last attempt to read a probe gave a good reading.", "pot", "probe", "role"),
		trend:        desc("temperature_trend_celsius_per_second", "How fast the wax warms (positive) or cools.", "pot"),
		forecast:     desc("forecast_seconds", "Seconds until the next thing to do, median; absent while it can't be known.", "pot", "next"),
		forecastLow:  desc("forecast_low_seconds", "Lower end of the 90 % interval of the forecast.", "pot", "next"),
		forecastHigh: desc("forecast_high_seconds", "Upper end of the 90 % interval of the forecast; +Inf when open.", "pot", "next"),
		reach:        desc("forecast_reach_ratio", "Probability that the temperature waited for is reached at all.", "pot", "next"),
		stage:        desc("stage", "1 for the stage a pot is at.", "pot", "stage"),
		heat:         desc("heat_on", "1 while the heat under a pot must be taken to be on.", "pot"),
		notice:       desc("alarm_state", "1 for the state of every alarm and cue that stands.", "pot", "key", "class", "priority", "state"),
		trouble:      desc("trouble", "1 for everything that is wrong with the station itself.", "key"),
		channel:      desc("channel_up", "1 if the last message over a channel to the maker went out.", "channel", "kind"),
		pages:        desc("websocket_clients", "Pages that are open."),
		dropped:      desc("websocket_dropped_total", "Pages that the station closed.", "reason"),
		panics:       desc("http_panics_total", "Requests that made a handler stumble."),
		probeUp:      desc("probe_up", "1 if a probe is open and answers.", "probe"),
		probeGood:    desc("probe_readings_total", "Good readings of a probe.", "probe"),
		probeErrors:  desc("probe_errors_total", "Readings of a probe that failed or were suspect.", "probe", "kind"),
		storeUp:      desc("store_healthy", "1 if the trace can be written."),
		storeSpooled: desc("store_spooled_entries", "Entries in memory that wait to be written."),
		storeLost:    desc("store_lost_entries_total", "Entries given up because the spool was full."),
		storeBytes:   desc("store_size_bytes", "Size of the trace on disk."),
		storeFree:    desc("store_free_bytes", "Free space on the disk of the trace."),
		build:        desc("build_info", "1, with what the program was built from.", "version", "revision", "goversion"),
	}
}

// Describe sends nothing: which series there are depends on the pots and probes.
// The registry then checks them as they come.
func (c *collector) Describe(chan<- *prometheus.Desc) {}

// Collect reads the station once.
func (c *collector) Collect(ch chan<- prometheus.Metric) {
	// Two series with the same labels would spoil the whole answer, and a probe
	// that serves every pot may be listed in more than one place.
	sent := make(map[string]bool)
	put := func(d *prometheus.Desc, kind prometheus.ValueType, v float64, labels ...string) {
		for i := range labels {
			labels[i] = strings.ToValidUTF8(labels[i], "?")
		}
		key := d.String() + "\x00" + strings.Join(labels, "\x00")
		if sent[key] {
			return
		}
		sent[key] = true
		ch <- prometheus.MustNewConstMetric(d, kind, v, labels...)
	}
	gauge := func(d *prometheus.Desc, v float64, labels ...string) { put(d, prometheus.GaugeValue, v, labels...) }
	count := func(d *prometheus.Desc, v uint64, labels ...string) {
		put(d, prometheus.CounterValue, float64(v), labels...)
	}

	snap := c.src.Snapshot()
	version := c.src.Version
	if version == "" {
		version = snap.Version
	}
	gauge(c.build, 1, version, c.src.Revision, runtime.Version())

	reading := func(pot string, last, good *station.ReadingView) {
		if last != nil {
			gauge(c.good, number(last.Quality == "good"), pot, last.Probe, last.Role)
		}
		if good != nil && good.Celsius != nil {
			gauge(c.temperature, *good.Celsius, pot, good.Probe, good.Role)
			gauge(c.age, max(0, good.Age), pot, good.Probe, good.Role)
		}
	}
	for _, p := range snap.Pots {
		reading(p.ID, p.Reading, p.LastGood)
		for i := range p.Probes {
			if r := &p.Probes[i]; r.Quality == "good" {
				reading(p.ID, r, r)
			} else {
				reading(p.ID, r, nil)
			}
		}
		if p.Trend != nil {
			gauge(c.trend, *p.Trend/60, p.ID)
		}
		gauge(c.stage, 1, p.ID, string(p.Stage))
		gauge(c.heat, number(p.HeatOn), p.ID)
		if n := p.Next; n != nil {
			if n.Eta != nil {
				gauge(c.forecast, *n.Eta, p.ID, n.Key)
				if n.Lo != nil {
					gauge(c.forecastLow, *n.Lo, p.ID, n.Key)
				}
				high := math.Inf(1)
				if n.Hi != nil {
					high = *n.Hi
				}
				gauge(c.forecastHigh, high, p.ID, n.Key)
			}
			if n.PReach != nil {
				gauge(c.reach, *n.PReach, p.ID, n.Key)
			}
		}
		for _, n := range p.Notices {
			gauge(c.notice, 1, p.ID, n.Key, n.Class, n.Priority, n.State)
		}
	}
	if r := snap.Room; r != nil {
		if r.Quality == "good" {
			reading("", r, r)
		} else {
			reading("", r, nil)
		}
	}
	for _, t := range snap.Troubles {
		gauge(c.trouble, 1, t.Key)
	}
	for _, h := range snap.Channels {
		gauge(c.channel, number(h.OK), h.Name, h.Kind)
	}
	if c.src.Pages != nil {
		open, dropped := c.src.Pages()
		gauge(c.pages, float64(open))
		for reason, n := range dropped {
			count(c.dropped, n, reason)
		}
	}
	if c.src.Panics != nil {
		count(c.panics, c.src.Panics())
	}
	if c.src.Probes != nil {
		for _, p := range c.src.Probes() {
			gauge(c.probeUp, number(p.Up), p.ID)
			count(c.probeGood, p.Good, p.ID)
			for kind, n := range p.Errors {
				count(c.probeErrors, n, p.ID, kind)
			}
		}
	}
	if c.src.Store != nil {
		st := c.src.Store()
		gauge(c.storeUp, number(st.Healthy))
		gauge(c.storeSpooled, float64(st.Spooled))
		count(c.storeLost, st.Lost)
		if st.Bytes >= 0 {
			gauge(c.storeBytes, float64(st.Bytes))
		}
		if st.Free >= 0 {
			gauge(c.storeFree, float64(st.Free))
		}
	}
}

func number(b bool) float64 {
	if b {
		return 1
	}
	return 0
}

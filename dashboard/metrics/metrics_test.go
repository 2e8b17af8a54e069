package metrics_test

import (
	"io"
	"math"
	"net/http/httptest"
	"strings"
	"testing"

	dto "github.com/prometheus/client_model/go"
	"github.com/prometheus/common/expfmt"
	"github.com/prometheus/common/model"

	"example.org/meltstation/alerts/station"
	"example.org/meltstation/dashboard/metrics"
)

func ptr(v float64) *float64 { return &v }

func snapshot() station.Snapshot {
	good := station.ReadingView{Probe: "jug", Role: "pot", Age: 0.5, Celsius: ptr(71.5), Quality: "good"}
	bad := station.ReadingView{Probe: "bath", Role: "bath", Age: 4, Quality: "crc"}
	return station.Snapshot{
		Version: "1.2",
		Room:    &station.ReadingView{Probe: "room", Role: "room", Age: 1, Celsius: ptr(21), Quality: "good"},
		Pots: []station.PotView{{
			ID: "a", Stage: "cooling", HeatOn: true, Trend: ptr(-1.2), Reading: &good, LastGood: &good,
			Probes:  []station.ReadingView{good, bad, good},
			Next:    &station.NextView{Key: "window-open", Eta: ptr(360), Lo: ptr(300), PReach: ptr(0.99)},
			Notices: []station.NoticeView{{Key: "flash-margin", Class: "alarm", Priority: "urgent", State: "unacked"}},
		}, {ID: "b\xff", Stage: "idle"}},
		Troubles: []station.Trouble{{Key: "disk", Text: "…"}},
		Channels: []station.ChannelView{{Name: "page", Kind: "page", OK: true}},
	}
}

func scrape(t *testing.T, s metrics.Sources, accept string) (string, string) {
	t.Helper()
	h, err := metrics.Handler(s)
	if err != nil {
		t.Fatal(err)
	}
	r := httptest.NewRequest("GET", "/metrics", nil)
	r.Header.Set("Accept", accept)
	w := httptest.NewRecorder()
	h.ServeHTTP(w, r)
	if w.Code != 200 {
		t.Fatalf("%d %s", w.Code, w.Body)
	}
	return w.Body.String(), w.Header().Get("Content-Type")
}

func sources() metrics.Sources {
	return metrics.Sources{
		Snapshot: snapshot,
		Pages:    func() (int, map[string]uint64) { return 3, map[string]uint64{"too slow": 2} },
		Panics:   func() uint64 { return 0 },
		Probes: func() []metrics.Probe {
			return []metrics.Probe{{ID: "jug", Up: true, Good: 99, Errors: map[string]uint64{"crc": 7}}}
		},
		Store: func() metrics.Store { return metrics.Store{Healthy: true, Spooled: 5, Bytes: 4096, Free: -1} },
	}
}

// The text is read back by the Prometheus project's own parser.
func TestTextFormat(t *testing.T) {
	body, kind := scrape(t, sources(), "text/plain")
	if !strings.HasPrefix(kind, "text/plain; version=0.0.4") {
		t.Errorf("Content-Type %q", kind)
	}
	p := expfmt.NewTextParser(model.UTF8Validation)
	families, err := p.TextToMetricFamilies(strings.NewReader(body))
	if err != nil {
		t.Fatal(err)
	}
	value := func(name string, labels ...string) float64 {
		t.Helper()
		f := families[name]
		if f == nil {
			t.Errorf("there is no %s", name)
			return math.NaN()
		}
	series:
		for _, m := range f.Metric {
			for i := 0; i < len(labels); i += 2 {
				if label(m, labels[i]) != labels[i+1] {
					continue series
				}
			}
			if m.Counter != nil {
				return m.Counter.GetValue()
			}
			return m.Gauge.GetValue()
		}
		t.Errorf("%s has no series with %q", name, labels)
		return math.NaN()
	}
	for _, c := range []struct {
		want   float64
		name   string
		labels []string
	}{
		{71.5, "meltstation_temperature_celsius", []string{"pot", "a", "probe", "jug", "role", "pot"}},
		{21, "meltstation_temperature_celsius", []string{"pot", "", "probe", "room"}},
		{0.5, "meltstation_reading_age_seconds", []string{"probe", "jug"}},
		{0, "meltstation_reading_good", []string{"probe", "bath"}},
		{-0.02, "meltstation_temperature_trend_celsius_per_second", []string{"pot", "a"}},
		{360, "meltstation_forecast_seconds", []string{"pot", "a", "next", "window-open"}},
		{300, "meltstation_forecast_low_seconds", nil},
		{math.Inf(1), "meltstation_forecast_high_seconds", nil},
		{1, "meltstation_alarm_state", []string{"key", "flash-margin", "state", "unacked", "class", "alarm"}},
		{1, "meltstation_stage", []string{"pot", "a", "stage", "cooling"}},
		{3, "meltstation_websocket_clients", nil},
		{2, "meltstation_websocket_dropped_total", []string{"reason", "too slow"}},
		{7, "meltstation_probe_errors_total", []string{"probe", "jug", "kind", "crc"}},
		{99, "meltstation_probe_readings_total", []string{"probe", "jug"}},
		{1, "meltstation_store_healthy", nil},
		{5, "meltstation_store_spooled_entries", nil},
		{4096, "meltstation_store_size_bytes", nil},
		{1, "meltstation_trouble", []string{"key", "disk"}},
		{1, "meltstation_build_info", []string{"version", "1.2"}},
	} {
		if got := value(c.name, c.labels...); got != c.want {
			t.Errorf("%s%v is %v, want %v", c.name, c.labels, got, c.want)
		}
	}
	if families["meltstation_store_free_bytes"] != nil {
		t.Error("what is not known is shown")
	}
	for name, f := range families {
		if strings.HasPrefix(name, "meltstation_") && f.GetHelp() == "" {
			t.Errorf("%s has no help", name)
		}
		if own := strings.HasPrefix(name, "meltstation_"); !own && !strings.HasPrefix(name, "go_") && !strings.HasPrefix(name, "process_") {
			t.Errorf("%s has another prefix", name)
		}
		// Naming practice of the Prometheus project: counters end in _total, and they alone.
		if counter := f.GetType() == dto.MetricType_COUNTER; counter != strings.HasSuffix(name, "_total") {
			t.Errorf("%s is of type %v", name, f.GetType())
		}
	}
}

func label(m *dto.Metric, name string) string {
	for _, l := range m.Label {
		if l.GetName() == name {
			return l.GetValue()
		}
	}
	return ""
}

func TestOpenMetrics(t *testing.T) {
	body, kind := scrape(t, sources(), "application/openmetrics-text; version=1.0.0")
	if !strings.HasPrefix(kind, "application/openmetrics-text; version=1.0.0") {
		t.Errorf("Content-Type %q", kind)
	}
	// OpenMetrics 1.0.0: the exposition ends with "# EOF" and nothing after it.
	if !strings.HasSuffix(body, "\n# EOF\n") || strings.Count(body, "# EOF") != 1 {
		t.Errorf("it ends with %q", body[max(0, len(body)-40):])
	}
	if strings.Contains(body, "\n\n") {
		t.Error("there is an empty line")
	}
}

func TestEmptyStation(t *testing.T) {
	body, _ := scrape(t, metrics.Sources{Snapshot: func() station.Snapshot { return station.Snapshot{} }}, "")
	if _, err := io.WriteString(io.Discard, body); err != nil || !strings.Contains(body, "meltstation_build_info") {
		t.Errorf("got %s", body)
	}
}

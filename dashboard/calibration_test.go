package dashboard

import (
	"encoding/json"
	"math"
	"net/http"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"example.org/meltstation/probe"
	"example.org/meltstation/probe/calibrate"
)

// A probe is calibrated over the API: begun, followed, kept, forgotten; and not
// while there is a batch in its pot.
func TestCalibration(t *testing.T) {
	path := filepath.Join(t.TempDir(), calibrate.FileName)
	guide := calibrate.NewGuide(path, 20*time.Second, nil)
	g := newRig(t, func(o *Options) {
		o.Calibration = guide
		o.Probes = func() []probe.Status {
			return []probe.Status{{ID: "wax", Pot: "a", Role: probe.RolePot}, {ID: "spare", Pot: "b", Role: probe.RolePot}, {ID: "room", Role: probe.RoleRoom}}
		}
	})
	view := func() calibrationView {
		t.Helper()
		var got struct{ Probes []probeView }
		w := g.ask("GET", "/api/v1/probes", "")
		if err := json.Unmarshal(w.Body.Bytes(), &got); err != nil || len(got.Probes) != 3 || got.Probes[1].Calibration == nil {
			t.Fatalf("%d %s: %v", w.Code, w.Body, err)
		}
		return *got.Probes[1].Calibration
	}
	const at = "/api/v1/probes/spare/calibration"
	for _, busy := range []string{"wax", "room"} { // the fake's pot is melting
		wantProblem(t, g.ask("POST", "/api/v1/probes/"+busy+"/calibration", `{"kind":"ice"}`), http.StatusConflict, "not-now")
	}
	wantProblem(t, g.ask("POST", "/api/v1/probes/none/calibration", `{"kind":"ice"}`), http.StatusNotFound, "not-found")
	for _, bad := range []string{`{"kind":"steam"}`, `{"kind":"boiling"}`, `{"kind":"reference"}`, `{"kind":"boiling","metres":9000}`, `{"kind":"boiling","pressure":29.9}`, `{"kind":"reference","celsius":900}`} {
		wantProblem(t, g.ask("POST", at, bad), http.StatusUnprocessableEntity, "invalid")
	}
	wantProblem(t, g.ask("POST", at+"/keep", ""), http.StatusUnprocessableEntity, "invalid")

	// At 200 m water boils at 99.3098 °C (standard atmosphere, IAPWS-IF97; testdata/checks/boiling_points.csv).
	if w := g.ask("POST", at, `{"kind":"boiling","metres":200}`); w.Code != http.StatusNoContent {
		t.Fatalf("%d %s", w.Code, w.Body)
	}
	now := time.Date(2026, 11, 25, 9, 0, 0, 0, time.UTC)
	for range 10 {
		now = now.Add(time.Second)
		guide.Take(probe.Reading{Probe: "spare", At: now, Raw: 98.9375, Quality: probe.Good})
	}
	v := view().Taking
	if v == nil || math.Abs(v.True-99.3098) > 0.001 || v.Raw == nil || *v.Raw != 98.9375 || !v.Near || v.Steady || v.Span != 9 || v.Hold != 20 {
		t.Fatalf("half way: %+v", v)
	}
	wantProblem(t, g.ask("POST", at+"/keep", ""), http.StatusUnprocessableEntity, "invalid")
	for range 15 {
		now = now.Add(time.Second)
		guide.Take(probe.Reading{Probe: "spare", At: now, Raw: 98.9375, Quality: probe.Good})
	}
	if w := g.ask("POST", at+"/keep", ""); w.Code != http.StatusOK || !strings.Contains(w.Body.String(), `"raw":98.9375`) {
		t.Fatalf("%d %s", w.Code, w.Body)
	}
	if v := view(); v.Taking != nil || len(v.Points) != 1 || v.Points[0].Kind != "boiling" || v.Points[0].By == "" || !strings.Contains(v.Points[0].Note, "200 m") {
		t.Fatalf("kept: %+v", v)
	}
	book, err := calibrate.Load(path)
	if err != nil || math.Abs(book.For("spare").Apply(98.9375)-99.3098) > 0.001 {
		t.Errorf("in the file: %+v, %v", book, err)
	}

	// Given up, nothing changes; forgotten, it counts as it reads.
	g.ask("POST", at, `{"kind":"ice"}`)
	if w := g.ask("DELETE", at, ""); w.Code != http.StatusNoContent || view().Taking != nil || len(view().Points) != 1 {
		t.Errorf("given up: %d, %+v", w.Code, view())
	}
	if w := g.ask("POST", at, `{"kind":"none"}`); w.Code != http.StatusNoContent || len(view().Points) != 0 {
		t.Errorf("forgotten: %d %s, %+v", w.Code, w.Body, view())
	}
	without := newRig(t)
	wantProblem(t, without.ask("POST", at, `{"kind":"ice"}`), http.StatusServiceUnavailable, "unavailable")
}

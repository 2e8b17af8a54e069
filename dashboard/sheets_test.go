package dashboard

import (
	"encoding/json"
	"testing"

	"example.org/meltstation/alerts/plan"
)

func TestASheetKnowsHowItsJugCools(t *testing.T) {
	asked := ""
	g := newRig(t, func(o *Options) {
		o.Cooling = func(jug string, grams float64) *plan.Cooling {
			asked = jug
			if grams < 972 || grams > 980 { // 900 g of wax and 8 % of it
				t.Errorf("asked for %g g", grams)
			}
			return &plan.Cooling{K: 0.004, Room: 20}
		}
	})
	body := `{"recipe":` + form[:len(form)-1] + `,"jug":[{"name":"Jug","holds":"2 kg"}]},"counts":[{"container":"Tin 200","n":6}]}`
	w := g.ask("POST", "/api/v1/sheet", body)
	var got struct{ Sheet plan.Sheet }
	if err := json.Unmarshal(w.Body.Bytes(), &got); err != nil || w.Code != 200 {
		t.Fatalf("%d %v %s", w.Code, err, w.Body)
	}
	if p := got.Sheet.Pour; asked != "Jug" || p == nil || p.WindowSeconds <= 0 || p.LastCelsius <= 0 {
		t.Errorf("asked for %q, pour plan %+v", asked, p)
	}
}

package dashboard

import (
	"encoding/json"
	"testing"

	"example.org/meltstation/alerts/plan"
	"example.org/meltstation/alerts/plan/recipe"
	"example.org/meltstation/probe/trace"
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

// A jug that is to be twice as full cools half as fast: its past is asked for what
// will be in it.
func TestAScaledSheetCoolsAsItsOwnMass(t *testing.T) {
	var asked []float64
	g := newRig(t, func(o *Options) {
		o.Cooling = func(_ string, grams float64) *plan.Cooling {
			asked = append(asked, grams)
			return &plan.Cooling{K: 1 / grams, Room: 20}
		}
	})
	body := `{"recipe":` + form + `,"counts":[{"container":"Tin 200","n":6}],"scale":2}`
	if w := g.ask("POST", "/api/v1/sheet", body); w.Code != 200 {
		t.Fatal(w.Code, w.Body)
	}
	if len(asked) != 1 || asked[0] < 1900 {
		t.Errorf("asked how %g g cool, want those of twelve tins", asked)
	}
}

func TestABatchIsMadeAgainAndTwiceAsLarge(t *testing.T) {
	st, opt := withTrace(t)
	g := newRig(t, opt)
	r, err := recipe.FromJSON([]byte(form))
	if err != nil {
		t.Fatal(err)
	}
	was, err := r.Sheet([]plan.Count{{Container: "Tin 200", N: 6}}, plan.Options{})
	if err != nil {
		t.Fatal(err)
	}
	data, err := json.Marshal(was)
	if err != nil {
		t.Fatal(err)
	}
	if err := st.PutBatch(t.Context(), trace.Batch{ID: "26-11-23-A", Pot: "a", Name: "Harbour Fog", Sheet: data}); err != nil {
		t.Fatal(err)
	}
	for body, want := range map[string]float64{
		`{"from":"26-11-23-A"}`:                                          900,
		`{"from":"26-11-23-A","scale":2}`:                                1800,
		`{"from":"26-11-23-A","counts":[{"container":"Tin 200","n":1}]}`: 150,
	} {
		w := g.ask("POST", "/api/v1/sheet", body)
		var got struct{ Sheet plan.Sheet }
		if err := json.Unmarshal(w.Body.Bytes(), &got); err != nil || w.Code != 200 {
			t.Fatalf("%s: %d %v %s", body, w.Code, err, w.Body)
		}
		if got.Sheet.WaxGrams() != want || got.Sheet.From != "26-11-23-A" {
			t.Errorf("%s: %g g of wax from %q, want %g g", body, got.Sheet.WaxGrams(), got.Sheet.From, want)
		}
	}
	wantProblem(t, g.ask("POST", "/api/v1/sheet", `{"from":"none"}`), 404, "not-found")
	wantProblem(t, g.ask("POST", "/api/v1/sheet", `{"from":"26-11-24-A"}`), 422, "invalid") // it has no recipe
	wantProblem(t, g.ask("POST", "/api/v1/sheet", `{"from":"26-11-23-A","scale":-1}`), 422, "invalid")
}

func TestOneMeltOfASheet(t *testing.T) {
	g := newRig(t)
	body := `{"recipe":` + form[:len(form)-1] + `,"jug":[{"name":"Jug","holds":"1 kg"}]},"counts":[{"container":"Tin 200","n":9}]`
	sheet := func(body string) (s plan.Sheet) {
		t.Helper()
		w := g.ask("POST", "/api/v1/sheet", body)
		var got struct{ Sheet plan.Sheet }
		if err := json.Unmarshal(w.Body.Bytes(), &got); err != nil || w.Code != 200 {
			t.Fatalf("%d %v %s", w.Code, err, w.Body)
		}
		return got.Sheet
	}
	whole, second := sheet(body+"}"), sheet(body+`,"melt":2}`)
	if len(whole.Melts) < 2 || len(second.Melts) != 1 || second.WaxGrams() >= whole.WaxGrams() || second.Name != "Harbour Fog, melt 2 of 2" {
		t.Errorf("of %d melts with %g g of wax, %q has %g g", len(whole.Melts), whole.WaxGrams(), second.Name, second.WaxGrams())
	}
	wantProblem(t, g.ask("POST", "/api/v1/sheet", body+`,"melt":3}`), 422, "invalid")
}

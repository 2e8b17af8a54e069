package plan_test

import (
	"errors"
	"math"
	"reflect"
	"slices"
	"strings"
	"testing"

	"pgregory.net/rapid"

	"example.org/meltstation/alerts/plan"
)

// A melt taken by itself weighs just what it weighs on the whole sheet, and all of
// them together are the sheet: nothing is lost between the two.
func TestMeltsTakenApart(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		r := recipes().Draw(t, "recipe")
		o := plan.Options{}
		if rapid.Bool().Draw(t, "by wax") {
			o.Wax = rapid.Float64Range(50, 20000).Draw(t, "wax")
		}
		s, err := r.Sheet(countsOf(t, r), o)
		if err != nil {
			t.Fatal(err)
		}
		var grams float64
		jars := 0
		for i, m := range s.Melts {
			one, err := s.OfMelt(i + 1)
			if err != nil {
				t.Fatal(err)
			}
			if len(one.Melts) != 1 || !reflect.DeepEqual(one.Melts[0], m) {
				t.Fatalf("melt %d alone:\n%+v\nwithin the sheet:\n%+v", i+1, one.Melts, m)
			}
			if math.Abs(one.FragranceGrams()-sum(m.Fragrance)) > 1e-6 {
				t.Fatalf("melt %d alone takes %v g of fragrance, %v g within the sheet", i+1, one.FragranceGrams(), sum(m.Fragrance))
			}
			grams += one.TotalGrams
			jars += one.Jars
		}
		if math.Abs(grams-s.TotalGrams) > 1e-3 || jars != s.Jars {
			t.Fatalf("%v g and %d containers in the melts, %v g and %d on the sheet", grams, jars, s.TotalGrams, s.Jars)
		}
	})
}

func TestLotsNotedReplaceThoseOfTheSheet(t *testing.T) {
	s := plan.Sheet{Wax: []plan.Part{{Name: "Rapeseed", Lot: "R-1"}}, Fragrance: []plan.Part{{Name: "Holly", Lot: "H-1"}, {Name: "Rope"}}}
	events := []plan.Event{
		{Lots: map[string]string{"wicks": "W-9", "Holly": "H-2"}},
		{Lots: map[string]string{"Rope": "H-2", "jars": "J-4"}},
	}
	if got := plan.LotsOf(s, events); !slices.Equal(got, []string{"R-1", "H-2", "J-4", "W-9"}) {
		t.Errorf("lots %q", got)
	}
	if got := plan.LotsOf(s, nil); !slices.Equal(got, []string{"R-1", "H-1"}) {
		t.Errorf("lots %q of the sheet alone", got)
	}
}

// A sheet speaks in the units it was asked to, and weighs the same; the recipe
// keeps its own.
func TestSheetInOtherUnits(t *testing.T) {
	r := plain()
	r.Show = plan.Display{Temperature: "F", Mass: "oz"}
	r.Oils = []plan.Oil{{Name: "Holly", Share: 100, Flash: r.Thresholds.ScentAdd + 13, Method: plan.MethodClosed}}
	r.Load = 6
	counts := []plan.Count{{Container: r.Containers[0].Name, N: 3}}
	own, err := r.Sheet(counts, plan.Options{})
	if err != nil {
		t.Fatal(err)
	}
	other, err := r.Sheet(counts, plan.Options{Show: &plan.Display{Temperature: "C", Mass: "g"}})
	if err != nil {
		t.Fatal(err)
	}
	if own.Show == other.Show || !reflect.DeepEqual(own.Wax, other.Wax) || other.Source.Show != own.Show {
		t.Errorf("%+v and %+v", own.Show, other.Show)
	}
	i := slices.IndexFunc(other.Warnings, func(w plan.Warning) bool { return w.Key == "scent-near-flash" })
	if i < 0 || strings.Contains(strings.ReplaceAll(other.Warnings[i].Text, "30 °F", ""), "°F") {
		t.Errorf("in °C it says %+v", other.Warnings)
	}
	if _, err := r.Sheet(counts, plan.Options{Show: &plan.Display{Temperature: "K", Mass: "g"}}); !errors.Is(err, plan.ErrInvalid) {
		t.Errorf("in kelvin: %v", err)
	}
}

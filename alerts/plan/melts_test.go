package plan_test

import (
	"math"
	"reflect"
	"slices"
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

package lesson_test

import (
	"encoding/json"
	"math"
	"math/rand/v2"
	"strings"
	"testing"

	"pgregory.net/rapid"

	"example.org/meltstation/alerts/lesson"
	"example.org/meltstation/alerts/plan"
)

// Student's sleep data (Student, 1908; R's datasets::sleep): hours of extra sleep
// with two drugs.
var (
	sleep1 = []float64{0.7, -1.6, -0.2, -1.2, -0.1, 3.4, 3.7, 0.8, 0.0, 2.0}
	sleep2 = []float64{1.9, 0.8, 1.1, 0.1, -0.1, 4.4, 5.5, 1.6, 4.6, 3.4}
)

// Ezekiel's stopping distances of cars (R's datasets::cars).
var (
	speed = []float64{4, 4, 7, 7, 8, 9, 10, 10, 10, 11, 11, 12, 12, 12, 12, 13, 13, 13, 13, 14, 14, 14, 14, 15, 15, 15, 16, 16, 17, 17, 17, 18, 18, 18, 18, 19, 19, 19, 20, 20, 20, 20, 20, 22, 23, 24, 24, 24, 24, 25}
	dist  = []float64{2, 10, 4, 22, 16, 10, 18, 26, 34, 17, 28, 14, 20, 24, 28, 26, 34, 34, 46, 26, 36, 60, 80, 20, 26, 54, 32, 40, 32, 40, 50, 42, 56, 76, 84, 36, 46, 68, 32, 48, 52, 56, 64, 66, 54, 70, 92, 93, 120, 85}
)

func near(t *testing.T, what string, got, want float64) {
	t.Helper()
	if math.Abs(got-want) > 1e-8*math.Max(1, math.Abs(want)) {
		t.Errorf("%s = %.12g, want %.12g", what, got, want)
	}
}

func TestIntervalsAgreeWithPublishedExamples(t *testing.T) {
	// R's own example of t.test: t.test(extra ~ group, data = sleep), Welch's test,
	// prints -3.3654832 to 0.2054832; further digits from R's t.test.
	e, _ := lesson.Difference(sleep1, sleep2, 0.95)
	near(t, "Welch difference", e.Value, -1.58)
	near(t, "Welch lower", e.Lo, -3.36548323071171)
	near(t, "Welch upper", e.Hi, 0.20548323071171)
	// t.test(extra of group 2), R.
	e, _ = lesson.Mean(sleep2, 0.95)
	near(t, "mean lower", e.Lo, 0.897677539376705)
	near(t, "mean upper", e.Hi, 3.762322460623294)
	// Paired, as Student did it: mean of the differences, R: -2.459886 to -0.7001142.
	d := make([]float64, len(sleep1))
	for i := range d {
		d[i] = sleep1[i] - sleep2[i]
	}
	e, _ = lesson.Mean(d, 0.95)
	near(t, "paired lower", e.Lo, -2.459885763276982)
	near(t, "paired upper", e.Hi, -0.700114236723018)
	// confint(lm(dist ~ speed, cars)), R.
	e, _ = lesson.Slope(speed, dist, 0.95)
	near(t, "slope", e.Value, 3.93240875912409)
	near(t, "slope lower", e.Lo, 3.09696432814032)
	near(t, "slope upper", e.Hi, 4.76785319010785)
	// Wilson's interval; prop.test(90, 100, correct = FALSE) of R.
	e, _ = lesson.Share(90, 100, 0.95)
	near(t, "share lower", e.Lo, 0.825634338495087)
	near(t, "share upper", e.Hi, 0.944770862939325)
}

func TestNoIntervalFromNothing(t *testing.T) {
	if _, ok := lesson.Mean([]float64{1}, 0.95); ok {
		t.Error("an interval from one value")
	}
	if _, ok := lesson.Difference([]float64{1, 1}, []float64{2, 2}, 0.95); ok {
		t.Error("an interval from values that don't vary")
	}
	if _, ok := lesson.Slope([]float64{3, 3, 3}, []float64{1, 2, 3}, 0.95); ok {
		t.Error("a slope over one load")
	}
	if _, ok := lesson.Share(0, 0, 0.95); ok {
		t.Error("a share of nothing")
	}
}

func TestIntervalsCoverTheTruth(t *testing.T) {
	// 95 % of intervals must hold the true difference: 2000 pairs of small samples
	// with a fixed seed; the binomial's own 4 s.d. are 2 points.
	r := rand.New(rand.NewPCG(7, 11))
	hits, n := 0, 2000
	for range n {
		a, b := make([]float64, 5), make([]float64, 4)
		for i := range a {
			a[i] = 58 + 1.5*r.NormFloat64()
		}
		for i := range b {
			b[i] = 56 + 1.5*r.NormFloat64()
		}
		if e, ok := lesson.Difference(a, b, 0.95); ok && e.Lo <= 2 && 2 <= e.Hi {
			hits++
		}
	}
	if got := float64(hits) / float64(n); got < 0.93 || got > 0.98 {
		t.Errorf("the interval holds the truth in %.1f %%, want about 95 %%", 100*got)
	}
}

func p[T any](v T) *T { return &v }

func options() lesson.Options {
	return lesson.Options{Show: plan.Display{Temperature: "F", Mass: "oz"}, Thresholds: plan.DefaultThresholds(), MaxLoad: 10}
}

func find(t *testing.T, f lesson.Findings, key string) lesson.Finding {
	t.Helper()
	for _, x := range f.Findings {
		if x.Key == key {
			return x
		}
	}
	t.Fatalf("no finding %q", key)
	return lesson.Finding{}
}

func TestTooFewBatchesSaySo(t *testing.T) {
	f := lesson.Compare([]lesson.Outcome{
		{Batch: "a", Smooth: p(true), PourFirst: p(58.0)},
		{Batch: "b", Smooth: p(false), PourFirst: p(54.0)},
	}, options())
	for _, x := range f.Findings {
		if x.Verdict != lesson.TooFew || x.Estimate != nil {
			t.Errorf("%s: two batches are made to say %q", x.Key, x.Text)
		}
	}
	if f.Trial.Key != "write-down" {
		t.Errorf("trial %+v", f.Trial)
	}
	if e := lesson.Compare(nil, options()); e.N != 0 || e.Trial.Text == "" {
		t.Errorf("nothing: %+v", e)
	}
}

func TestAClearDifferenceIsAHint(t *testing.T) {
	var all []lesson.Outcome
	for _, c := range []float64{58.9, 59.3, 58.6, 59.1} {
		all = append(all, lesson.Outcome{Smooth: p(true), PourFirst: p(c)})
	}
	for _, c := range []float64{54.1, 54.6, 53.9} {
		all = append(all, lesson.Outcome{Smooth: p(false), PourFirst: p(c)})
	}
	f := lesson.Compare(all, options())
	x := find(t, f, "pour-finish")
	if x.Verdict != lesson.Hint || x.N != 7 || !strings.Contains(x.Text, "warmer") {
		t.Errorf("%+v", x)
	}
	if f.Trial.Key != "pour" || math.Abs(*f.Trial.To-58.975) > 1e-9 {
		t.Errorf("trial %+v, want the mean of the smooth ones", f.Trial)
	}
}

func TestScatterStaysOpen(t *testing.T) {
	var all []lesson.Outcome
	for _, c := range []float64{54, 59, 56} {
		all = append(all, lesson.Outcome{Smooth: p(true), PourFirst: p(c)}, lesson.Outcome{Smooth: p(false), PourFirst: p(c + 0.4)})
	}
	f := lesson.Compare(all, options())
	if x := find(t, f, "pour-finish"); x.Verdict != lesson.Open {
		t.Errorf("%+v", x)
	}
}

func TestATrialStaysWithinTheLimits(t *testing.T) {
	o := options()
	rapid.Check(t, func(t *rapid.T) {
		var all []lesson.Outcome
		for range rapid.IntRange(0, 14).Draw(t, "n") {
			x := lesson.Outcome{Jug: rapid.SampledFrom([]string{"", "Big jug"}).Draw(t, "jug"), Melts: rapid.IntRange(0, 3).Draw(t, "melts")}
			if rapid.Bool().Draw(t, "looked") {
				x.Smooth = p(rapid.Bool().Draw(t, "smooth"))
			}
			if rapid.Bool().Draw(t, "poured") {
				x.PourFirst = p(rapid.Float64Range(20, 95).Draw(t, "pour"))
				x.PourPlanned = p(57.0)
			}
			if rapid.Bool().Draw(t, "scented") {
				x.Load, x.HotThrow = p(rapid.Float64Range(3, 12).Draw(t, "load")), p(float64(rapid.IntRange(1, 5).Draw(t, "throw")))
				x.LeftOver = p(rapid.Float64Range(0, 200).Draw(t, "left"))
			}
			if rapid.Bool().Draw(t, "burnt") {
				x.WallReached = p(rapid.Bool().Draw(t, "wall"))
			}
			all = append(all, x)
		}
		f := lesson.Compare(all, o)
		if _, err := json.Marshal(f); err != nil {
			t.Fatal(err) // a NaN would not pass
		}
		if f.Trial.Text == "" {
			t.Fatal("no trial")
		}
		switch f.Trial.Unit {
		case "C":
			if *f.Trial.To < o.Thresholds.PourLow-1e-9 || *f.Trial.To > o.Thresholds.PourHigh+1e-9 {
				t.Fatalf("suggests pouring at %g °C", *f.Trial.To)
			}
		case "%":
			if *f.Trial.To > o.MaxLoad {
				t.Fatalf("suggests a load of %g %%", *f.Trial.To)
			}
		}
		for _, x := range f.Findings {
			if x.Estimate != nil && !(x.Estimate.Lo <= x.Estimate.Value && x.Estimate.Value <= x.Estimate.Hi) {
				t.Fatalf("%s: %+v", x.Key, *x.Estimate)
			}
			if x.Verdict == lesson.Hint && !x.Estimate.Sided() {
				t.Fatalf("%s is called a hint although its interval holds zero: %+v", x.Key, *x.Estimate)
			}
		}
	})
}

func TestLossIsPerMelt(t *testing.T) {
	f := lesson.Compare([]lesson.Outcome{
		{Jug: "Big jug", Melts: 2, LeftOver: p(40.0)}, {Jug: "Big jug", Melts: 1, LeftOver: p(22.0)}, {Jug: "Big jug", Melts: 1, LeftOver: p(18.0)},
	}, options())
	if x := find(t, f, "loss"); x.Estimate == nil || math.Abs(x.Estimate.Value-20) > 1e-9 {
		t.Errorf("%+v, want 20 g", x)
	}
}

package lesson

import (
	"math"

	"gonum.org/v1/gonum/stat"
	"gonum.org/v1/gonum/stat/distuv"
)

// Level is the confidence of every interval here.
const Level = 0.95

// Estimate is a number with the interval that the batches behind it support. It
// is made only where Lo and Hi are finite.
type Estimate struct {
	Value float64 `json:"value"`
	Lo    float64 `json:"lo"`
	Hi    float64 `json:"hi"`
	Level float64 `json:"level"`
}

// Sided reports whether the whole interval lies on one side of zero.
func (e Estimate) Sided() bool { return e.Lo > 0 || e.Hi < 0 }

// mean is the mean with Student's t interval. It is false with fewer than two
// values.
func mean(x []float64, level float64) (Estimate, bool) {
	n := float64(len(x))
	if n < 2 {
		return Estimate{}, false
	}
	m, sd := stat.MeanStdDev(x, nil)
	return around(m, sd/math.Sqrt(n), n-1, level)
}

// difference is mean(a) - mean(b) with Welch's interval, which does not take the
// two spreads for equal. The degrees of freedom are those of Welch and
// Satterthwaite. It is false with fewer than two values on a side, or when
// neither side varies.
func difference(a, b []float64, level float64) (Estimate, bool) {
	if len(a) < 2 || len(b) < 2 {
		return Estimate{}, false
	}
	ma, va := stat.MeanVariance(a, nil)
	mb, vb := stat.MeanVariance(b, nil)
	na, nb := float64(len(a)), float64(len(b))
	sa, sb := va/na, vb/nb
	if sa+sb == 0 {
		return Estimate{}, false
	}
	df := (sa + sb) * (sa + sb) / (sa*sa/(na-1) + sb*sb/(nb-1))
	return around(ma-mb, math.Sqrt(sa+sb), df, level)
}

// slope is the least-squares slope of y over x with its t interval. It is false
// with fewer than three points, or when x does not vary.
func slope(x, y []float64, level float64) (Estimate, bool) {
	n := float64(len(x))
	if len(x) != len(y) || n < 3 {
		return Estimate{}, false
	}
	mx, my := stat.Mean(x, nil), stat.Mean(y, nil)
	var sxx, sxy float64
	for i := range x {
		sxx += (x[i] - mx) * (x[i] - mx)
		sxy += (x[i] - mx) * (y[i] - my)
	}
	if sxx <= 1e-12*(1+mx*mx) {
		return Estimate{}, false
	}
	b := sxy / sxx
	var rss float64
	for i := range x {
		r := y[i] - my - b*(x[i]-mx)
		rss += r * r
	}
	return around(b, math.Sqrt(rss/(n-2)/sxx), n-2, level)
}

// share is k of n with Wilson's score interval, which holds for few and for all.
func share(k, n int, level float64) (Estimate, bool) {
	if n <= 0 {
		return Estimate{}, false
	}
	z := distuv.UnitNormal.Quantile(0.5 + level/2)
	N, p := float64(n), float64(k)/float64(n)
	mid := (p + z*z/(2*N)) / (1 + z*z/N)
	half := z / (1 + z*z/N) * math.Sqrt(p*(1-p)/N+z*z/(4*N*N))
	return Estimate{Value: p, Lo: math.Max(0, mid-half), Hi: math.Min(1, mid+half), Level: level}, true
}

func around(v, se, df, level float64) (Estimate, bool) {
	t := distuv.StudentsT{Mu: 0, Sigma: 1, Nu: df}.Quantile(0.5 + level/2)
	e := Estimate{Value: v, Lo: v - t*se, Hi: v + t*se, Level: level}
	ok := !math.IsNaN(e.Lo) && !math.IsInf(e.Lo, 0) && !math.IsNaN(e.Hi) && !math.IsInf(e.Hi, 0)
	return e, ok
}

// needed is about how many batches of each kind it takes to see a difference of
// delta with spread sd four times out of five (normal approximation, two-sided
// 5 %): 2 (1.960 + 0.842)² sd² / delta².
func needed(sd, delta float64) int {
	z := distuv.UnitNormal.Quantile(0.975) + distuv.UnitNormal.Quantile(0.8)
	return max(3, int(math.Ceil(2*z*z*sd*sd/(delta*delta))))
}

package newton_test

import (
	"math"
	"testing"

	"pgregory.net/rapid"

	"example.org/meltstation/alerts/forecast/newton"
)

// digits is how many significant digits of want got has.
func digits(got, want float64) float64 {
	if got == want {
		return 16
	}
	return -math.Log10(math.Abs(got-want) / math.Abs(want))
}

// TestCertified holds the fit against the certified values of the NIST
// Statistical Reference Datasets for nonlinear regression, model
// y = b1 (1 - exp(-b2 x)) (https://www.itl.nist.gov/div898/strd/).
func TestCertified(t *testing.T) {
	for _, c := range []struct {
		name             string
		x, y             []float64
		b1, sd1, b2, sd2 float64
		rss              float64
	}{
		{
			name: "Misra1a",
			x:    []float64{77.6, 114.9, 141.1, 190.8, 239.9, 289.0, 332.8, 378.4, 434.8, 477.3, 536.8, 593.1, 689.1, 760.0},
			y:    []float64{10.07, 14.73, 17.94, 23.93, 29.61, 35.18, 40.02, 44.82, 50.76, 55.05, 61.01, 66.40, 75.47, 81.78},
			b1:   2.3894212918e+02, sd1: 2.7070075241e+00, b2: 5.5015643181e-04, sd2: 7.2668688436e-06, rss: 1.2455138894e-01,
		},
		{
			name: "BoxBOD",
			x:    []float64{1, 2, 3, 5, 7, 10},
			y:    []float64{109, 149, 149, 191, 213, 224},
			b1:   2.1380940889e+02, sd1: 1.2354515176e+01, b2: 5.4723748542e-01, sd2: 1.0455993237e-01, rss: 1.1680088766e+03,
		},
	} {
		t.Run(c.name, func(t *testing.T) {
			f, err := newton.LeastSquaresOrigin(c.x, c.y)
			if err != nil {
				t.Fatal(err)
			}
			for _, v := range []struct {
				name      string
				got, want float64
			}{{"b1", f.Ta, c.b1}, {"b2", f.K, c.b2}, {"sd of b1", f.SDTa, c.sd1}, {"sd of b2", f.SDK, c.sd2}, {"residual sum of squares", f.RSS, c.rss}} {
				if d := digits(v.got, v.want); d < 7 {
					t.Errorf("%s = %.12g, certified %.12g: %.1f digits, want 7", v.name, v.got, v.want, d)
				}
			}
		})
	}
}

// TestAsymptotic holds the fit against R 4.2, nls with the self-starting model
// SSasymp on datasets::Loblolly at a tolerance of 1e-12 (R's own tolerance shows
// about six of these digits), and SSasympOrig on datasets::BOD. Kung (1986)
// measured the trees.
func TestAsymptotic(t *testing.T) {
	age := []float64{3, 5, 10, 15, 20, 25}
	for _, c := range []struct {
		name               string
		y                  []float64
		asym, seAsym       float64
		r0, seR0           float64
		lrc, seLrc, wantRS float64 // lrc is log k
	}{
		{"seed 301", []float64{4.51, 10.89, 28.72, 41.74, 52.70, 60.92}, 95.66696500134186, 5.795737467777304, -9.078227681015722, 1.050540560158358, -3.116382505680889, 0.09846499663239346, 1.181183492102076},
		{"seed 329", []float64{3.93, 9.34, 26.08, 37.79, 48.31, 56.43}, 94.12820987383555, 8.403019144725555, -8.250752556981318, 1.226107946323901, -3.217578272268439, 0.1385836778221748, 1.684401459868459},
	} {
		t.Run(c.name, func(t *testing.T) {
			f, err := newton.LeastSquares(age, c.y)
			if err != nil {
				t.Fatal(err)
			}
			for _, v := range []struct {
				name      string
				got, want float64
			}{
				{"Asym", f.Ta, c.asym}, {"R0", f.Ta + f.A, c.r0}, {"lrc", math.Log(f.K), c.lrc},
				{"s.e. of Asym", f.SDTa, c.seAsym}, {"s.e. of lrc", f.SDK / f.K, c.seLrc}, {"residual sum of squares", f.RSS, c.wantRS},
			} {
				if d := digits(v.got, v.want); d < 7 {
					t.Errorf("%s = %.12g, R gives %.12g: %.1f digits, want 7", v.name, v.got, v.want, d)
				}
			}
		})
	}
	f, err := newton.LeastSquaresOrigin([]float64{1, 2, 3, 4, 5, 7}, []float64{8.3, 10.3, 19.0, 16.0, 15.6, 19.8})
	if err != nil {
		t.Fatal(err)
	}
	if d := math.Min(digits(f.Ta, 19.14257528461787), digits(math.Log(f.K), -0.6328211878648235)); d < 7 {
		t.Errorf("BOD: A %.12g, lrc %.12g: %.1f digits of R's", f.Ta, math.Log(f.K), d)
	}
}

// TestThreePoints: three equal steps give Newton's law exactly, by
// Ta = (T0 T2 - T1²)/(T0 + T2 - 2 T1) and k = ln((T0-T1)/(T1-T2))/Δ.
func TestThreePoints(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		ta := rapid.Float64Range(-20, 40).Draw(t, "ta")
		a := rapid.Float64Range(20, 100).Draw(t, "a")
		k := math.Exp(rapid.Float64Range(-8, -5).Draw(t, "log k"))
		d := 0.4 / k
		x := []float64{0, d, 2 * d}
		y := make([]float64, 3)
		for i := range x {
			y[i] = ta + a*math.Exp(-k*x[i])
		}
		wantTa := (y[0]*y[2] - y[1]*y[1]) / (y[0] + y[2] - 2*y[1])
		wantK := math.Log((y[0]-y[1])/(y[1]-y[2])) / d
		f, err := newton.LeastSquares(x, y)
		if err != nil {
			t.Fatal(err)
		}
		if math.Abs(f.Ta-wantTa) > 1e-6*(1+math.Abs(wantTa)) || math.Abs(f.K/wantK-1) > 1e-6 {
			t.Fatalf("Ta %.9g, k %.9g; exactly %.9g, %.9g", f.Ta, f.K, wantTa, wantK)
		}
	})
}

func TestTooFew(t *testing.T) {
	if _, err := newton.LeastSquares([]float64{1, 2}, []float64{3, 4}); err == nil {
		t.Error("two points gave a fit of three parameters")
	}
	if _, err := newton.LeastSquares([]float64{1, 1, 1}, []float64{3, 4, 5}); err == nil {
		t.Error("points of one moment gave a fit")
	}
}

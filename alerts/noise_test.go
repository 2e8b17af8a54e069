package alerts

import (
	"encoding/csv"
	"os"
	"strconv"
	"testing"
)

// recordedNoise is what a real probe left over after a local line, from a
// cooling curve recorded by Dr. Ujjwal Ghanta (myphysicslabathome,
// Water-Cooling-Curve, CC BY 4.0): a PT1000 in water, about one reading a second.
func recordedNoise(t *testing.T) func(int) float64 {
	t.Helper()
	f, err := os.Open("../testdata/checks/water_natural.csv")
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	r := csv.NewReader(f)
	r.FieldsPerRecord = -1
	r.Comment = '#'
	rows, err := r.ReadAll()
	if err != nil {
		t.Fatal(err)
	}
	var at, c []float64
	for _, row := range rows {
		x, err1 := strconv.ParseFloat(row[0], 64)
		y, err2 := strconv.ParseFloat(row[len(row)-1], 64)
		if err1 == nil && err2 == nil {
			at, c = append(at, x), append(c, y)
		}
	}
	const half = 15
	var left []float64
	for i := half; i+half < len(c); i++ {
		var n, sx, sy, sxx, sxy float64
		for j := i - half; j <= i+half; j++ {
			x := at[j] - at[i]
			n++
			sx += x
			sy += c[j]
			sxx += x * x
			sxy += x * c[j]
		}
		slope := (n*sxy - sx*sy) / (n*sxx - sx*sx)
		left = append(left, c[i]-(sy-slope*sx)/n)
	}
	if len(left) < 500 {
		t.Fatalf("only %d readings in the recorded curve", len(left))
	}
	return func(i int) float64 { return left[i%len(left)] }
}

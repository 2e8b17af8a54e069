package config

import (
	"fmt"
	"reflect"
	"strconv"
	"strings"
)

// parseAltitude reads "120 m" or "400 ft" and returns metres.
func parseAltitude(s string) (float64, error) {
	text := strings.TrimSpace(strings.ToLower(s))
	factor := 0.0
	switch {
	case strings.HasSuffix(text, "ft"):
		factor, text = 0.3048, strings.TrimSuffix(text, "ft") // exact, NIST SP 811
	case strings.HasSuffix(text, "m"):
		factor, text = 1, strings.TrimSuffix(text, "m")
	default:
		return 0, fmt.Errorf("%q has no unit", s)
	}
	v, err := strconv.ParseFloat(strings.TrimSpace(text), 64)
	if err != nil {
		return 0, fmt.Errorf("%q is no altitude", s)
	}
	return v * factor, nil
}

// nearest returns the setting that a mistyped one may have meant; "" = none. A
// third of the letters may differ, two at most.
func nearest(word string) string {
	best, bestAt := "", min(3, 1+(len(word)+2)/3)
	for _, k := range settingNames(reflect.TypeFor[file](), map[string]bool{}) {
		if d := distance(strings.ToLower(word), k); d < bestAt {
			best, bestAt = k, d
		}
	}
	return best
}

// settingNames are the names of every setting and table of the file.
func settingNames(t reflect.Type, seen map[string]bool) []string {
	for t.Kind() == reflect.Pointer || t.Kind() == reflect.Slice {
		t = t.Elem()
	}
	if t.Kind() != reflect.Struct {
		return nil
	}
	var out []string
	for i := range t.NumField() {
		f := t.Field(i)
		if name := f.Tag.Get("toml"); name != "" && !seen[name] {
			seen[name] = true
			out = append(out, name)
		}
		out = append(out, settingNames(f.Type, seen)...)
	}
	return out
}

// distance is the number of letters to change, add or drop (Levenshtein).
func distance(a, b string) int {
	row := make([]int, len(b)+1)
	for j := range row {
		row[j] = j
	}
	for i := range len(a) {
		last := row[0]
		row[0] = i + 1
		for j := range len(b) {
			cost := last
			if a[i] != b[j] {
				cost++
			}
			last = row[j+1]
			row[j+1] = min(cost, row[j]+1, last+1)
		}
	}
	return row[len(b)]
}

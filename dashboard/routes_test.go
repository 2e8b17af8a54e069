package dashboard

import (
	"net/http"
	"os"
	"regexp"
	"strings"
	"testing"
)

// TestEveryRouteThatTakesABodyIsFuzzed holds the table of routes against the
// bodies that the fuzz targets start from.
func TestEveryRouteThatTakesABodyIsFuzzed(t *testing.T) {
	without := map[string]bool{ // routes that change something and take no body
		"POST /api/v1/channels/test":                        true,
		"POST /api/v1/batches/{id}/events/{event}/withdraw": true,
		"POST /api/v1/pots/{pot}/events/{id}/withdraw":      true,
		"POST /api/v1/pots/{pot}/events/{id}/confirm":       true,
		"POST /api/v1/pots/{pot}/events/{id}/deny":          true,
		"POST /api/v1/pots/{pot}/notices/{key}/unshelve":    true,
		"POST /api/v1/pots/{pot}/notices/{key}/reset":       true,
		"POST /api/v1/pots/{pot}/notices/{key}/restore":     true,
		"POST /api/v1/pots/{pot}/notices/{key}/acknowledge": true,
		"DELETE /api/v1/recipes/{key}":                      true,
		"DELETE /api/v1/devices/{id}":                       true,
		"DELETE /api/v1/me":                                 true,
		"POST /api/v1/probes/{id}/calibration/keep":         true,
		"DELETE /api/v1/probes/{id}/calibration":            true,
	}
	source, err := os.ReadFile("server.go")
	if err != nil {
		t.Fatal(err)
	}
	mux := http.NewServeMux()
	fuzzed := map[string]bool{}
	found := 0
	for _, m := range regexp.MustCompile(`"((?:POST|PUT|DELETE) )"?(\+pot\+"|)([^"]*)"`).FindAllStringSubmatch(string(source), -1) {
		pattern := m[1] + strings.Replace(m[2], `+pot+"`, "/api/v1/pots/{pot}", 1) + m[3]
		mux.HandleFunc(pattern, func(http.ResponseWriter, *http.Request) {})
		fuzzed[pattern] = false
		found++
	}
	if found < 20 {
		t.Fatalf("only %d routes were found in server.go: %v", found, fuzzed)
	}
	for _, b := range bodies {
		r, err := http.NewRequest(b.method, b.path, nil)
		if err != nil {
			t.Fatal(err)
		}
		_, pattern := mux.Handler(r)
		if _, ok := fuzzed[pattern]; !ok {
			t.Errorf("%s %s is no route any more", b.method, b.path)
		}
		fuzzed[pattern] = true
	}
	for pattern, is := range fuzzed {
		if !is && !without[pattern] {
			t.Errorf("%s takes a body, or may, and is not among those that are fuzzed", pattern)
		}
	}
}

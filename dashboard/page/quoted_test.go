package page_test

import (
	"os"
	"regexp"
	"strings"
	"testing"

	"example.org/meltstation/alerts"
)

// An alarm that says what to tap must call the button what the page calls it.
func TestAlarmsNameTheButtonsOfThePage(t *testing.T) {
	words, err := os.ReadFile("static/js/strings.en.js")
	if err != nil {
		t.Fatal(err)
	}
	buttons := map[string]bool{}
	for _, m := range regexp.MustCompile(`'tap\.[a-z-]+': '([^']+)'`).FindAllStringSubmatch(string(words), -1) {
		buttons[m[1]] = true
	}
	quoted := regexp.MustCompile(`"([^"]+)"`)
	found := 0
	for _, rule := range alerts.Catalogue() {
		for _, n := range []alerts.Notice{
			{Key: rule.Key, Class: rule.Class, State: alerts.Unacked, Celsius: 85, Limit: 75, Grams: 57, Seconds: 60},
			{Key: rule.Key, Class: rule.Class, State: alerts.Unacked, Celsius: 75, Limit: 75, Grams: 57},
			{Key: rule.Key, Class: rule.Class, State: alerts.Unacked},
		} {
			for _, m := range quoted.FindAllStringSubmatch(strings.Join(alerts.Words(n, alerts.Units{}).Do, " "), -1) {
				found++
				if !buttons[m[1]] {
					t.Errorf("%s says to tap %q, the page has no such button", rule.Key, m[1])
				}
			}
		}
	}
	if found == 0 {
		t.Error("no alarm names a button: has the quoting changed?")
	}
}

package trace_test

import (
	"flag"
	"os"
	"testing"

	"go.uber.org/goleak"
)

// Each test's default keeps the whole package to some seconds; these lengthen it,
// as -rapid.checks=1000 does the model's.
var crashRounds = flag.Int("crash.rounds", 10, "how often TestKill kills a writer")

func TestMain(m *testing.M) {
	if path := os.Getenv("TRACE_CRASH_WRITER"); path != "" {
		os.Exit(crashWriter(path))
	}
	flag.Parse()
	given := map[string]bool{}
	flag.Visit(func(f *flag.Flag) { given[f.Name] = true })
	if !given["rapid.checks"] {
		flag.Set("rapid.checks", "8")
	}
	goleak.VerifyTestMain(m)
}

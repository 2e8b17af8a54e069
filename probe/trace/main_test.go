package trace_test

import (
	"os"
	"testing"

	"go.uber.org/goleak"
)

func TestMain(m *testing.M) {
	if path := os.Getenv("TRACE_CRASH_WRITER"); path != "" {
		os.Exit(crashWriter(path))
	}
	goleak.VerifyTestMain(m)
}

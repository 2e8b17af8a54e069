package trace_test

func crashWriter(path string) int { return 1 }

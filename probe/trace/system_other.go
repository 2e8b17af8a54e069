//go:build !linux && !darwin

package trace

// diskFree returns the bytes that may still be written to the disk of path;
// negative when that is not known, as here.
func diskFree(string) int64 { return -1 }

// toOwner is for systems where root writes files that a daemon of another user
// must write, too.
func toOwner(string) {}

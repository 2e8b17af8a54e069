//go:build linux || darwin

package trace

import (
	"path/filepath"
	"syscall"
)

// diskFree returns the bytes that may still be written to the disk of path;
// negative when that is not known.
func diskFree(path string) int64 {
	var st syscall.Statfs_t
	if err := syscall.Statfs(filepath.Dir(path), &st); err != nil {
		return -1
	}
	return int64(st.Bavail) * int64(st.Bsize)
}

//go:build linux || darwin

package trace

import (
	"os"
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

// toOwner gives a file that root has made to the owner of its folder: a daemon
// that runs as somebody else must be able to write it.
func toOwner(path string) {
	if os.Geteuid() != 0 {
		return
	}
	if info, err := os.Stat(filepath.Dir(path)); err == nil {
		if st, ok := info.Sys().(*syscall.Stat_t); ok {
			_ = os.Lchown(path, int(st.Uid), int(st.Gid)) // without it the daemon says what it can't open
		}
	}
}

package trace

import "errors"

// ErrTestDisk is what a disk that refuses by [RefuseWrites] says.
var ErrTestDisk = errors.New("the disk refuses, for the test")

// RefuseWrites makes every write of s fail at a stage: "commit", before anything
// is on disk, or "committed", when all of it is but nobody says so. "" ends that.
func RefuseWrites(s *Store, stage string) {
	if stage == "" {
		s.fault.Store(nil)
		return
	}
	f := func(at string) error {
		if at == stage {
			return ErrTestDisk
		}
		return nil
	}
	s.fault.Store(&f)
}

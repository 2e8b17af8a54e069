package trace

import (
	"database/sql"
	"errors"
	"fmt"
)

// ErrTestDisk is what a disk that refuses by [RefuseWrites] says.
var ErrTestDisk = errors.New("the disk refuses, for the test")

// RefuseWrites makes every write of s fail at a stage: "commit", before anything
// is on disk, or "committed", when all of it is but nobody says so. "" ends that.
func RefuseWrites(s *Store, stage string) {
	if stage == "" {
		s.fault.Store(nil)
		return
	}
	f := func(at string, _ *sql.Tx) error {
		if at == stage {
			return ErrTestDisk
		}
		return nil
	}
	s.fault.Store(&f)
}

// LimitPages lets the database of s grow to so many pages, or to its present size
// if that is more.
func LimitPages(s *Store, pages int) {
	f := func(at string, tx *sql.Tx) error {
		if at != "begin" {
			return nil
		}
		_, err := tx.Exec(fmt.Sprintf("PRAGMA max_page_count = %d", pages))
		return err
	}
	s.fault.Store(&f)
}

package trace

import (
	"context"
	"encoding/binary"
	"hash/crc32"
	"time"

	"database/sql"
	"errors"
	"example.org/meltstation/probe"
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

// ErrChunk is what a damaged chunk gives.
var ErrChunk = errChunk

// Reading and Column are what a chunk holds, for tests of the packing.
type (
	Reading struct {
		Seq          int64
		At           time.Duration
		Wall         int64
		Celsius, Raw float64
		Quality      probe.Quality
	}
	Column struct {
		Channel int64
		Rows    []Reading
	}
)

// EncodeChunk packs columns.
func EncodeChunk(first int64, columns []Column) []byte {
	packed := make([]column, len(columns))
	for i, c := range columns {
		packed[i].channel = c.Channel
		for _, r := range c.Rows {
			packed[i].rows = append(packed[i].rows, reading{r.Seq, r.At, r.Wall, r.Celsius, r.Raw, r.Quality})
		}
	}
	return encodeChunk(first, packed)
}

// DecodeChunk unpacks what EncodeChunk gives.
func DecodeChunk(first int64, data []byte, want func(int64) bool, fn func(int64, Reading)) error {
	return decodeChunk(first, data, want, func(ch int64, r reading) {
		fn(ch, Reading{r.seq, r.at, r.wall, r.celsius, r.raw, r.quality})
	})
}

// Sealed puts a right checksum behind data.
func Sealed(data []byte) []byte {
	data = append([]byte{}, data...)
	return binary.LittleEndian.AppendUint32(data, crc32.Checksum(data, castagnoli))
}

// Pragma returns what a setting of the writing connection is.
func Pragma(s *Store, name string) (string, error) {
	var value string
	f := func(at string, tx *sql.Tx) error {
		if at != "begin" {
			return nil
		}
		return tx.QueryRow("PRAGMA " + name).Scan(&value)
	}
	s.fault.Store(&f)
	defer s.fault.Store(nil)
	s.Append(Entry{Kind: KindNotice, Name: "pragma"})
	err := s.Flush(context.Background())
	return value, err
}

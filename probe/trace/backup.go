package trace

import (
	"context"
	"database/sql"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"time"
)

// Backup writes a consistent copy of the trace at src to dst while another
// process may be writing it, checks the copy, and returns when it is on disk for
// good. It overwrites nothing: dst must not exist.
func Backup(ctx context.Context, src, dst string) error {
	if err := backup(ctx, src, dst); err != nil {
		return fmt.Errorf("copying %s to %s: %w", src, dst, err)
	}
	return nil
}

func backup(ctx context.Context, src, dst string) error {
	if exists(dst) {
		return fmt.Errorf("%w; name another, nothing is overwritten", fs.ErrExist)
	}
	db, err := openSource(ctx, src)
	if err != nil {
		return damaged(src, err)
	}
	defer db.Close()
	id, err := identify(ctx, db)
	if err != nil {
		return damaged(src, err)
	}
	if id.tables == 0 {
		return fmt.Errorf("%s: %w: it is empty", src, ErrForeign)
	}
	if err := id.refuse(src); err != nil {
		return err
	}
	// Under another name first: what bears the name of a copy is a whole one.
	part := unused(dst+".part", "")
	if err := copyInto(ctx, db.DB, part); err != nil {
		os.Remove(part)
		return damaged(src, err)
	}
	if err := Check(ctx, part); err != nil {
		os.Remove(part)
		return err
	}
	if err := os.Link(part, dst); err == nil { // unlike a rename it overwrites nothing
		if err := os.Remove(part); err != nil {
			return err
		}
	} else if errors.Is(err, fs.ErrExist) {
		os.Remove(part)
		return err
	} else if err := os.Rename(part, dst); err != nil { // a file system without links
		return err
	}
	return syncFolder(dst)
}

// copyInto writes a consistent copy of db to path, which must not exist, and
// syncs it.
func copyInto(ctx context.Context, db *sql.DB, path string) error {
	// SQLite fills an empty file, which keeps its mode.
	f, err := os.OpenFile(path, os.O_CREATE|os.O_EXCL|os.O_RDWR, 0o600)
	if err != nil {
		return err
	}
	defer f.Close()
	if _, err := db.ExecContext(ctx, "VACUUM INTO ?", path); err != nil {
		return err
	}
	if err := f.Sync(); err != nil {
		return err
	}
	return syncFolder(path)
}

// syncFolder makes the names in path's folder outlive a power cut. Where a
// folder can't be synced (Windows) that is left to the system.
func syncFolder(path string) error {
	d, err := os.Open(filepath.Dir(path))
	if err != nil {
		return err
	}
	defer d.Close()
	if err := d.Sync(); err != nil && !errors.Is(err, fs.ErrPermission) && !errors.Is(err, errors.ErrUnsupported) && !errors.Is(err, fs.ErrInvalid) {
		return err
	}
	return nil
}

// Check reads the whole trace at path and returns an error that wraps
// [ErrDamaged] if any of it is not as it was written: SQLite's own structure, the
// references between tables, and the checksum of every packet of readings. The
// file may be in use.
func Check(ctx context.Context, path string) error {
	if err := check(ctx, path); err != nil {
		return fmt.Errorf("checking: %w", err)
	}
	return nil
}

func check(ctx context.Context, path string) error {
	if _, err := os.Stat(path); err != nil {
		return err
	}
	db, err := openReaders(ctx, path)
	if err != nil {
		return damaged(path, err)
	}
	defer db.Close()
	id, err := identify(ctx, db)
	if err != nil {
		return damaged(path, err)
	}
	if id.tables == 0 {
		return fmt.Errorf("%s: %w: it is empty", path, ErrForeign)
	}
	if err := id.refuse(path); err != nil {
		return err
	}
	var found string
	if err := db.QueryRowContext(ctx, "PRAGMA integrity_check(1)").Scan(&found); err != nil {
		return damaged(path, err)
	}
	if found != "ok" {
		return damaged(path, fmt.Errorf("%w: %s", errCheck, found))
	}
	var table string
	var rowid, parent, fk any
	err = db.QueryRowContext(ctx, "PRAGMA foreign_key_check").Scan(&table, &rowid, &parent, &fk)
	if err == nil {
		return damaged(path, fmt.Errorf("%w: a row of table %s refers to one of table %v that is not there", errCheck, table, parent))
	}
	if !errors.Is(err, sql.ErrNoRows) {
		return damaged(path, err)
	}
	return checkChunks(ctx, db.DB, path)
}

func checkChunks(ctx context.Context, db *sql.DB, path string) error {
	channels := map[int64]bool{}
	rows, err := db.QueryContext(ctx, "SELECT no FROM channel")
	if err != nil {
		return damaged(path, err)
	}
	defer rows.Close()
	for rows.Next() {
		var no int64
		if err := rows.Scan(&no); err != nil {
			return damaged(path, err)
		}
		channels[no] = true
	}
	if err := rows.Err(); err != nil {
		return damaged(path, err)
	}
	rows, err = db.QueryContext(ctx, "SELECT seq, last, data FROM chunk ORDER BY seq")
	if err != nil {
		return damaged(path, err)
	}
	defer rows.Close()
	before := int64(0)
	for rows.Next() {
		var first, last int64
		var data sql.RawBytes
		if err := rows.Scan(&first, &last, &data); err != nil {
			return damaged(path, err)
		}
		var wrong error
		seen := int64(0)
		err := decodeChunk(first, data, func(no int64) bool {
			if !channels[no] {
				wrong = fmt.Errorf("%w: readings %d–%d are of a probe that is not known", errCheck, first, last)
			}
			return true
		}, func(_ int64, r reading) { seen = max(seen, r.seq) })
		switch {
		case err != nil:
			return damaged(path, fmt.Errorf("readings %d–%d: %w", first, last, err))
		case wrong != nil:
			return damaged(path, wrong)
		case seen != last || first <= before || blockOf(first) != blockOf(last):
			return damaged(path, fmt.Errorf("%w: readings %d–%d are out of order", errCheck, first, last))
		}
		before = last
	}
	if err := rows.Err(); err != nil {
		return damaged(path, err)
	}
	return nil
}

// Restore puts the copy at src in the place of the trace at dst. It checks the
// copy first, refuses while a station writes to dst ([ErrLocked]), and keeps what
// it replaces under a dated name, which it returns ("" if there was nothing). A
// kill at any moment leaves either the old trace or the new one at dst; on a file
// system without links, or with a damaged old one, it may leave none, and both
// beside it.
func Restore(ctx context.Context, src, dst string, now time.Time) (kept string, err error) {
	kept, err = restore(ctx, src, dst, now)
	if err != nil {
		return kept, fmt.Errorf("restoring %s from %s: %w", dst, src, err)
	}
	return kept, nil
}

func restore(ctx context.Context, src, dst string, now time.Time) (kept string, err error) {
	src, err = filepath.Abs(src)
	if err != nil {
		return "", err
	}
	if dst, err = filepath.Abs(dst); err != nil {
		return "", err
	}
	if a, err := os.Stat(src); err != nil {
		return "", err
	} else if b, err := os.Stat(dst); err == nil && os.SameFile(a, b) {
		return "", errors.New("these are one and the same file")
	}
	if err := check(ctx, src); err != nil {
		return "", err
	}
	if err := os.MkdirAll(filepath.Dir(dst), 0o700); err != nil {
		return "", err
	}
	lock, err := lockFile(dst)
	if err != nil {
		return "", err
	}
	if lock != nil {
		defer lock.Unlock()
	}
	part := unused(dst+".part", "")
	db, err := openSource(ctx, src)
	if err != nil {
		return "", damaged(src, err)
	}
	err = copyInto(ctx, db.DB, part)
	db.Close()
	if err == nil {
		err = check(ctx, part)
	}
	if err != nil {
		os.Remove(part)
		return "", err
	}
	toOwner(part)
	kept, err = keep(ctx, dst, now)
	if err != nil {
		os.Remove(part)
		return "", err
	}
	if err := os.Rename(part, dst); err != nil {
		return kept, err
	}
	return kept, syncFolder(dst)
}

// keep gives the trace at path a second, dated name, and folds its log into it so
// that the log can't be played into whatever takes its place.
func keep(ctx context.Context, path string, now time.Time) (string, error) {
	if !exists(path) && !exists(path+"-wal") {
		return "", nil
	}
	kept := unused(path+".replaced-"+stamp(now), "")
	if fold(ctx, path) == nil && !exists(path+"-wal") {
		if err := os.Link(path, kept); err == nil {
			return kept, nil
		}
	}
	// Damaged, or a file system without links: moved, the log first.
	for _, suffix := range []string{"-wal", "-journal", "-shm", ""} {
		if err := os.Rename(path+suffix, kept+suffix); err != nil && !errors.Is(err, fs.ErrNotExist) {
			return "", fmt.Errorf("keeping what is replaced: %w", err)
		}
	}
	return kept, nil
}

// fold brings the log of a database that nobody has open into the file.
func fold(ctx context.Context, path string) error {
	db, err := sql.Open("sqlite", dsn(path, "rw"))
	if err != nil {
		return err
	}
	db.SetMaxOpenConns(1)
	_, err = db.ExecContext(ctx, "PRAGMA wal_checkpoint(TRUNCATE)")
	return errors.Join(err, db.Close())
}

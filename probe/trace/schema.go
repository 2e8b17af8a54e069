package trace

import (
	"context"
	"database/sql"
	"embed"
	"fmt"
	"io/fs"
	"time"
)

// Every change of the database's layout is a numbered file here. A file that has
// been released is never edited: an older database is brought up to date by the
// files it has not seen yet.
//
//go:embed schema/*.sql
var schemaFiles embed.FS

// applicationID marks a database as this program's ("melt" in ASCII), in the
// header field SQLite keeps for that.
const applicationID = 0x6d656c74

// migrations returns the text of every schema file; the first one makes version 1.
func migrations() ([]string, error) {
	names, err := fs.Glob(schemaFiles, "schema/*.sql")
	if err != nil {
		return nil, err
	}
	texts := make([]string, len(names))
	for i, name := range names {
		if want := fmt.Sprintf("schema/%04d_", i+1); len(name) < len(want) || name[:len(want)] != want {
			return nil, fmt.Errorf("schema file %s should be called %s…", name, want)
		}
		b, err := schemaFiles.ReadFile(name)
		if err != nil {
			return nil, err
		}
		texts[i] = string(b)
	}
	return texts, nil
}

// SchemaVersion is the layout this program reads and writes.
func SchemaVersion() int {
	m, err := migrations()
	if err != nil {
		return 0 // can't be: a test reads them all
	}
	return len(m)
}

// identity is what a database says of itself.
type identity struct {
	app     int64
	version int
	tables  int
}

func identify(ctx context.Context, db queryer) (identity, error) {
	var id identity
	if err := db.QueryRowContext(ctx, "PRAGMA application_id").Scan(&id.app); err != nil {
		return id, err
	}
	if err := db.QueryRowContext(ctx, "PRAGMA user_version").Scan(&id.version); err != nil {
		return id, err
	}
	err := db.QueryRowContext(ctx, "SELECT count(*) FROM sqlite_schema").Scan(&id.tables)
	return id, err
}

// refuse returns why a database can't be used, or nil.
func (id identity) refuse(path string) error {
	if id.app == 0 && id.version == 0 && id.tables == 0 {
		return nil // new
	}
	if id.app != applicationID {
		return fmt.Errorf("%s: %w", path, ErrForeign)
	}
	if now := SchemaVersion(); id.version > now {
		return fmt.Errorf("%s: %w (its layout is version %d, this program knows up to %d): install the newer program again, or start with another file",
			path, ErrNewer, id.version, now)
	}
	return nil
}

// migrate brings the database from version to the current one, each step in a
// transaction of its own. A kill between two leaves a whole database of an
// older version.
func migrate(ctx context.Context, db *sql.DB, version int) error {
	steps, err := migrations()
	if err != nil {
		return err
	}
	for ; version < len(steps); version++ {
		tx, err := db.BeginTx(ctx, nil)
		if err != nil {
			return fmt.Errorf("bringing the database to version %d: %w", version+1, err)
		}
		_, err = tx.ExecContext(ctx, steps[version])
		if err == nil {
			// A PRAGMA takes no parameters; both are numbers of our own.
			_, err = tx.ExecContext(ctx, fmt.Sprintf("PRAGMA user_version = %d; PRAGMA application_id = %d", version+1, applicationID))
		}
		if err != nil {
			tx.Rollback()
			return fmt.Errorf("bringing the database to version %d: %w", version+1, err)
		}
		if err := tx.Commit(); err != nil {
			return fmt.Errorf("bringing the database to version %d: %w", version+1, err)
		}
	}
	return nil
}

// stamp is a moment in a file name: UTC, without characters that some file
// systems refuse.
func stamp(t time.Time) string { return t.UTC().Format("20060102T150405Z") }

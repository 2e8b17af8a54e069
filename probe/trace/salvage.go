package trace

import (
	"context"
	"database/sql"
	"errors"
	"fmt"
	"strings"
)

// salvage carries over what can still be read of the damaged database at from,
// and returns how many rows that were. Each table is read from its start until
// the damage, and from its end back until it, so that one torn page costs little
// else. The damaged file is only read.
func salvage(ctx context.Context, into *sql.DB, from string) (int64, error) {
	db, err := openReaders(ctx, from)
	if err != nil {
		return 0, err
	}
	defer db.Close()
	db.SetMaxOpenConns(1)
	if _, err := db.ExecContext(ctx, "PRAGMA cell_size_check = 1"); err != nil {
		return 0, err
	}
	id, err := identify(ctx, db)
	if err != nil {
		return 0, err
	}
	if err := id.refuse(from); err != nil {
		return 0, err
	}
	var total int64
	var errs []error
	for _, t := range []struct{ name, key string }{
		{"batch_key", "no"}, {"batch", "no"}, {"batch_sheet", "no"}, {"lot", "lot, batch"},
		{"channel", "no"}, {"event", "seq"}, {"chunk", "seq"}, {"presence", "batch, block"},
		{"document", "kind, id"}, {"document_version", "no"},
	} {
		for _, order := range []string{"ASC", "DESC"} {
			n, err := salvageTable(ctx, into, db, t.name, strings.ReplaceAll(t.key, ",", " "+order+",")+" "+order)
			total += n
			if err == nil {
				break
			}
			if order == "ASC" {
				errs = append(errs, fmt.Errorf("table %s: %w", t.name, err))
			}
		}
	}
	return total, errors.Join(errs...)
}

func salvageTable(ctx context.Context, into, from *sql.DB, name, order string) (int64, error) {
	rows, err := from.QueryContext(ctx, fmt.Sprintf("SELECT * FROM %s NOT INDEXED ORDER BY %s", name, order))
	if err != nil {
		return 0, err
	}
	defer rows.Close()
	names, err := rows.Columns()
	if err != nil {
		return 0, err
	}
	tx, err := into.BeginTx(ctx, nil)
	if err != nil {
		return 0, err
	}
	defer tx.Rollback()
	// The columns by name: an older layout may have fewer.
	insert, err := tx.PrepareContext(ctx, fmt.Sprintf("INSERT OR IGNORE INTO %s (%s) VALUES (?%s)", name, strings.Join(names, ", "), strings.Repeat(", ?", len(names)-1)))
	if err != nil {
		return 0, err
	}
	defer insert.Close()
	values, places := make([]any, len(names)), make([]any, len(names))
	for i := range values {
		places[i] = &values[i]
	}
	var n int64
	for rows.Next() {
		if err = rows.Scan(places...); err != nil {
			break
		}
		res, err := insert.ExecContext(ctx, values...)
		if err != nil {
			continue // a row that the table would not have taken: damaged
		}
		if added, err := res.RowsAffected(); err == nil {
			n += added
		}
	}
	if err == nil {
		err = rows.Err()
	}
	if commitErr := tx.Commit(); commitErr != nil {
		return 0, commitErr
	}
	return n, err
}

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
			n, err := salvageTable(ctx, into, db.DB, t.name, strings.ReplaceAll(t.key, ",", " "+order+",")+" "+order)
			total += n
			if err == nil {
				break
			}
			if order == "ASC" {
				errs = append(errs, fmt.Errorf("table %s: %w", t.name, err))
			}
		}
	}
	if err := mend(ctx, into); err != nil {
		errs = append(errs, err)
	}
	return total, errors.Join(errs...)
}

// mend makes a salvaged database whole: what lost the row it belonged to gets
// one with a made-up name, and packets of readings that can't be read back are
// left to the damaged file.
func mend(ctx context.Context, db *sql.DB) error {
	tx, err := db.BeginTx(ctx, nil)
	if err != nil {
		return err
	}
	defer tx.Rollback()
	rows, err := tx.QueryContext(ctx, "SELECT seq, data FROM chunk")
	if err != nil {
		return err
	}
	defer rows.Close()
	var bad []int64
	channels, present := map[int64]bool{}, map[[2]int64]bool{} // channel and block
	for rows.Next() {
		var seq int64
		var data sql.RawBytes
		if err := rows.Scan(&seq, &data); err != nil {
			return err
		}
		err := decodeChunk(seq, data, func(no int64) bool {
			channels[no] = true
			present[[2]int64{no, blockOf(seq)}] = true
			return false
		}, nil)
		if err != nil {
			bad = append(bad, seq)
		}
	}
	if err := rows.Err(); err != nil {
		return err
	}
	exec := func(query string, args ...any) {
		if err == nil {
			_, err = tx.ExecContext(ctx, query, args...)
		}
	}
	for _, seq := range bad {
		exec("DELETE FROM chunk WHERE seq = ?", seq)
	}
	for no := range channels {
		exec("INSERT OR IGNORE INTO channel (no, batch, pot, probe, role) VALUES (?1, 0, '', 'recovered-' || ?1, 'pot')", no)
	}
	for _, of := range []string{"key FROM batch", "batch FROM channel", "batch FROM event"} {
		exec("INSERT OR IGNORE INTO batch_key (no, id) SELECT DISTINCT b, 'recovered-' || b FROM (SELECT " +
			strings.Replace(of, " FROM", " AS b FROM", 1) + ") WHERE b NOT IN (SELECT no FROM batch_key)")
	}
	// The number of a lost batch's code is gone; what belonged to it is in the
	// damaged file.
	exec("DELETE FROM batch_sheet WHERE no NOT IN (SELECT no FROM batch)")
	exec("DELETE FROM lot WHERE batch NOT IN (SELECT no FROM batch)")
	exec(`INSERT OR IGNORE INTO batch (key, pot, name, recipe, stage, start_at, poured_at, lots, search)
		SELECT k.no, '', 'recovered', '', '', 0, 0, '[]', lower(k.id) FROM batch_key k
		WHERE k.no <> 0 AND k.no NOT IN (SELECT key FROM batch) ORDER BY k.no`)
	exec("DELETE FROM presence")
	for p := range present {
		exec("INSERT OR IGNORE INTO presence (batch, block) SELECT batch, ? FROM channel WHERE no = ?", p[1], p[0])
	}
	if err != nil {
		return fmt.Errorf("putting in order what was carried over: %w", err)
	}
	return tx.Commit()
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

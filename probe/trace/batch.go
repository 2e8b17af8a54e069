package trace

import (
	"cmp"
	"context"
	"database/sql"
	"encoding/json"
	"errors"
	"fmt"
	"slices"
	"strings"
	"time"
)

// change is a batch or a document on its way to disk.
type change struct {
	serial   int64
	batch    *Batch
	document *Document
}

func (c change) weight() int {
	if c.batch != nil {
		return 256 + len(c.batch.Sheet) + len(c.batch.Record)
	}
	return 256 + len(c.document.Data)
}

func (c change) apply(t *transaction) error {
	if c.batch != nil {
		return t.putBatch(*c.batch)
	}
	return t.putDocument(*c.document)
}

// put spools a change and returns when it is on disk.
func (s *Store) put(ctx context.Context, c change, what string) error {
	if s.o.ReadOnly {
		return ErrReadOnly
	}
	s.mu.Lock()
	if s.closed {
		s.mu.Unlock()
		return ErrClosed
	}
	// Only the newest state of a batch need be kept, in the place of the first.
	at := len(s.changes)
	if c.batch != nil {
		at = slices.IndexFunc(s.changes, func(old change) bool { return old.batch != nil && old.batch.ID == c.batch.ID })
		if at < 0 {
			at = len(s.changes)
		} else {
			s.heavy -= s.changes[at].weight()
		}
	}
	if s.heavy > 0 && s.heavy+c.weight() > changesMax {
		s.mu.Unlock()
		return fmt.Errorf("%s: %w", what, ErrSpoolFull)
	}
	s.heavy += c.weight()
	s.serial++
	c.serial = s.serial
	if at == len(s.changes) {
		s.changes = append(s.changes, c)
	} else {
		s.changes = slices.Clone(s.changes) // the writer may be reading the old one
		s.changes[at] = c
	}
	done := make(chan error, 1)
	s.waiting = append(s.waiting, done)
	s.wake()
	s.mu.Unlock()
	return wait(ctx, done, what)
}

// PutBatch writes a batch as it now stands, in the place of what was known under
// its ID, and everything spooled before. With an error it is kept in memory like
// a committed entry; see [Store.Commit].
func (s *Store) PutBatch(ctx context.Context, b Batch) error {
	if b.ID == "" {
		return errors.New("writing a batch: it has no code")
	}
	b = b.clone()
	return s.put(ctx, change{batch: &b}, "writing batch "+b.ID)
}

func (b Batch) clone() Batch {
	b.Sheet, b.Record, b.Lots = slices.Clone(b.Sheet), slices.Clone(b.Record), slices.Clone(b.Lots)
	b.Started, b.Ended = diskTime(b.Started), diskTime(b.Ended)
	if len(b.Lots) == 0 {
		b.Lots = nil
	}
	return b
}

// diskTime is t as it comes back from disk.
func diskTime(t time.Time) time.Time {
	if t.IsZero() {
		return time.Time{}
	}
	return time.Unix(0, wallNano(t)).UTC()
}

func nullTime(t time.Time) any {
	if t.IsZero() {
		return nil
	}
	return wallNano(t)
}

func (t *transaction) putBatch(b Batch) error {
	lots, err := json.Marshal(b.Lots)
	if err != nil {
		return err
	}
	key, err := t.batch(b.ID)
	if err != nil {
		return err
	}
	if err := t.exec(`INSERT INTO batch (key, pot, name, recipe, stage, started, ended, start_at, poured_at, lots, search)
		VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?)
		ON CONFLICT (key) DO UPDATE SET pot = excluded.pot, name = excluded.name, recipe = excluded.recipe, stage = excluded.stage,
			started = excluded.started, ended = excluded.ended, start_at = excluded.start_at, poured_at = excluded.poured_at,
			lots = excluded.lots, search = excluded.search`,
		key, b.Pot, b.Name, b.Recipe, b.Stage, nullTime(b.Started), nullTime(b.Ended), int64(b.StartAt), int64(b.PouredAt), string(lots), b.search()); err != nil {
		return err
	}
	var no int64
	if err := t.tx.QueryRowContext(t.ctx, "SELECT no FROM batch WHERE key = ?", key).Scan(&no); err != nil {
		return err
	}
	if err := t.exec(`INSERT INTO batch_sheet (no, sheet, record) VALUES (?, ?, ?)
		ON CONFLICT (no) DO UPDATE SET sheet = excluded.sheet, record = excluded.record`,
		no, nullBytes(b.Sheet), nullBytes(b.Record)); err != nil {
		return err
	}
	if err := t.exec("DELETE FROM lot WHERE batch = ?", no); err != nil {
		return err
	}
	for _, lot := range b.Lots {
		if err := t.exec("INSERT OR IGNORE INTO lot (lot, batch) VALUES (?, ?)", strings.TrimSpace(lot), no); err != nil {
			return err
		}
	}
	return nil
}

func nullBytes(b []byte) any {
	if b == nil {
		return nil
	}
	return b
}

// search is the text that a search in words looks through.
func (b Batch) search() string {
	return strings.ToLower(strings.Join(append([]string{b.ID, b.Name, b.Recipe, b.Pot}, b.Lots...), "\n"))
}

// Query chooses batches. The zero value chooses the newest 100.
type Query struct {
	Limit  int    // at most so many; 0 = 100, negative = all
	Before string // only batches begun before the one of this code: the next page of a list
	Open   bool   // only those that go on
	Text   string // every word of it in the code, name, recipe, pot or lots, in any case
	Lot    string // only those that used this lot, in any case
	Recipe string // only those of this recipe
}

const batchColumns = "b.no, k.id, b.pot, b.name, b.recipe, b.stage, b.started, b.ended, b.start_at, b.poured_at, b.lots, d.sheet, d.record"

const batchTables = "batch b JOIN batch_key k ON k.no = b.key LEFT JOIN batch_sheet d ON d.no = b.no"

// numbered is a batch with its place in the order of all.
type numbered struct {
	Batch
	no int64
}

func scanBatch(scan func(...any) error) (numbered, error) {
	var b numbered
	var started, ended sql.NullInt64
	var lots string
	var sheet, record []byte
	err := scan(&b.no, &b.ID, &b.Pot, &b.Name, &b.Recipe, &b.Stage, &started, &ended, &b.StartAt, &b.PouredAt, &lots, &sheet, &record)
	if err != nil {
		return b, err
	}
	if started.Valid {
		b.Started = time.Unix(0, started.Int64).UTC()
	}
	if ended.Valid {
		b.Ended = time.Unix(0, ended.Int64).UTC()
	}
	b.Sheet, b.Record = sheet, record
	if err := json.Unmarshal([]byte(lots), &b.Lots); err != nil {
		return b, fmt.Errorf("lots of batch %s: %w", b.ID, err)
	}
	return b, nil
}

// pending returns the batches that are not on disk yet, the newest last.
func (s *Store) pending() []Batch {
	s.mu.Lock()
	defer s.mu.Unlock()
	var list []Batch
	for _, c := range s.changes {
		if c.batch != nil {
			list = append(list, c.batch.clone())
		}
	}
	return list
}

// Batch returns one batch, or [ErrNoBatch].
func (s *Store) Batch(ctx context.Context, id string) (Batch, error) {
	for _, b := range s.pending() {
		if b.ID == id {
			return b, nil
		}
	}
	b, err := scanBatch(s.readers.Load().QueryRowContext(ctx, "SELECT "+batchColumns+" FROM "+batchTables+" WHERE k.id = ?", id).Scan)
	if errors.Is(err, sql.ErrNoRows) {
		return Batch{}, fmt.Errorf("batch %s: %w", id, ErrNoBatch)
	}
	if err != nil {
		return Batch{}, s.unread(err, "reading batch %s", id)
	}
	return b.Batch, nil
}

// Batches returns the batches a query chooses, the newest first.
func (s *Store) Batches(ctx context.Context, q Query) ([]Batch, error) {
	limit := q.Limit
	if limit == 0 {
		limit = 100
	}
	pending := s.pending()
	db := s.readers.Load()
	var where []string
	var args []any
	and := func(cond string, a ...any) { where, args = append(where, cond), append(args, a...) }
	if q.Before != "" {
		// One that is not on disk yet is newer than all that are.
		and("b.no < coalesce((SELECT a.no FROM batch a JOIN batch_key k ON k.no = a.key WHERE k.id = ?), 9223372036854775807)", q.Before)
	}
	if q.Open {
		and("b.ended IS NULL")
	}
	for _, word := range words(q.Text) {
		and("instr(b.search, ?) > 0", word)
	}
	if q.Lot != "" {
		and("b.no IN (SELECT batch FROM lot WHERE lot = ?)", strings.TrimSpace(q.Lot))
	}
	if q.Recipe != "" {
		and("b.recipe = ?", q.Recipe)
	}
	query := "SELECT " + batchColumns + " FROM " + batchTables
	if len(where) > 0 {
		query += " WHERE " + strings.Join(where, " AND ")
	}
	query += " ORDER BY b.no DESC LIMIT ?"
	args = append(args, limit)
	if limit > 0 {
		args[len(args)-1] = limit + len(pending) // some of them may be replaced
	}
	rows, err := db.QueryContext(ctx, query, args...)
	if err != nil {
		return nil, s.unread(err, "listing batches")
	}
	defer rows.Close()
	var list []numbered
	for rows.Next() {
		b, err := scanBatch(rows.Scan)
		if err != nil {
			return nil, s.unread(err, "listing batches")
		}
		if !slices.ContainsFunc(pending, func(p Batch) bool { return p.ID == b.ID }) {
			list = append(list, b)
		}
	}
	if err := rows.Err(); err != nil {
		return nil, s.unread(err, "listing batches")
	}
	if len(pending) > 0 {
		if list, err = s.overlay(ctx, list, pending, q); err != nil {
			return nil, s.unread(err, "listing batches")
		}
	}
	if limit > 0 && len(list) > limit {
		list = list[:limit]
	}
	batches := make([]Batch, len(list))
	for i, b := range list {
		batches[i] = b.Batch
	}
	return batches, nil
}

// overlay puts batches that are not on disk yet into a list of those that are.
func (s *Store) overlay(ctx context.Context, list []numbered, pending []Batch, q Query) ([]numbered, error) {
	number := func(id string, otherwise int64) (int64, error) {
		var no int64
		err := s.readers.Load().QueryRowContext(ctx, "SELECT b.no FROM batch b JOIN batch_key k ON k.no = b.key WHERE k.id = ?", id).Scan(&no)
		if errors.Is(err, sql.ErrNoRows) {
			return otherwise, nil
		}
		return no, err
	}
	const unwritten = 1 << 62
	before := int64(1<<63 - 1)
	for i, p := range pending {
		if p.ID == q.Before {
			before = unwritten + int64(i)
		}
	}
	if q.Before != "" {
		var err error
		if before, err = number(q.Before, before); err != nil {
			return nil, err
		}
	}
	for i, p := range pending {
		no, err := number(p.ID, unwritten+int64(i))
		if err != nil {
			return nil, err
		}
		if no < before && q.matches(p) {
			list = append(list, numbered{p, no})
		}
	}
	slices.SortFunc(list, func(a, b numbered) int { return cmp.Compare(b.no, a.no) })
	return list, nil
}

func words(text string) []string { return strings.Fields(strings.ToLower(text)) }

func (q Query) matches(b Batch) bool {
	if q.Open && !b.Ended.IsZero() || q.Recipe != "" && b.Recipe != q.Recipe {
		return false
	}
	for _, w := range words(q.Text) {
		if !strings.Contains(b.search(), w) {
			return false
		}
	}
	return q.Lot == "" || slices.ContainsFunc(b.Lots, func(lot string) bool {
		return foldASCII(strings.TrimSpace(lot)) == foldASCII(strings.TrimSpace(q.Lot))
	})
}

// foldASCII folds as SQLite's NOCASE does: the 26 letters alone.
func foldASCII(s string) string {
	return strings.Map(func(r rune) rune {
		if r >= 'A' && r <= 'Z' {
			return r + 'a' - 'A'
		}
		return r
	}, s)
}

// OpenBatches returns every batch that goes on, the newest first.
func (s *Store) OpenBatches(ctx context.Context) ([]Batch, error) {
	return s.Batches(ctx, Query{Open: true, Limit: -1})
}

// BatchIDs returns the code of every batch, the newest first.
func (s *Store) BatchIDs(ctx context.Context) ([]string, error) {
	var ids []string
	for _, b := range slices.Backward(s.pending()) {
		ids = append(ids, b.ID)
	}
	unwritten := len(ids)
	rows, err := s.readers.Load().QueryContext(ctx, "SELECT k.id FROM batch b JOIN batch_key k ON k.no = b.key ORDER BY b.no DESC")
	if err != nil {
		return nil, s.unread(err, "listing batch codes")
	}
	defer rows.Close()
	for rows.Next() {
		var id string
		if err := rows.Scan(&id); err != nil {
			return nil, s.unread(err, "listing batch codes")
		}
		if i := slices.Index(ids[:unwritten], id); i >= 0 { // its place is where the disk has it
			ids = slices.Delete(ids, i, i+1)
			unwritten--
		}
		ids = append(ids, id)
	}
	if err := rows.Err(); err != nil {
		return nil, s.unread(err, "listing batch codes")
	}
	return ids, nil
}

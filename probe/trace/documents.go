package trace

import (
	"context"
	"database/sql"
	"errors"
	"fmt"
	"slices"
	"time"
)

// Document is a small value that the station remembers by kind and id: a paired
// device, a lesson, a note on the shelf, a photograph. Every earlier version is
// kept.
type Document struct {
	Kind, ID string
	Data     []byte    // nil in a history: it was taken away then
	Who      string    // who wrote it
	Wall     time.Time // when, UTC
}

// PutDoc writes a document in the place of what was known by that kind and id;
// the earlier version is kept. Writing what is there already changes nothing.
// With an error it is kept in memory like a committed entry; see [Store.Commit].
func (s *Store) PutDoc(ctx context.Context, kind, id string, data []byte, who string) error {
	if data == nil {
		data = []byte{}
	}
	d := Document{kind, id, slices.Clone(data), who, s.docTime()}
	return s.put(ctx, change{document: &d}, fmt.Sprintf("writing %s %s", kind, id))
}

// DeleteDoc takes a document away; its versions are kept. There need not be one.
func (s *Store) DeleteDoc(ctx context.Context, kind, id, who string) error {
	d := Document{kind, id, nil, who, s.docTime()}
	return s.put(ctx, change{document: &d}, fmt.Sprintf("taking away %s %s", kind, id))
}

// docTime is now, and never the same twice: it tells two versions apart.
func (s *Store) docTime() time.Time {
	now := wallNano(s.o.Now())
	s.mu.Lock()
	defer s.mu.Unlock()
	if ahead := s.written - now; ahead >= 0 && ahead < int64(time.Millisecond) {
		now = s.written + 1
	}
	s.written = now
	return time.Unix(0, now).UTC()
}

func (t *transaction) putDocument(d Document) error {
	var have []byte
	err := t.tx.QueryRowContext(t.ctx, "SELECT data FROM document WHERE kind = ? AND id = ?", d.Kind, d.ID).Scan(&have)
	there := err == nil
	if err != nil && !errors.Is(err, sql.ErrNoRows) {
		return err
	}
	if there && d.Data != nil && slices.Equal(have, d.Data) || !there && d.Data == nil {
		return nil
	}
	if there {
		if err := t.exec(`INSERT INTO document_version (kind, id, wall, who, data)
			SELECT kind, id, wall, who, data FROM document WHERE kind = ? AND id = ?`, d.Kind, d.ID); err != nil {
			return err
		}
	}
	if d.Data == nil {
		if err := t.exec("INSERT INTO document_version (kind, id, wall, who, data) VALUES (?, ?, ?, ?, NULL)", d.Kind, d.ID, wallNano(d.Wall), d.Who); err != nil {
			return err
		}
		return t.exec("DELETE FROM document WHERE kind = ? AND id = ?", d.Kind, d.ID)
	}
	return t.exec(`INSERT INTO document (kind, id, wall, who, data) VALUES (?, ?, ?, ?, ?)
		ON CONFLICT (kind, id) DO UPDATE SET wall = excluded.wall, who = excluded.who, data = excluded.data`,
		d.Kind, d.ID, wallNano(d.Wall), d.Who, d.Data)
}

// unwritten returns the documents of a kind that are not on disk yet, in order.
func (s *Store) unwritten(kind string) []Document {
	s.mu.Lock()
	defer s.mu.Unlock()
	var list []Document
	for _, c := range s.changes {
		if c.document != nil && c.document.Kind == kind {
			d := *c.document
			d.Data = slices.Clone(d.Data)
			list = append(list, d)
		}
	}
	return list
}

// Doc returns a document, or [ErrNoDocument].
func (s *Store) Doc(ctx context.Context, kind, id string) ([]byte, error) {
	none := fmt.Errorf("%s %s: %w", kind, id, ErrNoDocument)
	for _, d := range slices.Backward(s.unwritten(kind)) {
		if d.ID != id {
			continue
		}
		if d.Data == nil {
			return nil, none
		}
		return d.Data, nil
	}
	var data []byte
	err := s.readers.Load().QueryRowContext(ctx, "SELECT data FROM document WHERE kind = ? AND id = ?", kind, id).Scan(&data)
	if errors.Is(err, sql.ErrNoRows) {
		return nil, none
	}
	if err != nil {
		return nil, s.unread(err, "reading %s %s", kind, id)
	}
	if data == nil {
		data = []byte{}
	}
	return data, nil
}

// Docs returns every document of a kind, by id.
func (s *Store) Docs(ctx context.Context, kind string) ([]Document, error) {
	unwritten := s.unwritten(kind)
	list, err := s.documents(ctx, "SELECT id, wall, who, data FROM document WHERE kind = ? ORDER BY id", kind)
	if err != nil {
		return nil, s.unread(err, "reading every %s", kind)
	}
	for _, d := range unwritten {
		i, there := slices.BinarySearchFunc(list, d.ID, func(e Document, id string) int {
			switch {
			case e.ID < id:
				return -1
			case e.ID > id:
				return 1
			}
			return 0
		})
		switch {
		case there && d.Data == nil:
			list = slices.Delete(list, i, i+1)
		case there && !slices.Equal(list[i].Data, d.Data):
			list[i] = d
		case !there && d.Data != nil:
			list = slices.Insert(list, i, d)
		}
	}
	return list, nil
}

// DocHistory returns every version of a document, the oldest first, the one that
// holds now last. A version without data says when it was taken away, and by whom.
func (s *Store) DocHistory(ctx context.Context, kind, id string) ([]Document, error) {
	unwritten := s.unwritten(kind)
	list, err := s.documents(ctx, `SELECT id, wall, who, data FROM
		(SELECT no, kind, id, wall, who, data FROM document_version UNION ALL SELECT 9223372036854775807, kind, id, wall, who, data FROM document)
		WHERE kind = ? AND id = ? ORDER BY no`, kind, id)
	if err != nil {
		return nil, s.unread(err, "reading the history of %s %s", kind, id)
	}
	unwritten = slices.DeleteFunc(unwritten, func(d Document) bool { return d.ID != id })
	for i, d := range slices.Backward(unwritten) {
		// A write that failed may have reached the disk all the same.
		if slices.ContainsFunc(list, func(e Document) bool { return e.Wall.Equal(d.Wall) }) {
			unwritten = unwritten[i+1:]
			break
		}
	}
	for _, d := range unwritten {
		n := len(list)
		if n > 0 && (list[n-1].Data == nil) == (d.Data == nil) && slices.Equal(list[n-1].Data, d.Data) || n == 0 && d.Data == nil {
			continue
		}
		list = append(list, d)
	}
	return list, nil
}

func (s *Store) documents(ctx context.Context, query string, kind string, args ...any) ([]Document, error) {
	rows, err := s.readers.Load().QueryContext(ctx, query, append([]any{kind}, args...)...)
	if err != nil {
		return nil, err
	}
	defer rows.Close()
	var list []Document
	for rows.Next() {
		d := Document{Kind: kind}
		var wall int64
		var data sql.Null[[]byte]
		if err := rows.Scan(&d.ID, &wall, &d.Who, &data); err != nil {
			return nil, err
		}
		d.Wall = time.Unix(0, wall).UTC()
		if data.Valid {
			d.Data = append([]byte{}, data.V...)
		}
		list = append(list, d)
	}
	return list, rows.Err()
}

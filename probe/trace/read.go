package trace

import (
	"cmp"
	"context"
	"database/sql"
	"iter"
	"math"
	"slices"
	"time"
)

// Entries gives the entries of a batch in order, from number fromSeq on (0 = all),
// those not on disk yet included. Batch "" is what happened outside any.
//
// The readings of probes that serve every pot (those with neither batch nor pot:
// the room) come along while the batch has readings of its own: they lie between
// two of them that are at most two stretches of 4096 numbers apart. The last one
// of each such probe from shortly before the batch comes first, so that whoever
// replays the batch knows the room from its first reading.
//
// No lock is held and no transaction open while the loop runs. It ends after an
// error.
func (s *Store) Entries(ctx context.Context, batch string, fromSeq int64) iter.Seq2[Entry, error] {
	return func(yield func(Entry, error) bool) {
		for it, err := range s.items(ctx, batch, fromSeq) {
			if err != nil {
				yield(Entry{}, s.unread(err, "reading batch %q", batch))
				return
			}
			if !yield(it.entry(), nil) {
				return
			}
		}
	}
}

// Events gives the events and notices of a batch in order.
func (s *Store) Events(ctx context.Context, batch string) ([]Entry, error) {
	spool := s.spooled()
	items, err := s.eventsOnDisk(ctx, batch, 0, spool.first)
	if err != nil {
		return nil, s.unread(err, "reading the events of batch %q", batch)
	}
	entries := make([]Entry, 0, len(items))
	for _, it := range items {
		entries = append(entries, it.entry())
	}
	for _, it := range spool.items {
		if it.event != nil && it.event.Batch == batch {
			entries = append(entries, it.entry())
		}
	}
	return entries, nil
}

func (it item) entry() Entry {
	if it.event != nil {
		e := *it.event
		e.Wall = time.Unix(0, it.wall).UTC()
		e.Data = slices.Clone(e.Data)
		return e
	}
	return Entry{
		Seq: it.seq, Batch: it.channel.batch, Pot: it.channel.pot, At: it.at, Wall: time.Unix(0, it.wall).UTC(),
		Kind: KindReading, Probe: it.channel.probe, Role: it.channel.role,
		Celsius: it.celsius, Raw: it.raw, Quality: it.quality,
	}
}

// spooled is what was in memory at one moment. Whatever has a lower number than
// first is on disk.
type spooled struct {
	items []item
	first int64
}

func (s *Store) spooled() spooled {
	if s.o.ReadOnly {
		return spooled{first: math.MaxInt64}
	}
	s.mu.Lock()
	defer s.mu.Unlock()
	if len(s.spool) == 0 {
		return spooled{first: s.seq + 1}
	}
	return spooled{s.spool, s.spool[0].seq}
}

func (s *Store) eventsOnDisk(ctx context.Context, batch string, from, before int64) ([]item, error) {
	rows, err := s.readers.Load().QueryContext(ctx, `SELECT seq, kind, pot, at, wall, id, name, data FROM event
		WHERE batch = (SELECT no FROM batch_key WHERE id = ?) AND seq >= ? AND seq < ? ORDER BY seq`, batch, from, before)
	if err != nil {
		return nil, err
	}
	defer rows.Close()
	var items []item
	for rows.Next() {
		e := Entry{Batch: batch, Celsius: math.NaN(), Raw: math.NaN()}
		var wall int64
		var data []byte
		if err := rows.Scan(&e.Seq, &e.Kind, &e.Pot, &e.At, &wall, &e.ID, &e.Name, &data); err != nil {
			return nil, err
		}
		e.Data = data
		items = append(items, item{reading: reading{seq: e.Seq, at: e.At, wall: wall}, event: &e})
	}
	return items, rows.Err()
}

// items gives what Entries gives, unwrapped.
func (s *Store) items(ctx context.Context, batch string, from int64) iter.Seq2[item, error] {
	return func(yield func(item, error) bool) {
		spool, err := s.bounded(ctx)
		if err != nil {
			yield(item{}, err)
			return
		}
		src, err := s.source(ctx, batch, from, spool)
		if err != nil {
			yield(item{}, err)
			return
		}
		m := merger{batch: batch, from: from, events: src.events, fresh: src.fromStart, yield: func(it item) bool { return yield(it, nil) }}
		var items []item // a block at a time; nobody keeps it
		for _, block := range src.blocks {
			if items, err = s.readBlock(ctx, src, block, spool.first, items[:0]); err != nil {
				yield(item{}, err)
				return
			}
			for _, it := range items {
				if !m.add(it) {
					return
				}
			}
		}
		if !m.eventsBefore(spool.first) {
			return
		}
		for _, it := range spool.items {
			if !m.add(it) {
				return
			}
		}
		m.end()
	}
}

// bounded is spooled for a store that another process may be adding to, too:
// what it adds from now on is left out.
func (s *Store) bounded(ctx context.Context) (spooled, error) {
	sp := s.spooled()
	if s.o.ReadOnly {
		m, err := lastOnDisk(ctx, s.readers.Load())
		if err != nil {
			return sp, err
		}
		sp.first = m.seq + 1
	}
	return sp, nil
}

// source is what the entries of one batch are made from.
type source struct {
	db        *pool
	channels  map[int64]*channelKey // those of the batch, and the shared ones
	blocks    []int64               // to be read from disk
	events    []item                // on disk
	fromStart bool                  // the batch's first reading is among all this
}

func (s *Store) source(ctx context.Context, batch string, from int64, spool spooled) (source, error) {
	src := source{db: s.readers.Load(), channels: map[int64]*channelKey{}}
	rows, err := src.db.QueryContext(ctx, `SELECT c.no, k.id, c.pot, c.probe, c.role FROM channel c JOIN batch_key k ON k.no = c.batch
		WHERE c.batch = (SELECT no FROM batch_key WHERE id = ?1) OR c.batch = 0 AND c.pot = ''`, batch)
	if err != nil {
		return src, err
	}
	defer rows.Close()
	for rows.Next() {
		var no int64
		var k channelKey
		if err := rows.Scan(&no, &k.batch, &k.pot, &k.probe, &k.role); err != nil {
			return src, err
		}
		src.channels[no] = &k
	}
	if err := rows.Err(); err != nil {
		return src, err
	}
	if src.events, err = s.eventsOnDisk(ctx, batch, from, spool.first); err != nil {
		return src, err
	}

	rows, err = src.db.QueryContext(ctx, "SELECT block FROM presence WHERE batch = (SELECT no FROM batch_key WHERE id = ?) ORDER BY block", batch)
	if err != nil {
		return src, err
	}
	defer rows.Close()
	for rows.Next() {
		var block int64
		if err := rows.Scan(&block); err != nil {
			return src, err
		}
		src.blocks = append(src.blocks, block)
	}
	if err := rows.Err(); err != nil {
		return src, err
	}
	for _, it := range spool.items {
		if it.event == nil && it.channel.batch == batch {
			if b := blockOf(it.seq); len(src.blocks) == 0 || src.blocks[len(src.blocks)-1] < b {
				src.blocks = append(src.blocks, b)
			}
		}
	}
	if len(src.blocks) == 0 {
		return src, nil
	}
	// One stretch more, to know what the room was.
	start := blockOf(from) - 1
	if src.blocks[0] >= start {
		src.fromStart = true
		src.blocks = slices.Insert(src.blocks, 0, src.blocks[0]-1)
		return src, nil
	}
	n, _ := slices.BinarySearch(src.blocks, start)
	src.blocks = src.blocks[n:]
	return src, nil
}

// readBlock adds to items one block of the readings that src asks for.
func (s *Store) readBlock(ctx context.Context, src source, block, before int64, items []item) ([]item, error) {
	if block < 0 {
		return items, nil
	}
	rows, err := src.db.QueryContext(ctx, "SELECT seq, data FROM chunk WHERE seq >= ? AND seq < ? ORDER BY seq", block*blockSize, min((block+1)*blockSize, before))
	if err != nil {
		return nil, err
	}
	defer rows.Close()
	for rows.Next() {
		var first int64
		var data sql.RawBytes
		if err := rows.Scan(&first, &data); err != nil {
			return nil, err
		}
		start := len(items)
		err := decodeChunk(first, data,
			func(channel int64) bool { return src.channels[channel] != nil },
			func(channel int64, r reading) {
				items = append(items, item{reading: r, channel: src.channels[channel]})
			})
		if err != nil {
			// The rest of the batch is worth having without it.
			items = items[:start]
			s.mu.Lock()
			_, known := s.damaged[first]
			s.damaged[first] = struct{}{}
			s.mu.Unlock()
			if !known {
				s.o.Log.Error("some readings can't be read back", "path", s.path, "from", first, "err", err)
			}
			continue
		}
		slices.SortFunc(items[start:], func(a, b item) int { return cmp.Compare(a.seq, b.seq) })
	}
	return items, rows.Err()
}

// shortlyBefore is how old a room's reading may be, in station time, to say
// something about a batch that begins after it.
const shortlyBefore = 10 * time.Minute

// merger puts a batch's readings, its events and the readings of shared probes
// into one order, and leaves out what is not the batch's business.
type merger struct {
	batch  string
	from   int64
	events []item
	fresh  bool  // no reading of the batch came before those that are given
	own    int64 // number of the batch's last reading; 0 = none yet
	held   []item
	yield  func(item) bool
}

// add takes the next reading, or an event that is not on disk yet, in order. It
// returns false when nothing more is wanted.
func (m *merger) add(it item) bool {
	if !m.eventsBefore(it.seq) {
		return false
	}
	if it.event != nil {
		if it.event.Batch == m.batch {
			return m.hold(it)
		}
		return true
	}
	if it.channel.batch != m.batch {
		if it.channel.batch == "" && it.channel.pot == "" {
			m.held = append(m.held, it)
		}
		return true
	}
	keep := func(item) bool { return false }
	switch {
	case m.own != 0 && blockOf(it.seq)-blockOf(m.own) <= 1:
		keep = func(item) bool { return true }
	case m.own == 0 && m.fresh:
		latest := map[channelKey]int64{}
		for _, h := range m.held {
			if h.event == nil && blockOf(it.seq)-blockOf(h.seq) <= 1 && it.at-h.at <= shortlyBefore {
				latest[*h.channel] = h.seq
			}
		}
		keep = func(h item) bool { return h.event == nil && latest[*h.channel] == h.seq }
	}
	m.own = it.seq
	return m.release(keep) && m.give(it)
}

// hold keeps an event behind the shared readings that wait, if any do.
func (m *merger) hold(it item) bool {
	if len(m.held) == 0 {
		return m.give(it)
	}
	m.held = append(m.held, it)
	return true
}

func (m *merger) release(keep func(item) bool) bool {
	held := m.held
	m.held = m.held[:0]
	for _, h := range held {
		if (h.event != nil || keep(h)) && !m.give(h) {
			return false
		}
	}
	return true
}

func (m *merger) give(it item) bool { return it.seq < m.from || m.yield(it) }

func (m *merger) eventsBefore(seq int64) bool {
	for len(m.events) > 0 && m.events[0].seq < seq {
		it := m.events[0]
		m.events = m.events[1:]
		if !m.hold(it) {
			return false
		}
	}
	return true
}

func (m *merger) end() {
	if m.eventsBefore(math.MaxInt64) {
		m.release(func(item) bool { return false })
	}
}

-- Batch codes get small numbers; 0 is "outside any batch".
CREATE TABLE batch_key (
	no INTEGER PRIMARY KEY,
	id TEXT NOT NULL UNIQUE
) STRICT;
INSERT INTO batch_key (no, id) VALUES (0, '');

-- Times of day are UTC, nanoseconds since 1970; *_at are station time, nanoseconds.
CREATE TABLE batch (
	no INTEGER PRIMARY KEY,    -- in the order in which they were begun
	key INTEGER NOT NULL UNIQUE REFERENCES batch_key (no),
	pot TEXT NOT NULL,
	name TEXT NOT NULL,
	recipe TEXT NOT NULL,
	stage TEXT NOT NULL,
	started INTEGER,           -- NULL: not known
	ended INTEGER,             -- NULL: goes on
	start_at INTEGER NOT NULL,
	poured_at INTEGER NOT NULL,
	lots TEXT NOT NULL,        -- JSON list, as given
	search TEXT NOT NULL       -- what a search in words looks through, lower case
) STRICT;
CREATE INDEX batch_open ON batch (no) WHERE ended IS NULL;
CREATE INDEX batch_recipe ON batch (recipe, no);

-- Apart from the rest, so that a list need not step over them.
CREATE TABLE batch_sheet (
	no INTEGER PRIMARY KEY REFERENCES batch (no),
	sheet BLOB,
	record BLOB
) STRICT;

CREATE TABLE lot (
	lot TEXT NOT NULL COLLATE NOCASE,
	batch INTEGER NOT NULL REFERENCES batch (no),
	PRIMARY KEY (lot, batch)
) STRICT, WITHOUT ROWID;
CREATE INDEX lot_batch ON lot (batch);

-- A probe in a role in a pot during a batch.
CREATE TABLE channel (
	no INTEGER PRIMARY KEY,
	batch INTEGER NOT NULL REFERENCES batch_key (no),
	pot TEXT NOT NULL,
	probe TEXT NOT NULL,
	role TEXT NOT NULL,
	UNIQUE (batch, pot, probe, role)
) STRICT;

-- Readings, packed: one row for a few seconds of every probe. Rows are only ever
-- added at the end, so that a write touches one page.
CREATE TABLE chunk (
	seq INTEGER PRIMARY KEY, -- of the first reading
	last INTEGER NOT NULL,   -- seq of the last reading
	data BLOB NOT NULL
) STRICT;

-- In which stretches of 4096 sequence numbers a batch has readings.
CREATE TABLE presence (
	batch INTEGER NOT NULL REFERENCES batch_key (no),
	block INTEGER NOT NULL,
	PRIMARY KEY (batch, block)
) STRICT, WITHOUT ROWID;

CREATE TABLE event (
	seq INTEGER PRIMARY KEY,
	batch INTEGER NOT NULL REFERENCES batch_key (no),
	kind TEXT NOT NULL,      -- 'event' or 'notice'
	pot TEXT NOT NULL,
	at INTEGER NOT NULL,
	wall INTEGER NOT NULL,
	id TEXT NOT NULL,
	name TEXT NOT NULL,
	data BLOB
) STRICT;
CREATE INDEX event_batch ON event (batch, seq);
CREATE UNIQUE INDEX event_once ON event (batch, id) WHERE kind = 'event' AND id <> '';

-- Which changes of batches and documents are in: up to a number of a run of the
-- program. Tells after a failed write whether it had reached the disk after all.
CREATE TABLE written (
	one INTEGER PRIMARY KEY CHECK (one = 1),
	run INTEGER NOT NULL,
	serial INTEGER NOT NULL
) STRICT;

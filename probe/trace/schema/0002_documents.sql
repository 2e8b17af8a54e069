-- Small values by kind and id: devices, lessons, shelf notes, photographs.
CREATE TABLE document (
	kind TEXT NOT NULL,
	id TEXT NOT NULL,
	wall INTEGER NOT NULL,
	who TEXT NOT NULL,
	data BLOB NOT NULL,
	PRIMARY KEY (kind, id)
) STRICT;

-- What stood in a document before it was changed or taken away.
CREATE TABLE document_version (
	no INTEGER PRIMARY KEY,
	kind TEXT NOT NULL,
	id TEXT NOT NULL,
	wall INTEGER NOT NULL,
	who TEXT NOT NULL,
	data BLOB               -- NULL: it was taken away then
) STRICT;
CREATE INDEX document_version_of ON document_version (kind, id, no);

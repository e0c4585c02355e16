-- A card is known again by its CID, else by its label. Both are '' where unknown; a card without either is never met again.
CREATE TABLE cards (
    card_id    INTEGER PRIMARY KEY,
    cid        TEXT    NOT NULL, -- 32 lower-case hexadecimal digits
    series     TEXT    NOT NULL, -- the part of the CID that cards of one product share: maker, OEM, name, revision
    label      TEXT    NOT NULL, -- what the operator wrote on it, as last told
    size_bytes INTEGER NOT NULL  -- as last stated by the card; 0 where unknown
) STRICT;
CREATE UNIQUE INDEX cards_by_cid ON cards (cid) WHERE cid <> '';
CREATE INDEX cards_by_label ON cards (label) WHERE label <> '';
CREATE INDEX cards_by_series ON cards (series, size_bytes) WHERE series <> '';

-- An image is known by its own digest, else by that of its packed form, else by name, format and packed size.
CREATE TABLE images (
    image_id      INTEGER PRIMARY KEY,
    name          TEXT    NOT NULL,
    format        TEXT    NOT NULL,
    packed_bytes  INTEGER NOT NULL, -- 0 where unknown
    image_bytes   INTEGER NOT NULL, -- 0 where unknown
    packed_sha256 TEXT    NOT NULL, -- '' until known
    image_sha256  TEXT    NOT NULL  -- '' until known
) STRICT;
CREATE UNIQUE INDEX images_by_image_sha256 ON images (image_sha256) WHERE image_sha256 <> '';
CREATE INDEX images_by_packed_sha256 ON images (packed_sha256) WHERE packed_sha256 <> '';
CREATE INDEX images_by_name ON images (name, format, packed_bytes);

-- A run's columns are what is searched and counted; its documents are what was printed, word for word.
CREATE TABLE runs (
    run_id                INTEGER PRIMARY KEY AUTOINCREMENT, -- a number is never given twice
    card_id               INTEGER NOT NULL REFERENCES cards,
    image_id              INTEGER NOT NULL REFERENCES images,
    operation             TEXT    NOT NULL,
    device                TEXT    NOT NULL,
    bay                   TEXT    NOT NULL, -- the reader's port path, else its device node
    label                 TEXT    NOT NULL, -- the card's label at the time
    started_at            TEXT    NOT NULL, -- UTC, RFC 3339, always nine decimals, so that text order is time order
    closed_at             TEXT,             -- null while the run goes on, and for good where it was cut off
    verdict               TEXT    NOT NULL CHECK (verdict IN ('intact', 'damaged', 'unfinished', 'refused')),
    pace                  TEXT    NOT NULL,
    time_to_flash_s       REAL,
    time_to_proven_s      REAL,
    source_wait_s         REAL,
    sustained_bytes_per_s REAL,
    source_limited        INTEGER NOT NULL CHECK (source_limited IN (0, 1)),
    document              TEXT    NOT NULL CHECK (json_valid(document)),       -- the run
    image_document        TEXT    NOT NULL CHECK (json_valid(image_document)), -- the image as this run met it
    CHECK (closed_at IS NOT NULL OR verdict = 'unfinished')
) STRICT;
CREATE INDEX runs_by_card ON runs (card_id, run_id);
CREATE INDEX runs_by_image ON runs (image_id);
CREATE INDEX runs_by_bay ON runs (bay, run_id);

-- One row per block written, in the order of writing.
CREATE TABLE traces (
    run_id       INTEGER NOT NULL REFERENCES runs,
    seq          INTEGER NOT NULL,
    offset_bytes INTEGER NOT NULL,
    length_bytes INTEGER NOT NULL,
    start_ns     INTEGER NOT NULL, -- since the first byte written to the card
    busy_ns      INTEGER NOT NULL,
    PRIMARY KEY (run_id, seq)
) STRICT, WITHOUT ROWID;

-- A batch is one image for a stack of cards. Of the batches of one name the latest is the one that is worked on.
CREATE TABLE batches (
    batch_id     INTEGER PRIMARY KEY AUTOINCREMENT, -- a number is never given twice
    name         TEXT    NOT NULL CHECK (name <> ''),
    image_sha256 TEXT    NOT NULL CHECK (image_sha256 <> ''),
    begun_at     TEXT    NOT NULL -- as runs.started_at
) STRICT;
CREATE INDEX batches_by_name ON batches (name, batch_id);

-- A turn is what one card of a batch gets: a sequence number, given once to all batches of a name, and the label of a row.
-- No turn is ever deleted, so the highest number there is tells the next.
CREATE TABLE turns (
    batch_id   INTEGER NOT NULL REFERENCES batches,
    number     INTEGER NOT NULL CHECK (number > 0),
    label      TEXT    NOT NULL, -- '' where the batch has no rows
    state      TEXT    NOT NULL CHECK (state IN ('given', 'done', 'returned')),
    run_id     INTEGER REFERENCES runs, -- null until settled, and for good where no run was recorded
    given_at   TEXT    NOT NULL,
    settled_at TEXT,
    PRIMARY KEY (batch_id, number),
    CHECK ((state = 'given') = (settled_at IS NULL))
) STRICT, WITHOUT ROWID;
-- A label is on one card, or on its way to one.
CREATE UNIQUE INDEX turns_by_label ON turns (batch_id, label) WHERE label <> '' AND state <> 'returned';

ALTER TABLE runs ADD COLUMN batch_id INTEGER REFERENCES batches; -- null outside a batch
ALTER TABLE runs ADD COLUMN imprint TEXT NOT NULL DEFAULT '';    -- of the card as the run left it; '' where none was taken
ALTER TABLE runs ADD COLUMN imprint_identity TEXT NOT NULL DEFAULT '';
ALTER TABLE runs ADD COLUMN skip_free INTEGER NOT NULL DEFAULT 0 CHECK (skip_free IN (0, 1));
CREATE INDEX runs_by_imprint ON runs (imprint, run_id) WHERE imprint <> '';
CREATE INDEX runs_by_imprint_identity ON runs (imprint_identity, run_id) WHERE imprint_identity <> '';

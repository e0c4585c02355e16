-- What cards of one product share is their product; a series is what the maker calls the line that a card was bought as.
ALTER TABLE cards RENAME COLUMN series TO product;
DROP INDEX cards_by_series;
CREATE INDEX cards_by_product ON cards (product, size_bytes) WHERE product <> '';

-- A card that is met outside a run has none to be ordered by, so meetings are counted: the card that was met last has the highest.
ALTER TABLE cards ADD COLUMN met INTEGER NOT NULL DEFAULT 0;
UPDATE cards SET met = coalesce((SELECT max(run_id) FROM runs WHERE runs.card_id = cards.card_id), 0);
CREATE INDEX cards_by_met ON cards (met);

-- All labels that were ever on a card. The label of a batch is on its card once its turn is done.
CREATE TABLE labels (
    card_id INTEGER NOT NULL REFERENCES cards,
    label   TEXT    NOT NULL CHECK (label <> ''),
    PRIMARY KEY (card_id, label)
) STRICT, WITHOUT ROWID;
INSERT INTO labels (card_id, label) SELECT card_id, label FROM cards WHERE label <> ''
    UNION SELECT card_id, label FROM runs WHERE label <> '' AND batch_id IS NULL
    UNION SELECT card_id, turns.label FROM turns JOIN runs USING (run_id) WHERE turns.label <> '' AND state = 'done';

-- What a card told of itself: one row for each distinct set of registers, and cards.registers_id points at what it told last.
-- Text is lower-case hexadecimal digits, '' where a register is not there. A card whose registers were never seen has no row.
CREATE TABLE registers (
    registers_id   INTEGER PRIMARY KEY,
    card_id        INTEGER NOT NULL REFERENCES cards,
    kind           TEXT    NOT NULL CHECK (kind IN ('', 'sd', 'emmc')),
    cid            TEXT    NOT NULL,
    csd            TEXT    NOT NULL,
    scr            TEXT    NOT NULL,
    ssr            TEXT    NOT NULL,
    capacity_bytes INTEGER NOT NULL, -- this and what follows is what the registers were last decoded to; 0: not told
    au_bytes       INTEGER NOT NULL,
    speed_class    INTEGER NOT NULL,
    uhs_grade      INTEGER NOT NULL,
    video_class    INTEGER NOT NULL,
    app_class      INTEGER NOT NULL,
    first_seen_at  TEXT    NOT NULL, -- as runs.started_at
    last_seen_at   TEXT    NOT NULL,
    UNIQUE (card_id, kind, cid, csd, scr, ssr)
) STRICT;
ALTER TABLE cards ADD COLUMN registers_id INTEGER REFERENCES registers;

-- What the operator attached to a card. The latest row of a name counts, and '' takes the fact back.
CREATE TABLE facts (
    fact_id  INTEGER PRIMARY KEY AUTOINCREMENT,
    card_id  INTEGER NOT NULL REFERENCES cards,
    name     TEXT    NOT NULL CHECK (name <> ''),
    value    TEXT    NOT NULL,
    noted_at TEXT    NOT NULL -- as runs.started_at
) STRICT;
CREATE INDEX facts_by_card ON facts (card_id, name, fact_id);
CREATE TRIGGER facts_are_never_changed BEFORE UPDATE ON facts
BEGIN SELECT raise(ABORT, 'a fact is corrected by a later one'); END;
CREATE TRIGGER facts_are_never_deleted BEFORE DELETE ON facts
BEGIN SELECT raise(ABORT, 'a fact is taken back by a later one'); END;

-- What the operator calls the maker behind a number in the CID. SD cards and eMMC modules have registries of their own.
-- The latest row of a number counts, and '' takes the name back.
CREATE TABLE makers (
    naming_id       INTEGER PRIMARY KEY AUTOINCREMENT,
    kind            TEXT    NOT NULL CHECK (kind IN ('sd', 'emmc')),
    manufacturer_id INTEGER NOT NULL CHECK (manufacturer_id BETWEEN 0 AND 255),
    name            TEXT    NOT NULL,
    noted_at        TEXT    NOT NULL -- as runs.started_at
) STRICT;
CREATE INDEX makers_by_number ON makers (kind, manufacturer_id, naming_id);
CREATE TRIGGER makers_are_never_changed BEFORE UPDATE ON makers
BEGIN SELECT raise(ABORT, 'a name is corrected by a later one'); END;
CREATE TRIGGER makers_are_never_deleted BEFORE DELETE ON makers
BEGIN SELECT raise(ABORT, 'a name is taken back by a later one'); END;

-- A check whether a card is as large as it says, opened before its first write. One that came to nothing is closed without a
-- verdict.
CREATE TABLE capacity_checks (
    check_id      INTEGER PRIMARY KEY AUTOINCREMENT, -- a number is never given twice
    card_id       INTEGER NOT NULL REFERENCES cards,
    device        TEXT    NOT NULL,
    bay           TEXT    NOT NULL, -- as runs.bay
    label         TEXT    NOT NULL, -- the card's label at the time
    started_at    TEXT    NOT NULL, -- as runs.started_at
    closed_at     TEXT,             -- null while the check goes on, and for good where it was cut off
    mode          TEXT    NOT NULL CHECK (mode IN ('quick', 'full')),
    verdict       TEXT    NOT NULL CHECK (verdict IN ('', 'true', 'short', 'unreliable')),
    claimed_bytes INTEGER NOT NULL,
    true_bytes    INTEGER, -- null where it was not found
    document      TEXT    NOT NULL CHECK (json_valid(document)),
    CHECK (closed_at IS NOT NULL OR verdict = '')
) STRICT;
CREATE INDEX capacity_checks_by_card ON capacity_checks (card_id, check_id);

ALTER TABLE runs ADD COLUMN bus_limited INTEGER NOT NULL DEFAULT 0 CHECK (bus_limited IN (0, 1));

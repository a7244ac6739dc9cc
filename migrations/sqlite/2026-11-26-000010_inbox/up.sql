-- Edits of handsets that are not in the log: parked ones wait for what they name, refused ones for somebody to look at them.
-- What was fixed when an edit first came in is kept with it.
CREATE TABLE inbox (
    organization    BLOB NOT NULL,
    edit_id         BLOB NOT NULL,
    state           TEXT NOT NULL CHECK (state IN ('parked', 'refused')),
    reason          TEXT NOT NULL,
    received_at     INTEGER NOT NULL,
    handset         BLOB NOT NULL,
    handset_edit    INTEGER NOT NULL,
    author          BLOB NOT NULL,
    wish            TEXT NOT NULL,
    record_kind     TEXT NOT NULL,
    record_id       BLOB NOT NULL,
    base            TEXT NOT NULL,
    stamp_raw       TEXT NOT NULL,
    stamp_effective TEXT NOT NULL,
    occurred_at     INTEGER,
    body            TEXT NOT NULL,
    content_hash    BLOB NOT NULL,
    PRIMARY KEY (organization, edit_id)
) STRICT;
CREATE INDEX inbox_state ON inbox (organization, state, received_at, edit_id);
CREATE INDEX inbox_author ON inbox (organization, author, edit_id);

-- What parked edits name: whatever of it comes, they are tried again.
CREATE TABLE inbox_need (
    organization BLOB NOT NULL,
    needed       BLOB NOT NULL,
    edit_id      BLOB NOT NULL,
    PRIMARY KEY (organization, needed, edit_id)
) STRICT;
CREATE INDEX inbox_need_edit ON inbox_need (organization, edit_id);

-- Edits that wait for a person to decide about them; a fold of the log.
CREATE TABLE held (
    organization BLOB NOT NULL,
    seq          INTEGER NOT NULL,
    edit_id      BLOB NOT NULL,
    unit_id      BLOB,
    PRIMARY KEY (organization, seq),
    UNIQUE (organization, edit_id)
) STRICT;

-- How many fields of a record are contested.
ALTER TABLE record ADD COLUMN contested INTEGER NOT NULL DEFAULT 0;
CREATE INDEX record_contested ON record (organization, kind, id) WHERE contested > 0;

-- What came under the id of another edit with other content: refused, and kept beside the first for somebody to look at, once
-- for each content. Its private texts are in private_text with the hash before their pointers.
CREATE TABLE other_content (
    organization    BLOB NOT NULL,
    edit_id         BLOB NOT NULL,
    state           TEXT NOT NULL CHECK (state = 'refused'),
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
    chained         INTEGER NOT NULL,
    flags           TEXT NOT NULL,
    group_id        BLOB,
    group_size      INTEGER,
    format          INTEGER NOT NULL,
    PRIMARY KEY (organization, edit_id, content_hash)
) STRICT;
CREATE INDEX other_content_handset ON other_content (organization, handset, received_at, edit_id);

-- What came from a handset and is not in the log, in the order in which it came.
CREATE INDEX inbox_handset ON inbox (organization, handset, received_at, edit_id);

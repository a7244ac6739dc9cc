-- One append-only change log per organization. Records, editions, jobs, events, states, due items and the feed are folds of
-- it; beside it stand locks, secrets, private text, the outbox, and what due items were within the last day.
-- Identifiers are the 16 bytes of a UUID, instants are microseconds since 1970 UTC, JSON is text kept byte for byte.

CREATE TABLE organization (
    id               BLOB NOT NULL PRIMARY KEY,
    next_seq         INTEGER NOT NULL,
    last_recorded_at INTEGER NOT NULL
) STRICT;

CREATE TABLE change_log (
    organization       BLOB NOT NULL REFERENCES organization (id),
    seq                INTEGER NOT NULL,
    recorded_at        INTEGER NOT NULL,
    row_kind           TEXT NOT NULL CHECK (row_kind IN ('edit', 'held', 'released', 'refused', 'erased')),
    channel            TEXT NOT NULL CHECK (channel IN ('rest', 'sync', 'import', 'service')),
    edit_id            BLOB NOT NULL,
    group_id           BLOB,
    format             INTEGER NOT NULL,
    record_kind        TEXT NOT NULL,
    record_id          BLOB NOT NULL,
    unit_id            BLOB,
    base               TEXT,
    author             BLOB NOT NULL,
    on_behalf_of       BLOB,
    handset            BLOB,
    handset_edit       INTEGER,
    stamp_raw          TEXT NOT NULL,
    stamp_effective    TEXT NOT NULL,
    occurred_raw       TEXT,
    occurred_at        INTEGER,
    occurred_source    TEXT,
    occurred_precision TEXT,
    body               TEXT NOT NULL,
    content_hash       BLOB NOT NULL,
    leaf_hash          BLOB NOT NULL,
    PRIMARY KEY (organization, seq),
    UNIQUE (organization, edit_id, row_kind)
) STRICT;

-- What a write transaction locks, absent records included.
CREATE TABLE record_lock (
    organization BLOB NOT NULL,
    kind         TEXT NOT NULL,
    id           BLOB NOT NULL,
    PRIMARY KEY (organization, kind, id)
) STRICT;

-- Records with fields: sites, units, schedules, people, grants.
CREATE TABLE record (
    organization BLOB NOT NULL,
    kind         TEXT NOT NULL,
    id           BLOB NOT NULL,
    version      INTEGER NOT NULL,
    belongs_to   BLOB,
    registers    TEXT NOT NULL,
    PRIMARY KEY (organization, kind, id)
) STRICT;
CREATE INDEX record_belongs_to ON record (organization, kind, belongs_to, id);

CREATE TABLE edition (
    organization BLOB NOT NULL,
    id           BLOB NOT NULL,
    schedule_id  BLOB NOT NULL,
    body         TEXT NOT NULL,
    PRIMARY KEY (organization, id)
) STRICT;
CREATE INDEX edition_schedule ON edition (organization, schedule_id, id);

-- Every job that some edition names.
CREATE TABLE job (
    organization BLOB NOT NULL,
    code         TEXT NOT NULL,
    PRIMARY KEY (organization, code)
) STRICT;

CREATE TABLE service_event (
    organization BLOB NOT NULL,
    id           BLOB NOT NULL,
    unit_id      BLOB NOT NULL,
    site_id      BLOB,
    kind         TEXT NOT NULL,
    occurred_at  INTEGER NOT NULL,
    body         TEXT NOT NULL,
    PRIMARY KEY (organization, id)
) STRICT;
CREATE INDEX service_event_unit ON service_event (organization, unit_id, occurred_at, id);
CREATE INDEX service_event_site ON service_event (organization, site_id, unit_id);

-- The state of a unit: where it stands, and all steps of its due items until something new is known.
CREATE TABLE unit_state (
    organization  BLOB NOT NULL,
    unit_id       BLOB NOT NULL,
    home_site     BLOB NOT NULL,
    standing_site BLOB NOT NULL,
    folded_at     INTEGER NOT NULL,
    folded_with   TEXT NOT NULL,
    changed_at    INTEGER NOT NULL,
    next_at       INTEGER NOT NULL,
    steps         TEXT NOT NULL,
    PRIMARY KEY (organization, unit_id)
) STRICT;
CREATE INDEX unit_state_next_at ON unit_state (organization, next_at, unit_id);
CREATE INDEX unit_state_changed_at ON unit_state (organization, changed_at, unit_id);

CREATE TABLE due_item (
    organization  BLOB NOT NULL,
    unit_id       BLOB NOT NULL,
    schedule_id   BLOB NOT NULL,
    task          TEXT NOT NULL,
    home_site     BLOB NOT NULL,
    standing_site BLOB NOT NULL,
    state         TEXT NOT NULL,
    reason        TEXT,
    due_at        INTEGER NOT NULL,
    PRIMARY KEY (organization, unit_id, schedule_id, task)
) STRICT;
CREATE INDEX due_item_state ON due_item (organization, state, due_at, unit_id, schedule_id, task);
CREATE INDEX due_item_due_at ON due_item (organization, due_at, unit_id, schedule_id, task);

-- What a due item was before it changed, for lists that are pinned to an earlier instant; kept for a day. Without a
-- state there was no such item.
CREATE TABLE due_item_before (
    organization BLOB NOT NULL,
    unit_id      BLOB NOT NULL,
    schedule_id  BLOB NOT NULL,
    task         TEXT NOT NULL,
    until        INTEGER NOT NULL,
    state        TEXT,
    reason       TEXT,
    due_at       INTEGER NOT NULL,
    PRIMARY KEY (organization, unit_id, schedule_id, task, until)
) STRICT;
CREATE INDEX due_item_before_until ON due_item_before (organization, until);

-- One row per change and site in scope when it was written; the nil site stands for the whole organization.
CREATE TABLE feed (
    organization BLOB NOT NULL,
    site_id      BLOB NOT NULL,
    seq          INTEGER NOT NULL,
    unit_id      BLOB,
    kind         TEXT NOT NULL,
    record_id    BLOB NOT NULL,
    PRIMARY KEY (organization, site_id, seq)
) STRICT;
CREATE INDEX feed_unit ON feed (organization, unit_id, seq);

CREATE TABLE outbox (
    organization BLOB NOT NULL,
    seq          INTEGER NOT NULL,
    ordinal      INTEGER NOT NULL,
    kind         TEXT NOT NULL,
    body         TEXT NOT NULL,
    PRIMARY KEY (organization, seq, ordinal)
) STRICT;

-- Text that can be erased; the log holds only commitments to it.
CREATE TABLE private_text (
    organization BLOB NOT NULL,
    edit_id      BLOB NOT NULL,
    pointer      TEXT NOT NULL,
    salt         BLOB NOT NULL,
    content      TEXT NOT NULL,
    PRIMARY KEY (organization, edit_id, pointer)
) STRICT;

-- Secrets that all instances share; made at random by the first that asks.
CREATE TABLE secret (
    name    TEXT NOT NULL,
    content BLOB NOT NULL,
    PRIMARY KEY (name)
) STRICT;

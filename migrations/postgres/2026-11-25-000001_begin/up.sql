-- One append-only change log per organization. Records, editions, jobs, events, states, due items and the feed are folds of
-- it; beside it stand locks, secrets, private text, the outbox, and what due items were within the last day.
-- Identifiers are uuid, instants are microseconds since 1970 UTC, JSON is text kept byte for byte.

CREATE TABLE organization (
    id               uuid PRIMARY KEY,
    next_seq         bigint NOT NULL,
    last_recorded_at bigint NOT NULL
);

CREATE TABLE change_log (
    organization       uuid NOT NULL REFERENCES organization (id),
    seq                bigint NOT NULL,
    recorded_at        bigint NOT NULL,
    row_kind           text COLLATE "C" NOT NULL CHECK (row_kind IN ('edit', 'held', 'released', 'refused', 'erased')),
    channel            text COLLATE "C" NOT NULL CHECK (channel IN ('rest', 'sync', 'import', 'service')),
    edit_id            uuid NOT NULL,
    group_id           uuid,
    format             integer NOT NULL,
    record_kind        text COLLATE "C" NOT NULL,
    record_id          uuid NOT NULL,
    unit_id            uuid,
    base               text,
    author             uuid NOT NULL,
    on_behalf_of       uuid,
    handset            uuid,
    handset_edit       bigint,
    stamp_raw          text COLLATE "C" NOT NULL,
    stamp_effective    text COLLATE "C" NOT NULL,
    occurred_raw       text,
    occurred_at        bigint,
    occurred_source    text COLLATE "C",
    occurred_precision text COLLATE "C",
    body               text NOT NULL,
    content_hash       bytea NOT NULL,
    leaf_hash          bytea NOT NULL,
    PRIMARY KEY (organization, seq),
    UNIQUE (organization, edit_id, row_kind)
);

-- What a write transaction locks, absent records included.
CREATE TABLE record_lock (
    organization uuid NOT NULL,
    kind         text COLLATE "C" NOT NULL,
    id           uuid NOT NULL,
    PRIMARY KEY (organization, kind, id)
);

-- Records with fields: sites, units, schedules, people, grants.
CREATE TABLE record (
    organization uuid NOT NULL,
    kind         text COLLATE "C" NOT NULL,
    id           uuid NOT NULL,
    version      bigint NOT NULL,
    belongs_to   uuid,
    registers    text NOT NULL,
    PRIMARY KEY (organization, kind, id)
);
CREATE INDEX record_belongs_to ON record (organization, kind, belongs_to, id);

CREATE TABLE edition (
    organization uuid NOT NULL,
    id           uuid NOT NULL,
    schedule_id  uuid NOT NULL,
    body         text NOT NULL,
    PRIMARY KEY (organization, id)
);
CREATE INDEX edition_schedule ON edition (organization, schedule_id, id);

-- Every job that some edition names.
CREATE TABLE job (
    organization uuid NOT NULL,
    code         text COLLATE "C" NOT NULL,
    PRIMARY KEY (organization, code)
);

CREATE TABLE service_event (
    organization uuid NOT NULL,
    id           uuid NOT NULL,
    unit_id      uuid NOT NULL,
    site_id      uuid,
    kind         text COLLATE "C" NOT NULL,
    occurred_at  bigint NOT NULL,
    body         text NOT NULL,
    PRIMARY KEY (organization, id)
);
CREATE INDEX service_event_unit ON service_event (organization, unit_id, occurred_at, id);
CREATE INDEX service_event_site ON service_event (organization, site_id, unit_id);

-- The state of a unit: where it stands, and all steps of its due items until something new is known.
CREATE TABLE unit_state (
    organization  uuid NOT NULL,
    unit_id       uuid NOT NULL,
    home_site     uuid NOT NULL,
    standing_site uuid NOT NULL,
    folded_at     bigint NOT NULL,
    folded_with   text NOT NULL,
    changed_at    bigint NOT NULL,
    next_at       bigint NOT NULL,
    steps         text NOT NULL,
    PRIMARY KEY (organization, unit_id)
);
CREATE INDEX unit_state_next_at ON unit_state (organization, next_at, unit_id);
CREATE INDEX unit_state_changed_at ON unit_state (organization, changed_at, unit_id);

CREATE TABLE due_item (
    organization  uuid NOT NULL,
    unit_id       uuid NOT NULL,
    schedule_id   uuid NOT NULL,
    task          text COLLATE "C" NOT NULL,
    home_site     uuid NOT NULL,
    standing_site uuid NOT NULL,
    state         text COLLATE "C" NOT NULL,
    reason        text COLLATE "C",
    due_at        bigint NOT NULL,
    PRIMARY KEY (organization, unit_id, schedule_id, task)
);
CREATE INDEX due_item_state ON due_item (organization, state, due_at, unit_id, schedule_id, task);
CREATE INDEX due_item_due_at ON due_item (organization, due_at, unit_id, schedule_id, task);

-- What a due item was before it changed, for lists that are pinned to an earlier instant; kept for a day. Without a
-- state there was no such item.
CREATE TABLE due_item_before (
    organization uuid NOT NULL,
    unit_id      uuid NOT NULL,
    schedule_id  uuid NOT NULL,
    task         text COLLATE "C" NOT NULL,
    until        bigint NOT NULL,
    state        text COLLATE "C",
    reason       text COLLATE "C",
    due_at       bigint NOT NULL,
    PRIMARY KEY (organization, unit_id, schedule_id, task, until)
);
CREATE INDEX due_item_before_until ON due_item_before (organization, until);

-- One row per change and site in scope when it was written; the nil site stands for the whole organization.
CREATE TABLE feed (
    organization uuid NOT NULL,
    site_id      uuid NOT NULL,
    seq          bigint NOT NULL,
    unit_id      uuid,
    kind         text COLLATE "C" NOT NULL,
    record_id    uuid NOT NULL,
    PRIMARY KEY (organization, site_id, seq)
);
CREATE INDEX feed_unit ON feed (organization, unit_id, seq);

CREATE TABLE outbox (
    organization uuid NOT NULL,
    seq          bigint NOT NULL,
    ordinal      integer NOT NULL,
    kind         text COLLATE "C" NOT NULL,
    body         text NOT NULL,
    PRIMARY KEY (organization, seq, ordinal)
);

-- Text that can be erased; the log holds only commitments to it.
CREATE TABLE private_text (
    organization uuid NOT NULL,
    edit_id      uuid NOT NULL,
    pointer      text COLLATE "C" NOT NULL,
    salt         bytea NOT NULL,
    content      text NOT NULL,
    PRIMARY KEY (organization, edit_id, pointer)
);

-- Secrets that all instances share; made at random by the first that asks.
CREATE TABLE secret (
    name    text COLLATE "C" NOT NULL,
    content bytea NOT NULL,
    PRIMARY KEY (name)
);

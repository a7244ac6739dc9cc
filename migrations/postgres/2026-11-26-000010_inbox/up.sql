-- Edits of handsets that are not in the log: parked ones wait for what they name, refused ones for somebody to look at them.
-- What was fixed when an edit first came in is kept with it.
CREATE TABLE inbox (
    organization    uuid NOT NULL,
    edit_id         uuid NOT NULL,
    state           text COLLATE "C" NOT NULL CHECK (state IN ('parked', 'refused')),
    reason          text COLLATE "C" NOT NULL,
    received_at     bigint NOT NULL,
    handset         uuid NOT NULL,
    handset_edit    bigint NOT NULL,
    author          uuid NOT NULL,
    wish            text COLLATE "C" NOT NULL,
    record_kind     text COLLATE "C" NOT NULL,
    record_id       uuid NOT NULL,
    base            text NOT NULL,
    stamp_raw       text COLLATE "C" NOT NULL,
    stamp_effective text COLLATE "C" NOT NULL,
    occurred_at     bigint,
    body            text NOT NULL,
    content_hash    bytea NOT NULL,
    PRIMARY KEY (organization, edit_id)
);
CREATE INDEX inbox_state ON inbox (organization, state, received_at, edit_id);
CREATE INDEX inbox_author ON inbox (organization, author, edit_id);

-- What parked edits name: whatever of it comes, they are tried again.
CREATE TABLE inbox_need (
    organization uuid NOT NULL,
    needed       uuid NOT NULL,
    edit_id      uuid NOT NULL,
    PRIMARY KEY (organization, needed, edit_id)
);
CREATE INDEX inbox_need_edit ON inbox_need (organization, edit_id);

-- Edits that wait for a person to decide about them; a fold of the log.
CREATE TABLE held (
    organization uuid NOT NULL,
    seq          bigint NOT NULL,
    edit_id      uuid NOT NULL,
    unit_id      uuid,
    PRIMARY KEY (organization, seq),
    UNIQUE (organization, edit_id)
);

-- How many fields of a record are contested.
ALTER TABLE record ADD COLUMN contested bigint NOT NULL DEFAULT 0;
CREATE INDEX record_contested ON record (organization, kind, id) WHERE contested > 0;

GRANT SELECT, INSERT, UPDATE, DELETE ON inbox TO keepstart_service;
GRANT SELECT, INSERT, DELETE ON held TO keepstart_service;
GRANT SELECT, INSERT, DELETE ON inbox_need TO keepstart_service;
ALTER TABLE inbox ENABLE ROW LEVEL SECURITY;
ALTER TABLE inbox FORCE ROW LEVEL SECURITY;
CREATE POLICY of_organization ON inbox
    USING (organization = NULLIF(current_setting('keepstart.organization', true), '')::uuid);
ALTER TABLE inbox_need ENABLE ROW LEVEL SECURITY;
ALTER TABLE inbox_need FORCE ROW LEVEL SECURITY;
CREATE POLICY of_organization ON inbox_need
    USING (organization = NULLIF(current_setting('keepstart.organization', true), '')::uuid);
ALTER TABLE held ENABLE ROW LEVEL SECURITY;
ALTER TABLE held FORCE ROW LEVEL SECURITY;
CREATE POLICY of_organization ON held
    USING (organization = NULLIF(current_setting('keepstart.organization', true), '')::uuid);

-- What came under the id of another edit with other content: refused, and kept beside the first for somebody to look at, once
-- for each content. Its private texts are in private_text with the hash before their pointers.
CREATE TABLE other_content (
    organization    uuid NOT NULL,
    edit_id         uuid NOT NULL,
    state           text COLLATE "C" NOT NULL CHECK (state = 'refused'),
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
    chained         bigint NOT NULL,
    flags           text NOT NULL,
    group_id        uuid,
    group_size      bigint,
    format          bigint NOT NULL,
    PRIMARY KEY (organization, edit_id, content_hash)
);
CREATE INDEX other_content_handset ON other_content (organization, handset, received_at, edit_id);

-- What came from a handset and is not in the log, in the order in which it came.
CREATE INDEX inbox_handset ON inbox (organization, handset, received_at, edit_id);

GRANT SELECT, INSERT, DELETE ON other_content TO keepstart_service;
ALTER TABLE other_content ENABLE ROW LEVEL SECURITY;
ALTER TABLE other_content FORCE ROW LEVEL SECURITY;
CREATE POLICY of_organization ON other_content
    USING (organization = NULLIF(current_setting('keepstart.organization', true), '')::uuid);

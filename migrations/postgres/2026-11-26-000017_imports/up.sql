-- Which record has which id in another system: a fold of the records' fields. Not unique, since handsets give ids without
-- knowing of each other; who asks for one at once is refused while another has it.
CREATE TABLE external_id (
    organization uuid NOT NULL,
    kind         text COLLATE "C" NOT NULL,
    system       text COLLATE "C" NOT NULL,
    id           text COLLATE "C" NOT NULL,
    record_id    uuid NOT NULL,
    PRIMARY KEY (organization, kind, system, id, record_id)
);
CREATE INDEX external_id_record ON external_id (organization, record_id);

-- Files that are brought in. A job is taken by one instance at a time, by lease; what it has come to is noted with the edits of
-- each slice, in one transaction.
CREATE TABLE import_job (
    organization uuid NOT NULL,
    id           uuid NOT NULL,
    author       uuid NOT NULL,
    made_at      bigint NOT NULL,
    expires_at   bigint NOT NULL,
    state        text COLLATE "C" NOT NULL
                 CHECK (state IN ('waiting_for_file', 'queued', 'running', 'done', 'refused', 'failed', 'cancelled')),
    records      text COLLATE "C" NOT NULL,
    mapping      text NOT NULL,
    all_or_none  bigint NOT NULL,
    dry_run      bigint NOT NULL,
    applies      uuid,
    file         uuid,
    rows_read    bigint NOT NULL,
    rows_total   bigint,
    created      bigint NOT NULL,
    changed      bigint NOT NULL,
    unchanged    bigint NOT NULL,
    repeated     bigint NOT NULL,
    refused      bigint NOT NULL,
    reported     bigint NOT NULL,
    failure      text COLLATE "C",
    cancelling   bigint NOT NULL,
    started_at   bigint,
    finished_at  bigint,
    lease        uuid,
    lease_until  bigint NOT NULL,
    PRIMARY KEY (organization, id)
);
CREATE INDEX import_job_state ON import_job (organization, state, made_at, id);
CREATE INDEX import_job_made ON import_job (organization, made_at, id);
CREATE INDEX import_job_author ON import_job (organization, author, made_at, id);
CREATE INDEX import_job_expires ON import_job (organization, expires_at);
CREATE INDEX import_job_file ON import_job (organization, file);

-- The bytes of files, in pieces. A file that broke off while it was sent belongs to no job.
CREATE TABLE import_file (
    organization uuid NOT NULL,
    id           uuid NOT NULL,
    begun_at     bigint NOT NULL,
    PRIMARY KEY (organization, id)
);
CREATE INDEX import_file_begun ON import_file (organization, begun_at);
CREATE TABLE import_chunk (
    organization uuid NOT NULL,
    file         uuid NOT NULL,
    n            bigint NOT NULL,
    content      bytea NOT NULL,
    PRIMARY KEY (organization, file, n)
);

-- What is to be said of rows that are not plainly fine.
CREATE TABLE import_row (
    organization uuid NOT NULL,
    job          uuid NOT NULL,
    n            bigint NOT NULL,
    line         bigint NOT NULL,
    name         text,
    fate         text COLLATE "C" NOT NULL,
    code         text COLLATE "C" NOT NULL,
    detail       text NOT NULL,
    suggestion   text,
    PRIMARY KEY (organization, job, n)
);

GRANT SELECT, INSERT, DELETE ON external_id, import_chunk, import_row TO keepstart_service;
GRANT SELECT, INSERT, UPDATE, DELETE ON import_job, import_file TO keepstart_service;
ALTER TABLE external_id ENABLE ROW LEVEL SECURITY;
ALTER TABLE external_id FORCE ROW LEVEL SECURITY;
CREATE POLICY of_organization ON external_id
    USING (organization = NULLIF(current_setting('keepstart.organization', true), '')::uuid);
ALTER TABLE import_job ENABLE ROW LEVEL SECURITY;
ALTER TABLE import_job FORCE ROW LEVEL SECURITY;
CREATE POLICY of_organization ON import_job
    USING (organization = NULLIF(current_setting('keepstart.organization', true), '')::uuid);
ALTER TABLE import_file ENABLE ROW LEVEL SECURITY;
ALTER TABLE import_file FORCE ROW LEVEL SECURITY;
CREATE POLICY of_organization ON import_file
    USING (organization = NULLIF(current_setting('keepstart.organization', true), '')::uuid);
ALTER TABLE import_chunk ENABLE ROW LEVEL SECURITY;
ALTER TABLE import_chunk FORCE ROW LEVEL SECURITY;
CREATE POLICY of_organization ON import_chunk
    USING (organization = NULLIF(current_setting('keepstart.organization', true), '')::uuid);
ALTER TABLE import_row ENABLE ROW LEVEL SECURITY;
ALTER TABLE import_row FORCE ROW LEVEL SECURITY;
CREATE POLICY of_organization ON import_row
    USING (organization = NULLIF(current_setting('keepstart.organization', true), '')::uuid);

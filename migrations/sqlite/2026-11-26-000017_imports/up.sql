-- Which record has which id in another system: a fold of the records' fields. Not unique, since handsets give ids without
-- knowing of each other; who asks for one at once is refused while another has it.
CREATE TABLE external_id (
    organization BLOB NOT NULL,
    kind         TEXT NOT NULL,
    system       TEXT NOT NULL,
    id           TEXT NOT NULL,
    record_id    BLOB NOT NULL,
    PRIMARY KEY (organization, kind, system, id, record_id)
) STRICT;
CREATE INDEX external_id_record ON external_id (organization, record_id);

-- Files that are brought in. A job is taken by one instance at a time, by lease; what it has come to is noted with the edits of
-- each slice, in one transaction.
CREATE TABLE import_job (
    organization BLOB NOT NULL,
    id           BLOB NOT NULL,
    author       BLOB NOT NULL,
    made_at      INTEGER NOT NULL,
    expires_at   INTEGER NOT NULL,
    state        TEXT NOT NULL
                 CHECK (state IN ('waiting_for_file', 'queued', 'running', 'done', 'refused', 'failed', 'cancelled')),
    records      TEXT NOT NULL,
    mapping      TEXT NOT NULL,
    all_or_none  INTEGER NOT NULL,
    dry_run      INTEGER NOT NULL,
    applies      BLOB,
    file         BLOB,
    rows_read    INTEGER NOT NULL,
    rows_total   INTEGER,
    created      INTEGER NOT NULL,
    changed      INTEGER NOT NULL,
    unchanged    INTEGER NOT NULL,
    repeated     INTEGER NOT NULL,
    refused      INTEGER NOT NULL,
    reported     INTEGER NOT NULL,
    failure      TEXT,
    cancelling   INTEGER NOT NULL,
    started_at   INTEGER,
    finished_at  INTEGER,
    lease        BLOB,
    lease_until  INTEGER NOT NULL,
    PRIMARY KEY (organization, id)
) STRICT;
CREATE INDEX import_job_state ON import_job (organization, state, made_at, id);
CREATE INDEX import_job_made ON import_job (organization, made_at, id);
CREATE INDEX import_job_author ON import_job (organization, author, made_at, id);
CREATE INDEX import_job_expires ON import_job (organization, expires_at);
CREATE INDEX import_job_file ON import_job (organization, file);

-- The bytes of files, in pieces. A file that broke off while it was sent belongs to no job.
CREATE TABLE import_file (
    organization BLOB NOT NULL,
    id           BLOB NOT NULL,
    begun_at     INTEGER NOT NULL,
    PRIMARY KEY (organization, id)
) STRICT;
CREATE INDEX import_file_begun ON import_file (organization, begun_at);
CREATE TABLE import_chunk (
    organization BLOB NOT NULL,
    file         BLOB NOT NULL,
    n            INTEGER NOT NULL,
    content      BLOB NOT NULL,
    PRIMARY KEY (organization, file, n)
) STRICT;

-- What is to be said of rows that are not plainly fine.
CREATE TABLE import_row (
    organization BLOB NOT NULL,
    job          BLOB NOT NULL,
    n            INTEGER NOT NULL,
    line         INTEGER NOT NULL,
    name         TEXT,
    fate         TEXT NOT NULL,
    code         TEXT NOT NULL,
    detail       TEXT NOT NULL,
    suggestion   TEXT,
    PRIMARY KEY (organization, job, n)
) STRICT;

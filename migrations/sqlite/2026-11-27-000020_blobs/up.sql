-- Photos and papers whose bytes are there, in a folder or a store beside the database; place says where in it.
CREATE TABLE blob (
    organization BLOB NOT NULL,
    sha256       BLOB NOT NULL,
    media_type   TEXT NOT NULL,
    bytes        INTEGER NOT NULL,
    place        BLOB NOT NULL,
    kept_at      INTEGER NOT NULL,
    PRIMARY KEY (organization, sha256)
) STRICT;
CREATE INDEX blob_kept_at ON blob (organization, kept_at, sha256);

-- Who has sent one, and at which sites they saw units then (all of them if there is nothing): whoever names a blob without
-- having had it opens it to nobody.
CREATE TABLE blob_sender (
    organization BLOB NOT NULL,
    sha256       BLOB NOT NULL,
    person       BLOB NOT NULL,
    sites        TEXT,
    PRIMARY KEY (organization, sha256, person)
) STRICT;

-- What is on its way, to each sender by itself.
CREATE TABLE blob_upload (
    organization BLOB NOT NULL,
    sha256       BLOB NOT NULL,
    person       BLOB NOT NULL,
    place        BLOB NOT NULL,
    bytes        INTEGER NOT NULL,
    last_at      INTEGER NOT NULL,
    PRIMARY KEY (organization, sha256, person)
) STRICT;
CREATE INDEX blob_upload_last_at ON blob_upload (organization, last_at);

-- Which events name which blobs; a fold of the events.
CREATE TABLE attachment (
    organization BLOB NOT NULL,
    sha256       BLOB NOT NULL,
    event_id     BLOB NOT NULL,
    unit_id      BLOB NOT NULL,
    author       BLOB NOT NULL,
    PRIMARY KEY (organization, sha256, event_id)
) STRICT;
CREATE INDEX attachment_unit ON attachment (organization, unit_id);

-- As for due items; of 100,000 units with 50,000 photos.
INSERT INTO sqlite_stat1 (tbl, idx, stat) VALUES
    ('blob', 'sqlite_autoindex_blob_1', '50000 50000 1'),
    ('blob', 'blob_kept_at', '50000 50000 2 1'),
    ('blob_sender', 'sqlite_autoindex_blob_sender_1', '50000 50000 1 1'),
    ('blob_upload', 'sqlite_autoindex_blob_upload_1', '500 500 1 1'),
    ('blob_upload', 'blob_upload_last_at', '500 500 2'),
    ('attachment', 'sqlite_autoindex_attachment_1', '50000 50000 1 1'),
    ('attachment', 'attachment_unit', '50000 50000 2');
ANALYZE sqlite_schema;

-- Photos and papers that no event names yet, and who sent them first: how much of them may lie about is limited. Those of
-- before are left out, and go after their 30 days like the others.
CREATE TABLE blob_unnamed (
    organization BLOB NOT NULL,
    sha256       BLOB NOT NULL,
    person       BLOB NOT NULL,
    bytes        INTEGER NOT NULL,
    PRIMARY KEY (organization, sha256)
) STRICT;

-- As for due items; of 50,000 photos.
INSERT INTO sqlite_stat1 (tbl, idx, stat) VALUES
    ('blob_unnamed', 'sqlite_autoindex_blob_unnamed_1', '500 500 1');
ANALYZE sqlite_schema;

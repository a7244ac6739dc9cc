ALTER TABLE feed RENAME TO feed_after;
CREATE TABLE feed (
    organization BLOB NOT NULL,
    site_id      BLOB NOT NULL,
    seq          INTEGER NOT NULL,
    unit_id      BLOB,
    kind         TEXT NOT NULL,
    record_id    BLOB NOT NULL,
    PRIMARY KEY (organization, site_id, seq)
) STRICT;
INSERT INTO feed (organization, site_id, seq, unit_id, kind, record_id)
    SELECT organization, site_id, seq, unit_id, kind, record_id FROM feed_after ORDER BY organization, seq, site_id;
DROP TABLE feed_after;
CREATE INDEX feed_unit ON feed (organization, unit_id, seq);
CREATE INDEX feed_seq ON feed (organization, seq, site_id);
DELETE FROM sqlite_stat1 WHERE tbl = 'feed';
ANALYZE sqlite_schema;

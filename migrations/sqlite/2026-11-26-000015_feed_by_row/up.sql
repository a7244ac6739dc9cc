-- The feed lies in the order of the log, so that new lines go to its end, and readers, whatever sites they see, go through the
-- rows after their own. Beside that it is asked for the lines of a unit, and for those of a site or the organization itself.
ALTER TABLE feed RENAME TO feed_before;
CREATE TABLE feed (
    organization BLOB NOT NULL,
    site_id      BLOB NOT NULL,
    seq          INTEGER NOT NULL,
    unit_id      BLOB,
    kind         TEXT NOT NULL,
    record_id    BLOB NOT NULL,
    PRIMARY KEY (organization, seq, site_id)
) STRICT, WITHOUT ROWID;
INSERT INTO feed (organization, site_id, seq, unit_id, kind, record_id)
    SELECT organization, site_id, seq, unit_id, kind, record_id FROM feed_before ORDER BY organization, seq, site_id;
DROP TABLE feed_before;
CREATE INDEX feed_unit ON feed (organization, unit_id, seq) WHERE unit_id IS NOT NULL;
CREATE INDEX feed_site ON feed (organization, site_id, seq) WHERE unit_id IS NULL;

-- Of 100,000 units with 10 rows each, at 500 sites with 20 rows each.
INSERT INTO sqlite_stat1 (tbl, idx, stat) VALUES
    ('feed', 'feed', '1010000 1010000 1 1'),
    ('feed', 'feed_unit', '1000000 1000000 10 1'),
    ('feed', 'feed_site', '10000 10000 20 1');
ANALYZE sqlite_schema;

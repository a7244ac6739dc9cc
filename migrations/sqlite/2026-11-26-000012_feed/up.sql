-- The feed in the order of the log, for those who see all sites.
CREATE INDEX feed_seq ON feed (organization, seq, site_id);

-- What is told of each unit in one number, a fold of its rows: the hash of its record as it is sent, and the count and the
-- sum of its events'. Without a hash it has not been worked out since before it was kept. The sites are those of unit_state.
CREATE TABLE unit_sent (
    organization  BLOB NOT NULL,
    unit_id       BLOB NOT NULL,
    home_site     BLOB NOT NULL,
    standing_site BLOB NOT NULL,
    retired       INTEGER NOT NULL,
    record_hash   BLOB,
    events        INTEGER NOT NULL,
    events_sum    BLOB NOT NULL,
    PRIMARY KEY (organization, unit_id)
) STRICT;
CREATE INDEX unit_sent_home ON unit_sent (organization, home_site, unit_id);
CREATE INDEX unit_sent_standing ON unit_sent (organization, standing_site, unit_id);
INSERT INTO unit_sent (organization, unit_id, home_site, standing_site, retired, events, events_sum)
    SELECT organization, unit_id, home_site, standing_site, 0, 0, zeroblob(32) FROM unit_state;

-- The version that its record came to by an edit which the handset can do by itself, so that it is told no more than that.
ALTER TABLE handset_edit ADD COLUMN version INTEGER;

-- Of 100,000 units with 10 rows each, at 500 sites.
INSERT INTO sqlite_stat1 (tbl, idx, stat) VALUES
    ('unit_sent', 'sqlite_autoindex_unit_sent_1', '100000 100000 1'),
    ('unit_sent', 'unit_sent_home', '100000 100000 200 1'),
    ('unit_sent', 'unit_sent_standing', '100000 100000 200 1');
ANALYZE sqlite_schema;

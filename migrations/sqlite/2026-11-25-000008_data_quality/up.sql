-- What is to be put right in the record of each unit, a fold of its events. A row holds from an instant on, which may lie
-- ahead, so that time alone needs no write.
CREATE TABLE data_quality (
    organization  BLOB NOT NULL,
    unit_id       BLOB NOT NULL,
    n             INTEGER NOT NULL,
    code          TEXT NOT NULL,
    home_site     BLOB NOT NULL,
    standing_site BLOB NOT NULL,
    from_at       INTEGER NOT NULL,
    until_at      INTEGER NOT NULL,
    evidence      TEXT NOT NULL,
    PRIMARY KEY (organization, unit_id, n)
) STRICT;
CREATE INDEX data_quality_code ON data_quality (organization, code, from_at, unit_id, n);
CREATE INDEX data_quality_standing ON data_quality (organization, standing_site, code, from_at, unit_id, n);
CREATE INDEX data_quality_away ON data_quality (organization, home_site, code, from_at, unit_id, n)
    WHERE home_site <> standing_site;

-- As for due items; of 100,000 units with two rows each, at 500 sites.
INSERT INTO sqlite_stat1 (tbl, idx, stat) VALUES
    ('data_quality', 'sqlite_autoindex_data_quality_1', '200000 200000 2 1'),
    ('data_quality', 'data_quality_code', '200000 200000 29000 2 1 1'),
    ('data_quality', 'data_quality_standing', '200000 200000 400 60 1 1 1'),
    ('data_quality', 'data_quality_away', '10000 10000 20 3 1 1 1');
ANALYZE sqlite_schema;

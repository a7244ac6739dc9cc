-- Units that corrections ever named together, by an event that was moved between them or as one machine: each has the lowest
-- id among them. They lock and fold together, since an event of one may bear on all; a fold of the log.
CREATE TABLE unit_kin (
    organization BLOB NOT NULL,
    unit_id      BLOB NOT NULL,
    head         BLOB NOT NULL,
    PRIMARY KEY (organization, unit_id)
) STRICT;
CREATE INDEX unit_kin_head ON unit_kin (organization, head, unit_id);
INSERT INTO sqlite_stat1 (tbl, idx, stat) VALUES
    ('unit_kin', 'sqlite_autoindex_unit_kin_1', '1000 1000 1'),
    ('unit_kin', 'unit_kin_head', '1000 1000 2 1');
ANALYZE sqlite_schema;

ALTER TABLE service_event RENAME TO service_event_after;
CREATE TABLE service_event (
    organization BLOB NOT NULL,
    id           BLOB NOT NULL,
    unit_id      BLOB NOT NULL,
    site_id      BLOB,
    kind         TEXT NOT NULL,
    occurred_at  INTEGER NOT NULL,
    body         TEXT NOT NULL,
    PRIMARY KEY (organization, id)
) STRICT;
INSERT INTO service_event (organization, id, unit_id, site_id, kind, occurred_at, body)
    SELECT organization, id, unit_id, site_id, kind, occurred_at, body FROM service_event_after;
DROP TABLE service_event_after;
CREATE INDEX service_event_unit ON service_event (organization, unit_id, occurred_at, id);
DELETE FROM sqlite_stat1 WHERE tbl = 'service_event';
ANALYZE sqlite_schema;

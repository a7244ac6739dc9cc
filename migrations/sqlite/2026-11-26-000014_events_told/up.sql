-- When an event was recorded and by whom, so that readers of the feed are told of it without its row of the log. Events of one
-- unit lie together, in the order in which they are folded and told.
ALTER TABLE service_event RENAME TO service_event_before;
CREATE TABLE service_event (
    organization BLOB NOT NULL,
    id           BLOB NOT NULL,
    unit_id      BLOB NOT NULL,
    site_id      BLOB,
    kind         TEXT NOT NULL,
    occurred_at  INTEGER NOT NULL,
    body         TEXT NOT NULL,
    recorded_at  INTEGER NOT NULL,
    author       BLOB NOT NULL,
    PRIMARY KEY (organization, unit_id, occurred_at, id)
) STRICT, WITHOUT ROWID;
INSERT INTO service_event (organization, id, unit_id, site_id, kind, occurred_at, recorded_at, author, body)
    SELECT event.organization, event.id, event.unit_id, event.site_id, event.kind, event.occurred_at, logged.recorded_at,
        CASE logged.row_kind WHEN 'released' THEN coalesce(logged.on_behalf_of, logged.author) ELSE logged.author END, event.body
    FROM service_event_before AS event LEFT JOIN change_log AS logged
        ON logged.organization = event.organization AND logged.edit_id = event.id
            AND logged.row_kind IN ('edit', 'released')
    ORDER BY event.organization, event.unit_id, event.occurred_at, event.id;
DROP TABLE service_event_before;
CREATE UNIQUE INDEX service_event_id ON service_event (organization, id);

-- Of 100,000 units with 10 events each.
INSERT INTO sqlite_stat1 (tbl, idx, stat) VALUES
    ('service_event', 'service_event', '1000000 1000000 10 1 1'),
    ('service_event', 'service_event_id', '1000000 1000000 1');
ANALYZE sqlite_schema;

-- When an event was recorded and by whom, so that readers of the feed are told of it without its row of the log. Its events are
-- asked for by unit far more often than by id.
ALTER TABLE service_event ADD COLUMN recorded_at bigint, ADD COLUMN author uuid;
-- The fence holds for the owner too; every organization's events are wanted.
ALTER TABLE service_event NO FORCE ROW LEVEL SECURITY;
ALTER TABLE change_log NO FORCE ROW LEVEL SECURITY;
UPDATE service_event SET recorded_at = logged.recorded_at,
    author = CASE logged.row_kind WHEN 'released' THEN coalesce(logged.on_behalf_of, logged.author) ELSE logged.author END
    FROM change_log AS logged
    WHERE logged.organization = service_event.organization AND logged.edit_id = service_event.id
        AND logged.row_kind IN ('edit', 'released');
ALTER TABLE change_log FORCE ROW LEVEL SECURITY;
ALTER TABLE service_event FORCE ROW LEVEL SECURITY;
ALTER TABLE service_event ALTER COLUMN recorded_at SET NOT NULL, ALTER COLUMN author SET NOT NULL;

ALTER TABLE service_event DROP CONSTRAINT service_event_pkey;
DROP INDEX service_event_unit;
ALTER TABLE service_event ADD PRIMARY KEY (organization, unit_id, occurred_at, id);
CREATE UNIQUE INDEX service_event_id ON service_event (organization, id);

-- What is kept of units is written anew with each of their events: LZ4 takes a fraction of the time. Without it the server's
-- own way of compressing stays.
DO $$
BEGIN
    ALTER TABLE unit_state ALTER COLUMN steps SET COMPRESSION lz4, ALTER COLUMN compact SET COMPRESSION lz4;
    ALTER TABLE record ALTER COLUMN registers SET COMPRESSION lz4;
EXCEPTION WHEN feature_not_supported THEN
    NULL;
END
$$;

ALTER TABLE record ALTER COLUMN registers SET COMPRESSION default;
ALTER TABLE unit_state ALTER COLUMN steps SET COMPRESSION default, ALTER COLUMN compact SET COMPRESSION default;
DROP INDEX service_event_id;
ALTER TABLE service_event DROP CONSTRAINT service_event_pkey;
ALTER TABLE service_event ADD PRIMARY KEY (organization, id);
CREATE INDEX service_event_unit ON service_event (organization, unit_id, occurred_at, id);
ALTER TABLE service_event DROP COLUMN author, DROP COLUMN recorded_at;

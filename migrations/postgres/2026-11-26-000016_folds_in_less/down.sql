CREATE INDEX due_item_due_at ON due_item (organization, due_at, unit_id, schedule_id, task);
ALTER TABLE unit_state DROP COLUMN compact;
ALTER TABLE unit_state ADD COLUMN compact text;
DO $$
BEGIN
    ALTER TABLE unit_state ALTER COLUMN compact SET COMPRESSION lz4;
EXCEPTION WHEN feature_not_supported THEN
    NULL;
END
$$;

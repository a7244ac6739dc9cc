CREATE INDEX due_item_due_at ON due_item (organization, due_at, unit_id, schedule_id, task);
INSERT INTO sqlite_stat1 (tbl, idx, stat) VALUES ('due_item', 'due_item_due_at', '300000 300000 2 1 1 1');
ANALYZE sqlite_schema;
ALTER TABLE unit_state DROP COLUMN compact;
ALTER TABLE unit_state ADD COLUMN compact TEXT;

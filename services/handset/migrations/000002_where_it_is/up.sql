-- The site where its user stands, as they said last.
ALTER TABLE device ADD COLUMN at_site BLOB;
-- When all was told last, by the clock of the device.
ALTER TABLE device ADD COLUMN synced_at INTEGER;

ALTER TABLE device DROP COLUMN synced_at;
ALTER TABLE device DROP COLUMN at_site;

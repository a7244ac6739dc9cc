ALTER TABLE edit DROP COLUMN happened_at;

-- Of an event whose time is put right: when it happened, as the service fixed it with its first answer. What it measured then of the
-- clock is not known any more after another start.
ALTER TABLE edit ADD COLUMN happened_at INTEGER;

ALTER TABLE handset_edit DROP COLUMN version;
DROP TABLE unit_sent;
DROP INDEX feed_seq;
DELETE FROM sqlite_stat1 WHERE tbl = 'unit_sent';
ANALYZE sqlite_schema;

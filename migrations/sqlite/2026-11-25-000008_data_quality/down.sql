DROP TABLE data_quality;
DELETE FROM sqlite_stat1 WHERE tbl = 'data_quality';
ANALYZE sqlite_schema;

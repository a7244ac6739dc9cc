DROP TABLE blob_unnamed;
DELETE FROM sqlite_stat1 WHERE tbl = 'blob_unnamed';
ANALYZE sqlite_schema;

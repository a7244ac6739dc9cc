DROP TABLE attachment;
DROP TABLE blob_upload;
DROP TABLE blob_sender;
DROP TABLE blob;
DELETE FROM sqlite_stat1 WHERE tbl IN ('blob', 'blob_sender', 'blob_upload', 'attachment');
ANALYZE sqlite_schema;

DROP TABLE blob_unnamed;

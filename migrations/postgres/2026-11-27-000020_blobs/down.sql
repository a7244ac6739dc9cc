DROP TABLE attachment;
DROP TABLE blob_upload;
DROP TABLE blob_sender;
DROP TABLE blob;

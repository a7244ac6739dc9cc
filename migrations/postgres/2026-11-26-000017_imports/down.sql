DROP TABLE import_row;
DROP TABLE import_chunk;
DROP TABLE import_file;
DROP TABLE import_job;
DROP TABLE external_id;

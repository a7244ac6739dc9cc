REVOKE UPDATE ON handset_edit FROM keepstart_service;
ALTER TABLE handset_edit DROP COLUMN version;
DROP TABLE unit_sent;
DROP INDEX feed_seq;

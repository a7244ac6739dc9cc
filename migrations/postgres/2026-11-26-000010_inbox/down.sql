DROP INDEX record_contested;
ALTER TABLE record DROP COLUMN contested;
DROP TABLE held;
DROP TABLE inbox_need;
DROP TABLE inbox;

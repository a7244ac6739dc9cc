DROP TABLE unit_kin;
DELETE FROM sqlite_stat1 WHERE tbl = 'unit_kin';
ANALYZE sqlite_schema;

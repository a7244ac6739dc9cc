DROP TABLE site_readiness;
DROP TABLE unit_readiness;
DROP INDEX unit_state_judge_at;
ALTER TABLE unit_state DROP COLUMN judge_at;
DELETE FROM sqlite_stat1 WHERE tbl IN ('unit_readiness', 'site_readiness') OR idx = 'unit_state_judge_at';
ANALYZE sqlite_schema;

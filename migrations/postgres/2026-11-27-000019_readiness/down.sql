DROP TABLE site_readiness;
DROP TABLE unit_readiness;
DROP INDEX unit_state_judge_at;
ALTER TABLE unit_state DROP COLUMN judge_at;

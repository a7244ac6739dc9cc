ALTER TABLE unit_state DROP COLUMN editions;

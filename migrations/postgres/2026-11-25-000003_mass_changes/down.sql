DROP INDEX unit_state_folded_with;
DROP TABLE unit_context;
DROP TABLE context;
DROP TABLE model_adoption;

CREATE INDEX service_event_site ON service_event (organization, site_id, unit_id);
DROP INDEX unit_state_folded_with;
DROP TABLE unit_context;
DROP TABLE context;
DROP TABLE model_adoption;

-- Units that corrections ever named together, by an event that was moved between them or as one machine: each has the lowest
-- id among them. They lock and fold together, since an event of one may bear on all; a fold of the log.
CREATE TABLE unit_kin (
    organization uuid NOT NULL,
    unit_id      uuid NOT NULL,
    head         uuid NOT NULL,
    PRIMARY KEY (organization, unit_id)
);
CREATE INDEX unit_kin_head ON unit_kin (organization, head, unit_id);

GRANT SELECT, INSERT, UPDATE (head) ON unit_kin TO keepstart_service;
ALTER TABLE unit_kin ENABLE ROW LEVEL SECURITY;
ALTER TABLE unit_kin FORCE ROW LEVEL SECURITY;
CREATE POLICY of_organization ON unit_kin
    USING (organization = NULLIF(current_setting('keepstart.organization', true), '')::uuid);

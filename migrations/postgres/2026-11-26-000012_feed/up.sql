-- The feed in the order of the log, for those who see all sites.
CREATE INDEX feed_seq ON feed (organization, seq, site_id);

-- What is told of each unit in one number, a fold of its rows: the hash of its record as it is sent, and the count and the
-- sum of its events'. Without a hash it has not been worked out since before it was kept. The sites are those of unit_state.
CREATE TABLE unit_sent (
    organization  uuid NOT NULL,
    unit_id       uuid NOT NULL,
    home_site     uuid NOT NULL,
    standing_site uuid NOT NULL,
    retired       bigint NOT NULL,
    record_hash   bytea,
    events        bigint NOT NULL,
    events_sum    bytea NOT NULL,
    PRIMARY KEY (organization, unit_id)
) WITH (fillfactor = 80);
CREATE INDEX unit_sent_home ON unit_sent (organization, home_site, unit_id);
CREATE INDEX unit_sent_standing ON unit_sent (organization, standing_site, unit_id);
-- The fence holds for the owner too; every organization's units are wanted.
ALTER TABLE unit_state NO FORCE ROW LEVEL SECURITY;
INSERT INTO unit_sent (organization, unit_id, home_site, standing_site, retired, events, events_sum)
    SELECT organization, unit_id, home_site, standing_site, 0, 0, decode(repeat('00', 32), 'hex') FROM unit_state;
ALTER TABLE unit_state FORCE ROW LEVEL SECURITY;

-- The version that its record came to by an edit which the handset can do by itself, so that it is told no more than that.
ALTER TABLE handset_edit ADD COLUMN version bigint;

GRANT SELECT, INSERT, UPDATE ON unit_sent TO keepstart_service;
GRANT UPDATE ON handset_edit TO keepstart_service;
ALTER TABLE unit_sent ENABLE ROW LEVEL SECURITY;
ALTER TABLE unit_sent FORCE ROW LEVEL SECURITY;
CREATE POLICY of_organization ON unit_sent
    USING (organization = NULLIF(current_setting('keepstart.organization', true), '')::uuid);

-- When the readiness of a unit has to be judged next: 0 for at once, which every write of its state says.
ALTER TABLE unit_state ADD COLUMN judge_at bigint NOT NULL DEFAULT 0;
CREATE INDEX unit_state_judge_at ON unit_state (organization, judge_at, unit_id);

-- Whether each unit is ready, by all that was known of it when it was judged; one that is retired has no row.
CREATE TABLE unit_readiness (
    organization  uuid NOT NULL,
    unit_id       uuid NOT NULL,
    home_site     uuid NOT NULL,
    standing_site uuid NOT NULL,
    verdict       text COLLATE "C" NOT NULL CHECK (verdict IN ('ready', 'ready_with_limits', 'unknown', 'not_ready')),
    capacity      bigint,
    next_at       bigint NOT NULL,
    judged_at     bigint NOT NULL,
    judged_with   text COLLATE "C" NOT NULL,
    site_version  bigint NOT NULL,
    reasons       text NOT NULL,
    PRIMARY KEY (organization, unit_id)
);
CREATE INDEX unit_readiness_verdict ON unit_readiness (organization, verdict, unit_id);
CREATE INDEX unit_readiness_standing ON unit_readiness (organization, standing_site, verdict, unit_id);
CREATE INDEX unit_readiness_away ON unit_readiness (organization, home_site, verdict, unit_id)
    WHERE home_site <> standing_site;
CREATE INDEX unit_readiness_judged_with ON unit_readiness (organization, judged_with, unit_id);

-- The same of each site, by the verdicts on the units that stand there; without a verdict it is not judged yet, or retired. The
-- units there wait, too, until all of them were judged by the newest version of the site's record.
CREATE TABLE site_readiness (
    organization  uuid NOT NULL,
    site_id       uuid NOT NULL,
    site_version  bigint NOT NULL,
    units_version bigint NOT NULL DEFAULT 0,
    judge_at      bigint NOT NULL DEFAULT 0,
    verdict       text COLLATE "C" CHECK (verdict IN ('ready', 'ready_with_limits', 'unknown', 'not_ready')),
    next_at       bigint NOT NULL DEFAULT 0,
    judged_at     bigint NOT NULL DEFAULT 0,
    judged_with   text COLLATE "C" NOT NULL DEFAULT '',
    answer        text NOT NULL DEFAULT '',
    PRIMARY KEY (organization, site_id)
);
CREATE INDEX site_readiness_judge_at ON site_readiness (organization, judge_at, site_id);
CREATE INDEX site_readiness_verdict ON site_readiness (organization, verdict, site_id);
CREATE INDEX site_readiness_judged_with ON site_readiness (organization, judged_with, site_id);
CREATE INDEX site_readiness_behind ON site_readiness (organization, site_id) WHERE units_version < site_version;

ALTER TABLE record NO FORCE ROW LEVEL SECURITY;
INSERT INTO site_readiness (organization, site_id, site_version, units_version)
    SELECT organization, id, version, version FROM record WHERE kind = 'site';
ALTER TABLE record FORCE ROW LEVEL SECURITY;

GRANT SELECT, INSERT, UPDATE, DELETE ON unit_readiness, site_readiness TO keepstart_service;
ALTER TABLE unit_readiness ENABLE ROW LEVEL SECURITY;
ALTER TABLE unit_readiness FORCE ROW LEVEL SECURITY;
CREATE POLICY of_organization ON unit_readiness
    USING (organization = NULLIF(current_setting('keepstart.organization', true), '')::uuid);
ALTER TABLE site_readiness ENABLE ROW LEVEL SECURITY;
ALTER TABLE site_readiness FORCE ROW LEVEL SECURITY;
CREATE POLICY of_organization ON site_readiness
    USING (organization = NULLIF(current_setting('keepstart.organization', true), '')::uuid);

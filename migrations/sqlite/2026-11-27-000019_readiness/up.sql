-- When the readiness of a unit has to be judged next: 0 for at once, which every write of its state says.
ALTER TABLE unit_state ADD COLUMN judge_at INTEGER NOT NULL DEFAULT 0;
CREATE INDEX unit_state_judge_at ON unit_state (organization, judge_at, unit_id);

-- Whether each unit is ready, by all that was known of it when it was judged; one that is retired has no row.
CREATE TABLE unit_readiness (
    organization  BLOB NOT NULL,
    unit_id       BLOB NOT NULL,
    home_site     BLOB NOT NULL,
    standing_site BLOB NOT NULL,
    verdict       TEXT NOT NULL CHECK (verdict IN ('ready', 'ready_with_limits', 'unknown', 'not_ready')),
    capacity      INTEGER,
    next_at       INTEGER NOT NULL,
    judged_at     INTEGER NOT NULL,
    judged_with   TEXT NOT NULL,
    site_version  INTEGER NOT NULL,
    reasons       TEXT NOT NULL,
    PRIMARY KEY (organization, unit_id)
) STRICT;
CREATE INDEX unit_readiness_verdict ON unit_readiness (organization, verdict, unit_id);
CREATE INDEX unit_readiness_standing ON unit_readiness (organization, standing_site, verdict, unit_id);
CREATE INDEX unit_readiness_away ON unit_readiness (organization, home_site, verdict, unit_id)
    WHERE home_site <> standing_site;
CREATE INDEX unit_readiness_judged_with ON unit_readiness (organization, judged_with, unit_id);

-- The same of each site, by the verdicts on the units that stand there; without a verdict it is not judged yet, or retired. The
-- units there wait, too, until all of them were judged by the newest version of the site's record.
CREATE TABLE site_readiness (
    organization  BLOB NOT NULL,
    site_id       BLOB NOT NULL,
    site_version  INTEGER NOT NULL,
    units_version INTEGER NOT NULL DEFAULT 0,
    judge_at      INTEGER NOT NULL DEFAULT 0,
    verdict       TEXT CHECK (verdict IN ('ready', 'ready_with_limits', 'unknown', 'not_ready')),
    next_at       INTEGER NOT NULL DEFAULT 0,
    judged_at     INTEGER NOT NULL DEFAULT 0,
    judged_with   TEXT NOT NULL DEFAULT '',
    answer        TEXT NOT NULL DEFAULT '',
    PRIMARY KEY (organization, site_id)
) STRICT;
CREATE INDEX site_readiness_judge_at ON site_readiness (organization, judge_at, site_id);
CREATE INDEX site_readiness_verdict ON site_readiness (organization, verdict, site_id);
CREATE INDEX site_readiness_judged_with ON site_readiness (organization, judged_with, site_id);
CREATE INDEX site_readiness_behind ON site_readiness (organization, site_id) WHERE units_version < site_version;

INSERT INTO site_readiness (organization, site_id, site_version, units_version)
    SELECT organization, id, version, version FROM record WHERE kind = 'site';

-- As for due items; of 100,000 units at 500 sites.
INSERT INTO sqlite_stat1 (tbl, idx, stat) VALUES
    ('unit_state', 'unit_state_judge_at', '100000 100000 2 1'),
    ('unit_readiness', 'sqlite_autoindex_unit_readiness_1', '100000 100000 1'),
    ('unit_readiness', 'unit_readiness_verdict', '100000 100000 25000 1'),
    ('unit_readiness', 'unit_readiness_standing', '100000 100000 200 50 1'),
    ('unit_readiness', 'unit_readiness_away', '5000 5000 10 3 1'),
    ('unit_readiness', 'unit_readiness_judged_with', '100000 100000 50000 1'),
    ('site_readiness', 'sqlite_autoindex_site_readiness_1', '500 500 1'),
    ('site_readiness', 'site_readiness_judge_at', '500 500 2 1'),
    ('site_readiness', 'site_readiness_verdict', '500 500 125 1'),
    ('site_readiness', 'site_readiness_judged_with', '500 500 250 1'),
    ('site_readiness', 'site_readiness_behind', '5 5 1');
ANALYZE sqlite_schema;

-- What is to be put right in the record of each unit, a fold of its events. A row holds from an instant on, which may lie
-- ahead, so that time alone needs no write.
CREATE TABLE data_quality (
    organization  uuid NOT NULL,
    unit_id       uuid NOT NULL,
    n             bigint NOT NULL,
    code          text COLLATE "C" NOT NULL,
    home_site     uuid NOT NULL,
    standing_site uuid NOT NULL,
    from_at       bigint NOT NULL,
    until_at      bigint NOT NULL,
    evidence      text NOT NULL,
    PRIMARY KEY (organization, unit_id, n)
);
CREATE INDEX data_quality_code ON data_quality (organization, code, from_at, unit_id, n);
CREATE INDEX data_quality_standing ON data_quality (organization, standing_site, code, from_at, unit_id, n);
CREATE INDEX data_quality_away ON data_quality (organization, home_site, code, from_at, unit_id, n)
    WHERE home_site <> standing_site;

GRANT SELECT, INSERT, UPDATE, DELETE ON data_quality TO keepstart_service;
ALTER TABLE data_quality ENABLE ROW LEVEL SECURITY;
ALTER TABLE data_quality FORCE ROW LEVEL SECURITY;
CREATE POLICY of_organization ON data_quality
    USING (organization = NULLIF(current_setting('keepstart.organization', true), '')::uuid);

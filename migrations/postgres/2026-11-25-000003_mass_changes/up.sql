-- What many units are folded with: the zone of a site, the adoptions for a model. A change of it writes one row of context
-- and locks no unit; the units that were folded with an older version are stale until they are folded anew.

-- Adoptions for a model; a fold of the log. The model is named by a digest of maker and model.
CREATE TABLE model_adoption (
    organization uuid NOT NULL,
    id           uuid NOT NULL,
    model        uuid NOT NULL,
    body         text NOT NULL,
    PRIMARY KEY (organization, id)
);
CREATE INDEX model_adoption_model ON model_adoption (organization, model, id);

-- How often each context was changed since it began, a fold of the log; and a version than which no unit was folded with
-- an older one.
CREATE TABLE context (
    organization   uuid NOT NULL,
    kind           text COLLATE "C" NOT NULL CHECK (kind IN ('site', 'model')),
    key            uuid NOT NULL,
    version        bigint NOT NULL,
    folded_version bigint NOT NULL,
    PRIMARY KEY (organization, kind, key)
);
CREATE INDEX context_behind ON context (organization, kind, key) WHERE folded_version < version;

-- With which version of each of its contexts a unit was folded.
CREATE TABLE unit_context (
    organization uuid NOT NULL,
    unit_id      uuid NOT NULL,
    kind         text COLLATE "C" NOT NULL,
    key          uuid NOT NULL,
    version      bigint NOT NULL,
    PRIMARY KEY (organization, unit_id, kind, key)
);
CREATE INDEX unit_context_version ON unit_context (organization, kind, key, version, unit_id);

-- Units that were folded with other rules or other zone data than the binary's.
CREATE INDEX unit_state_folded_with ON unit_state (organization, folded_with, unit_id);

-- The units that ever stood at a site are known by their contexts.
DROP INDEX service_event_site;

GRANT SELECT, INSERT ON model_adoption TO keepstart_service;
GRANT SELECT, INSERT, UPDATE (version, folded_version) ON context TO keepstart_service;
GRANT SELECT, INSERT, UPDATE (version), DELETE ON unit_context TO keepstart_service;

DO $$
DECLARE
    fenced text;
BEGIN
    FOREACH fenced IN ARRAY ARRAY['model_adoption', 'context', 'unit_context']
    LOOP
        EXECUTE format('ALTER TABLE %I ENABLE ROW LEVEL SECURITY', fenced);
        EXECUTE format('ALTER TABLE %I FORCE ROW LEVEL SECURITY', fenced);
        EXECUTE format('CREATE POLICY of_organization ON %I '
            'USING (organization = NULLIF(current_setting(''keepstart.organization'', true), '''')::uuid)', fenced);
    END LOOP;
END
$$;

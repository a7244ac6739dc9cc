-- What many units are folded with: the zone of a site, the adoptions for a model. A change of it writes one row of context
-- and locks no unit; the units that were folded with an older version are stale until they are folded anew.

-- Adoptions for a model; a fold of the log. The model is named by a digest of maker and model.
CREATE TABLE model_adoption (
    organization BLOB NOT NULL,
    id           BLOB NOT NULL,
    model        BLOB NOT NULL,
    body         TEXT NOT NULL,
    PRIMARY KEY (organization, id)
) STRICT;
CREATE INDEX model_adoption_model ON model_adoption (organization, model, id);

-- How often each context was changed since it began, a fold of the log; and a version than which no unit was folded with
-- an older one.
CREATE TABLE context (
    organization   BLOB NOT NULL,
    kind           TEXT NOT NULL CHECK (kind IN ('site', 'model')),
    key            BLOB NOT NULL,
    version        INTEGER NOT NULL,
    folded_version INTEGER NOT NULL,
    PRIMARY KEY (organization, kind, key)
) STRICT;
CREATE INDEX context_behind ON context (organization, kind, key) WHERE folded_version < version;

-- With which version of each of its contexts a unit was folded.
CREATE TABLE unit_context (
    organization BLOB NOT NULL,
    unit_id      BLOB NOT NULL,
    kind         TEXT NOT NULL,
    key          BLOB NOT NULL,
    version      INTEGER NOT NULL,
    PRIMARY KEY (organization, unit_id, kind, key)
) STRICT;
CREATE INDEX unit_context_version ON unit_context (organization, kind, key, version, unit_id);

-- Units that were folded with other rules or other zone data than the binary's.
CREATE INDEX unit_state_folded_with ON unit_state (organization, folded_with, unit_id);

-- The units that ever stood at a site are known by their contexts.
DROP INDEX service_event_site;

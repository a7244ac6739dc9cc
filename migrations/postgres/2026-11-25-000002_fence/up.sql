-- The second fence between organizations. The service works as the role keepstart_service, which owns nothing: it sees
-- and writes only rows of the organization that its transaction has named, none where it has named none, and it can
-- neither change nor delete a row of the change log.

-- Roles belong to the whole cluster; another database of it may have made this one already, or do so at this moment.
DO $$
BEGIN
    IF NOT EXISTS (SELECT FROM pg_roles WHERE rolname = 'keepstart_service') THEN
        BEGIN
            CREATE ROLE keepstart_service NOLOGIN;
        EXCEPTION WHEN duplicate_object OR unique_violation THEN
            NULL;
        END;
    END IF;
    -- Whoever migrates may also serve, within the fence.
    IF NOT pg_has_role(current_user, 'keepstart_service', 'MEMBER') THEN
        EXECUTE format('GRANT keepstart_service TO %I', current_user);
    END IF;
END
$$;

-- Jobs ask here which organizations there are; it holds nothing else, and no fence hides it.
CREATE TABLE organization_list (
    id uuid PRIMARY KEY
);
INSERT INTO organization_list SELECT id FROM organization;

GRANT SELECT ON __diesel_schema_migrations TO keepstart_service;
GRANT SELECT, INSERT ON organization_list, secret TO keepstart_service;

GRANT SELECT, INSERT, UPDATE (next_seq, last_recorded_at) ON organization TO keepstart_service;
GRANT SELECT, INSERT ON change_log, edition, job, feed TO keepstart_service;
-- SELECT ... FOR UPDATE asks for the right to update.
GRANT SELECT, INSERT, UPDATE ON record_lock, record, unit_state TO keepstart_service;
GRANT SELECT, INSERT, UPDATE (occurred_at) ON service_event TO keepstart_service;
GRANT SELECT, INSERT, UPDATE, DELETE ON due_item, due_item_before, outbox TO keepstart_service;
-- Private text is erased, never changed.
GRANT SELECT, INSERT, DELETE ON private_text TO keepstart_service;

ALTER TABLE organization ENABLE ROW LEVEL SECURITY;
ALTER TABLE organization FORCE ROW LEVEL SECURITY;
CREATE POLICY of_organization ON organization
    USING (id = NULLIF(current_setting('keepstart.organization', true), '')::uuid);

DO $$
DECLARE
    fenced text;
BEGIN
    FOREACH fenced IN ARRAY ARRAY['change_log', 'record_lock', 'record', 'edition', 'job', 'service_event', 'unit_state',
        'due_item', 'due_item_before', 'feed', 'outbox', 'private_text']
    LOOP
        EXECUTE format('ALTER TABLE %I ENABLE ROW LEVEL SECURITY', fenced);
        EXECUTE format('ALTER TABLE %I FORCE ROW LEVEL SECURITY', fenced);
        -- A pooled session that has named an organization once holds an empty text afterwards.
        EXECUTE format('CREATE POLICY of_organization ON %I '
            'USING (organization = NULLIF(current_setting(''keepstart.organization'', true), '''')::uuid)', fenced);
    END LOOP;
END
$$;

-- The role stays: it belongs to the cluster, and other databases may use it.
DO $$
DECLARE
    fenced text;
BEGIN
    FOREACH fenced IN ARRAY ARRAY['organization', 'change_log', 'record_lock', 'record', 'edition', 'job', 'service_event',
        'unit_state', 'due_item', 'due_item_before', 'feed', 'outbox', 'private_text']
    LOOP
        EXECUTE format('DROP POLICY of_organization ON %I', fenced);
        EXECUTE format('ALTER TABLE %I NO FORCE ROW LEVEL SECURITY', fenced);
        EXECUTE format('ALTER TABLE %I DISABLE ROW LEVEL SECURITY', fenced);
        EXECUTE format('REVOKE ALL ON %I FROM keepstart_service', fenced);
    END LOOP;
END
$$;
REVOKE ALL ON secret, __diesel_schema_migrations FROM keepstart_service;
DROP TABLE organization_list;

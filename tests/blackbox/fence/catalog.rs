//! What the catalogue says of every table, so that a new one without the fence is found.

use blackbox::{
    none_failed,
    roles::{text, texts},
};

use super::{OPEN, SERVICE, empty, fenced};

/// The policy's expression, as the catalogue writes it.
const POLICY: &str = "= (NULLIF(current_setting('keepstart.organization'::text, true), ''::text))::uuid)";

#[test]
fn every_table_of_organizations_is_fenced() {
    let database = empty();
    let mut owner = database.session();
    let mut failures = Vec::new();
    let tables = fenced(&mut owner);
    assert!(tables.len() >= 13, "{tables:?}");
    for (table, column) in tables {
        let found = text(
            &mut owner,
            &format!(
                "SELECT concat_ws(' ', relrowsecurity, relforcerowsecurity, (SELECT string_agg(concat_ws(' ', polpermissive, \
                 polcmd, polroles, pg_get_expr(polqual, polrelid), \
                 coalesce(nullif(pg_get_expr(polwithcheck, polrelid), pg_get_expr(polqual, polrelid)), '')), '; ') \
                 FROM pg_policy WHERE polrelid = c.oid)) AS t FROM pg_class c WHERE c.oid = '{table}'::regclass"
            ),
        );
        // Enabled, forced on the owner too, and one permissive policy for every command and role.
        let wanted = format!("t t t * {{0}} ({column} {POLICY} ");
        if found != wanted {
            failures.push(format!("{table}: {found:?} and not {wanted:?}"));
        }
    }
    none_failed(&failures);
}

#[test]
fn every_unique_key_begins_with_the_organization() {
    let database = empty();
    let wrong = texts(
        &mut database.session(),
        &format!(
            "SELECT concat_ws(' ', c.relname, i.indexrelid::regclass, a.attname) AS t \
             FROM pg_index i JOIN pg_class c ON c.oid = i.indrelid \
             LEFT JOIN pg_attribute a ON a.attrelid = c.oid AND a.attnum = i.indkey[0] \
             WHERE c.relnamespace = 'public'::regnamespace AND i.indisunique AND c.relname NOT IN ('{}') \
             AND a.attname IS DISTINCT FROM CASE c.relname WHEN 'organization' THEN 'id' ELSE 'organization' END",
            OPEN.join("', '")
        ),
    );
    none_failed(&wrong);
}

/// Laws of the role, each a query for what breaks it.
const LAWS: &[(&str, &str)] = &[
    (
        "it neither logs in nor is above the fence",
        "SELECT rolname::text AS t FROM pg_roles WHERE rolname = 'keepstart_service' \
         AND (rolcanlogin OR rolsuper OR rolbypassrls OR rolcreaterole OR rolcreatedb OR rolreplication)",
    ),
    (
        "it is not the owner of anything, nor a member of the owner",
        "SELECT relname::text AS t FROM pg_class WHERE relnamespace = 'public'::regnamespace \
         AND pg_has_role('keepstart_service', relowner, 'MEMBER')",
    ),
    (
        "it makes nothing in the schema",
        "SELECT nspname::text AS t FROM pg_namespace WHERE nspname = 'public' \
         AND has_schema_privilege('keepstart_service', oid, 'CREATE')",
    ),
    (
        "it never empties a table, refers to one from another, or puts a trigger on it",
        "SELECT concat_ws(' ', relname, p) AS t FROM pg_class, unnest(ARRAY['TRUNCATE', 'REFERENCES', 'TRIGGER']) p \
         WHERE relnamespace = 'public'::regnamespace AND relkind = 'r' AND has_table_privilege('keepstart_service', oid, p)",
    ),
    (
        "it deletes nothing that the log was folded into for good",
        "SELECT t FROM unnest(ARRAY['change_log', 'organization', 'organization_list', 'record', 'edition', 'model_adoption', 'job', \
         'service_event', 'unit_state', 'feed', 'secret', '__diesel_schema_migrations']) t \
         WHERE has_table_privilege('keepstart_service', t, 'DELETE')",
    ),
    (
        "it changes no column of what is final",
        "SELECT t FROM unnest(ARRAY['change_log', 'edition', 'model_adoption', 'feed', 'private_text', 'organization_list', 'secret', \
         '__diesel_schema_migrations']) t WHERE has_any_column_privilege('keepstart_service', t, 'UPDATE')",
    ),
    (
        "it hands on nothing",
        "SELECT concat_ws(' ', table_name, privilege_type) AS t FROM information_schema.role_table_grants \
         WHERE grantee = 'keepstart_service' AND is_grantable = 'YES'",
    ),
    (
        "everybody else may do nothing",
        "SELECT concat_ws(' ', table_name, privilege_type) AS t FROM information_schema.role_table_grants \
         WHERE grantee = 'PUBLIC' AND table_schema = 'public'",
    ),
    (
        "no view and no function goes round the fence with its owner's rights",
        "SELECT relname::text AS t FROM pg_class WHERE relnamespace = 'public'::regnamespace AND relkind IN ('v', 'm', 'f') \
         UNION ALL SELECT proname::text FROM pg_proc WHERE pronamespace = 'public'::regnamespace",
    ),
];

#[test]
fn the_role_has_no_more_than_it_needs() {
    let database = empty();
    let mut owner = database.session();
    let there = format!("SELECT count(*)::text AS t FROM pg_roles WHERE rolname = '{SERVICE}'");
    assert_eq!(text(&mut owner, &there), "1");
    let mut failures = Vec::new();
    for (law, query) in LAWS {
        failures.extend(texts(&mut owner, query).iter().map(|broken| format!("{law}: {broken}")));
    }
    none_failed(&failures);
}

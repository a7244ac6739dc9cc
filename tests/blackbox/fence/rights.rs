//! What the service's role may not do to any row, its own organization's included, nor to the schema.

use blackbox::{none_failed, roles::attempt};
use diesel::connection::SimpleConnection;

use super::{Fenced, SERVICE};

/// "insufficient_privilege" in PostgreSQL's table of error codes, which row-level security answers with too.
const DENIED: &str = "42501";

/// What is denied. `{table}` stands for each of the tables beside it.
const DENIALS: &[(&[&str], &[&str])] = &[
    (
        &["change_log"],
        &[
            "UPDATE {table} SET body = '{}'",
            "UPDATE ONLY {table} SET recorded_at = recorded_at + 1",
            "UPDATE {table} SET seq = seq WHERE false",
            "UPDATE {table} SET (author, leaf_hash) = (SELECT author, leaf_hash)",
            "WITH changed AS (UPDATE {table} SET body = '' RETURNING 1) SELECT * FROM changed",
            "INSERT INTO {table} SELECT * FROM {table} ON CONFLICT (organization, seq) DO UPDATE SET body = ''",
            "SELECT 1 FROM {table} FOR UPDATE",
            "SELECT 1 FROM {table} FOR KEY SHARE",
            "LOCK TABLE {table} IN EXCLUSIVE MODE",
        ],
    ),
    (
        &["edition", "feed", "private_text", "secret", "organization_list"],
        &["SELECT 1 FROM {table} FOR UPDATE"],
    ),
    (&["edition", "other_content"], &["UPDATE {table} SET body = ''"]),
    (&["feed"], &["UPDATE {table} SET seq = seq + 1"]),
    (&["private_text"], &["UPDATE {table} SET content = 'another'"]),
    (&["secret"], &["UPDATE {table} SET content = ''"]),
    (&["service_event"], &["UPDATE {table} SET body = ''", "UPDATE {table} SET unit_id = id"]),
    (&["organization"], &["UPDATE {table} SET id = id"]),
    (
        &[
            "change_log",
            "organization",
            "organization_list",
            "record",
            "edition",
            "job",
            "service_event",
            "feed",
            "secret",
        ],
        &[
            "DELETE FROM {table}",
            "DELETE FROM ONLY {table} WHERE false",
            "WITH gone AS (DELETE FROM {table} RETURNING 1) SELECT * FROM gone",
        ],
    ),
    (
        &[
            "change_log",
            "organization",
            "organization_list",
            "record",
            "service_event",
            "due_item",
            "private_text",
            "feed",
            "secret",
        ],
        &[
            "TRUNCATE {table}",
            "TRUNCATE {table} CASCADE",
            "ALTER TABLE {table} DISABLE ROW LEVEL SECURITY",
            "ALTER TABLE {table} NO FORCE ROW LEVEL SECURITY",
            "ALTER TABLE {table} OWNER TO keepstart_service",
            "ALTER TABLE {table} ADD COLUMN more text",
            "ALTER TABLE {table} DISABLE TRIGGER ALL",
            "CREATE POLICY everything ON {table} USING (true)",
            "CREATE INDEX ON {table} ((1))",
            "CREATE RULE never AS ON INSERT TO {table} DO INSTEAD NOTHING",
            "CREATE TRIGGER never BEFORE INSERT ON {table} EXECUTE FUNCTION suppress_redundant_updates_trigger()",
            "DROP TABLE {table} CASCADE",
        ],
    ),
    (
        &["change_log", "organization", "record", "feed"],
        &["DROP POLICY of_organization ON {table}", "ALTER POLICY of_organization ON {table} USING (true)"],
    ),
    (
        &["schema"],
        &[
            "CREATE TABLE public.more (n integer)",
            "CREATE VIEW public.more AS SELECT 1",
            "CREATE FUNCTION public.more() RETURNS integer LANGUAGE sql AS 'SELECT 1'",
            "CREATE SCHEMA more",
            "DROP SCHEMA public CASCADE",
            "SET ROLE {owner}",
            "SET SESSION AUTHORIZATION {owner}",
            "ALTER ROLE keepstart_service BYPASSRLS",
            "CREATE ROLE more",
            "COPY change_log TO PROGRAM 'cat'",
            "SET row_security = off; SELECT 1 FROM change_log",
        ],
    ),
];

#[test]
fn what_is_final_stays_and_the_schema_too() {
    let mut fenced = Fenced::new();
    let us = fenced.us();
    let owner = blackbox::roles::text(&mut fenced.owner, "SELECT current_user::text AS t");
    let before = sum(&mut fenced);
    let mut failures = Vec::new();
    // As a member that has the role's rights, and as the role itself.
    for role in ["NONE", SERVICE] {
        fenced.member.batch_execute(&format!("SET ROLE {role}")).unwrap();
        for (tables, denials) in DENIALS {
            for (table, denial) in
                tables.iter().flat_map(|table| denials.iter().map(move |denial| (table, denial)))
            {
                let sql = denial.replace("{table}", table).replace("{owner}", &owner);
                let came_to = attempt(&mut fenced.member, Some(&us), &sql);
                if came_to != DENIED {
                    failures.push(format!("{role}: {sql}: {came_to}"));
                }
            }
        }
    }
    none_failed(&failures);
    assert_eq!(sum(&mut fenced), before, "something was changed all the same");
}

/// A sum over all that is final.
fn sum(fenced: &mut Fenced) -> String {
    let sum =
        |table: &str| format!("(SELECT concat_ws(' ', count(*), sum(hashtext(t::text))) FROM {table} t)");
    let sums =
        ["change_log", "edition", "feed", "private_text", "secret", "service_event", "record"].map(sum);
    blackbox::roles::text(&mut fenced.owner, &format!("SELECT concat_ws(', ', {}) AS t", sums.join(", ")))
}

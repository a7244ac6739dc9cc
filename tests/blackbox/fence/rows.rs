//! Rows of another organization, by every way that hand-written SQL has to a row.

use std::io::Read;

use blackbox::{
    none_failed,
    roles::{attempt, text, texts},
};
use diesel::{
    Connection, ExecuteCopyFromDsl, PgConnection, RunQueryDsl, connection::SimpleConnection, dsl,
    pg::CopyFormat, result::Error as DieselError, sql_query,
};

use super::{Fenced, SERVICE, fenced};

const NOTHING: &str = "0 rows";
const DENIED: &str = "42501";

/// Every table of organizations, with a row of either town as JSON.
struct Table {
    name: String,
    column: &'static str,
    ours: String,
    theirs: String,
}

fn tables(of: &mut Fenced) -> Vec<Table> {
    let (us, them) = (of.us(), of.them());
    let owner = &mut of.owner;
    let tables = fenced(owner);
    let mut row = |name: &str, column: &str, id: &str| {
        texts(owner, &format!("SELECT to_jsonb(t)::text AS t FROM {name} t WHERE {column} = '{id}' LIMIT 1"))
            .pop()
    };
    // A table in which the towns have nothing is left to the catalogue.
    let with_rows = |(name, column): (String, &'static str)| {
        let (ours, theirs) = (row(&name, column, &us)?, row(&name, column, &them)?);
        Some(Table { name, column, ours, theirs })
    };
    let tables: Vec<Table> = tables.into_iter().filter_map(with_rows).collect();
    assert!(tables.len() >= 13, "the towns have rows in {} tables only", tables.len());
    tables
}

/// A sum over every row that is not ours.
fn sum_of_others(of: &mut Fenced, tables: &[Table]) -> String {
    let us = of.us();
    let sum = |table: &Table| {
        let Table { name, column, .. } = table;
        format!(
            "(SELECT concat_ws(' ', count(*), sum(hashtext(t::text))) FROM {name} t WHERE {column} <> '{us}')"
        )
    };
    let sums = tables.iter().map(sum).collect::<Vec<_>>().join(", ");
    text(&mut of.owner, &format!("SELECT concat_ws(', ', {sums}) AS t"))
}

#[test]
fn each_table_shows_and_takes_only_ones_own_rows() {
    let mut of = Fenced::new();
    let (us, them) = (of.us(), of.them());
    let tables = tables(&mut of);
    let before = sum_of_others(&mut of, &tables);
    let mut failures = Vec::new();
    for table in &tables {
        let Table { name, column, ours, theirs } = table;
        let count = format!("SELECT count(*) || ' rows' AS t FROM {name} WHERE {column} = '{us}'");
        let all = text(&mut of.owner, &count);
        let only = [all.as_str()];
        let taken = |row: &str, more: &str| {
            format!(
                "INSERT INTO {name} SELECT * FROM jsonb_populate_record(NULL::public.{name}, '{row}') {more}"
            )
        };
        let of_them = format!("{column} = '{them}'");
        // The fence, what is tried, and what it may come to.
        let fresh = "00000000-0000-4000-8000-000000000000";
        let tries: Vec<(Option<&str>, String, &[&str])> = vec![
            (None, format!("SELECT 1 FROM {name}"), &[NOTHING]),
            (Some(""), format!("SELECT 1 FROM {name}"), &[NOTHING]),
            (Some(fresh), format!("SELECT 1 FROM {name}"), &[NOTHING]),
            (Some("nobody"), format!("SELECT 1 FROM {name}"), &["22P02"]),
            (Some(&us), format!("SELECT 1 FROM {name}"), &only),
            (Some(&us), format!("SELECT 1 FROM {name} WHERE {of_them}"), &[NOTHING]),
            (Some(&us), format!("SELECT 1 FROM ONLY {name} WHERE {of_them} OR true"), &only),
            (None, taken(ours, ""), &[DENIED]),
            (Some(""), taken(ours, ""), &[DENIED]),
            (Some(fresh), taken(ours, ""), &[DENIED]),
            (Some(&us), taken(theirs, ""), &[DENIED]),
            (Some(&us), taken(theirs, "RETURNING 1"), &[DENIED]),
            (Some(&us), taken(theirs, "ON CONFLICT DO NOTHING"), &[DENIED]),
            // Ours is there, or else it would be taken.
            (Some(&us), taken(ours, "ON CONFLICT DO NOTHING"), &[NOTHING]),
            (Some(&us), format!("UPDATE {name} SET {column} = '{them}'"), &[DENIED]),
            (Some(&us), format!("UPDATE {name} SET {column} = '{us}' WHERE {of_them}"), &[NOTHING, DENIED]),
            (Some(&us), format!("DELETE FROM {name} WHERE {of_them}"), &[NOTHING, DENIED]),
            (None, format!("DELETE FROM {name}"), &[NOTHING, DENIED]),
            (Some(""), format!("UPDATE {name} SET {column} = {column}"), &[NOTHING, DENIED]),
        ];
        for role in ["NONE", SERVICE] {
            of.member.batch_execute(&format!("SET ROLE {role}")).unwrap();
            for (fence, sql, wanted) in &tries {
                let came_to = attempt(&mut of.member, *fence, sql);
                if !wanted.contains(&came_to.as_str()) {
                    failures.push(format!("{role}, fence {fence:?}: {sql}: {came_to} and not {wanted:?}"));
                }
            }
        }
    }
    none_failed(&failures);
    assert_eq!(sum_of_others(&mut of, &tables), before, "something of the other town was changed");
}

/// Ways round, each with what it comes to within our fence. `{us}` and `{them}` are the towns.
const WAYS: &[(&str, &str)] = &[
    ("SELECT 1 FROM feed f JOIN change_log c USING (seq) WHERE c.organization = '{them}'", NOTHING),
    (
        "SELECT 1 FROM organization o LEFT JOIN LATERAL (SELECT * FROM record r WHERE r.organization <> o.id) r ON true WHERE r.id IS NOT NULL",
        NOTHING,
    ),
    (
        "SELECT 1 FROM organization_list l JOIN record r ON r.organization = l.id WHERE l.id = '{them}'",
        NOTHING,
    ),
    (
        "WITH theirs AS MATERIALIZED (SELECT * FROM record) SELECT 1 FROM theirs WHERE organization = '{them}'",
        NOTHING,
    ),
    (
        "WITH RECURSIVE r AS (SELECT min(seq) AS seq FROM change_log WHERE organization = '{them}' UNION SELECT seq + 1 FROM r WHERE seq < 9) SELECT 1 FROM r WHERE seq IS NOT NULL",
        NOTHING,
    ),
    (
        "WITH gone AS (DELETE FROM due_item WHERE organization = '{them}' RETURNING *) SELECT 1 FROM gone",
        NOTHING,
    ),
    (
        "WITH changed AS (UPDATE record SET version = version + 1 WHERE organization = '{them}' RETURNING *) SELECT 1 FROM changed",
        NOTHING,
    ),
    (
        "UPDATE record r SET version = 0 FROM organization_list l WHERE l.id = r.organization AND l.id = '{them}' RETURNING r.registers",
        NOTHING,
    ),
    (
        "DELETE FROM private_text p USING organization_list l WHERE l.id = p.organization AND l.id <> '{us}' RETURNING p.content",
        NOTHING,
    ),
    ("SELECT 1 WHERE EXISTS (SELECT FROM change_log WHERE organization = '{them}')", NOTHING),
    ("SELECT 1 WHERE '{them}' IN (SELECT organization FROM service_event)", NOTHING),
    ("TABLE change_log EXCEPT ALL SELECT * FROM change_log WHERE organization = '{us}'", NOTHING),
    ("SELECT 1 FROM organization WHERE id = '{them}' FOR UPDATE", NOTHING),
    ("SELECT 1 FROM record WHERE organization = '{them}' FOR SHARE SKIP LOCKED", NOTHING),
    (
        "SELECT 1 FROM (SELECT count(*) AS n FROM change_log WHERE organization = '{them}') c WHERE n > 0",
        NOTHING,
    ),
    ("INSERT INTO record_lock SELECT '{them}', kind, id FROM record_lock", DENIED),
    ("INSERT INTO record_lock SELECT '{them}', kind, id FROM record_lock ON CONFLICT DO NOTHING", DENIED),
    (
        "INSERT INTO record_lock SELECT * FROM record_lock ON CONFLICT (organization, kind, id) DO UPDATE SET organization = '{them}'",
        DENIED,
    ),
    (
        "INSERT INTO record SELECT '{them}', kind, id, version, belongs_to, registers FROM record RETURNING registers",
        DENIED,
    ),
    (
        "INSERT INTO due_item SELECT * FROM due_item ON CONFLICT (organization, unit_id, schedule_id, task) DO UPDATE SET organization = '{them}'",
        DENIED,
    ),
    ("WITH new AS (INSERT INTO job VALUES ('{them}', 'oil_change') RETURNING 1) SELECT * FROM new", DENIED),
    ("UPDATE outbox SET organization = '{them}'", DENIED),
    // The check of a foreign key reads past the fence, but comes after it.
    (
        "INSERT INTO change_log SELECT (jsonb_populate_record(c, '{\"organization\": \"{them}\", \"seq\": 1000000}')).* FROM change_log c LIMIT 1",
        DENIED,
    ),
    // Statistics of a fenced table tell of everybody's rows.
    (
        "SELECT 1 FROM pg_stats WHERE schemaname = 'public' AND tablename IN ('record', 'change_log', 'private_text')",
        NOTHING,
    ),
    ("SELECT 1 FROM pg_statistic", DENIED),
    // A cheap function of one's own is asked about each row only after the fence.
    (
        "CREATE OR REPLACE FUNCTION pg_temp.told_{role}(whose uuid) RETURNS boolean LANGUAGE plpgsql COST 0.0001 AS $told$ BEGIN IF whose = '{them}' THEN RAISE EXCEPTION 'told'; END IF; RETURN false; END $told$; \
      SELECT 1 FROM record WHERE pg_temp.told_{role}(organization)",
        NOTHING,
    ),
    ("SELECT 1 FROM record WHERE 1 / (CASE organization WHEN '{them}' THEN 0 ELSE 1 END) = 0", NOTHING),
];

#[test]
fn no_way_leads_to_anothers_rows() {
    let mut of = Fenced::new();
    of.owner.batch_execute("ANALYZE").unwrap();
    let (us, them) = (of.us(), of.them());
    let tables = tables(&mut of);
    let before = sum_of_others(&mut of, &tables);
    let mut failures = Vec::new();
    for role in ["NONE", SERVICE] {
        of.member.batch_execute(&format!("SET ROLE {role}")).unwrap();
        for (way, wanted) in WAYS {
            let sql = way.replace("{role}", role).replace("{us}", &us).replace("{them}", &them);
            let came_to = attempt(&mut of.member, Some(&us), &sql);
            if came_to != *wanted {
                failures.push(format!("{role}: {way}: {came_to} and not {wanted}"));
            }
        }
    }
    none_failed(&failures);
    assert_eq!(sum_of_others(&mut of, &tables), before, "something of the other town was changed");
}

#[test]
fn a_foreign_key_holds_within_the_fence() {
    let mut of = Fenced::new();
    let nobody = "00000000-0000-4000-8000-000000000000";
    let row =
        format!("SELECT to_jsonb(c)::text AS t FROM change_log c WHERE organization = '{}' LIMIT 1", of.us());
    let row = text(&mut of.owner, &row).replace(&of.us(), nobody);
    let taken =
        format!("INSERT INTO change_log SELECT * FROM jsonb_populate_record(NULL::change_log, '{row}')");
    // "foreign_key_violation": there is no such organization, whatever the fence hides.
    assert_eq!(attempt(&mut of.member, Some(nobody), &taken), "23503");
}

/// How many rows of the log the session sees.
fn seen(conn: &mut PgConnection) -> String {
    text(conn, "SELECT count(*)::text AS t FROM change_log")
}

#[test]
fn the_fence_is_set_for_one_transaction() {
    let mut of = Fenced::new();
    let (us, them) = (of.us(), of.them());
    let count = |id: &str| format!("SELECT count(*)::text AS t FROM change_log WHERE organization = '{id}'");
    let [ours, theirs] = [&us, &them].map(|id| text(&mut of.owner, &count(id)));
    let conn = &mut of.member;
    assert_eq!(seen(conn), "0", "nothing has been named yet");
    for end in ["COMMIT", "ROLLBACK"] {
        for (id, all) in [(&us, &ours), (&them, &theirs)] {
            conn.batch_execute(&format!("BEGIN; SET LOCAL keepstart.organization = '{id}'")).unwrap();
            assert_eq!(&seen(conn), all, "{end}");
            conn.batch_execute(end).unwrap();
            assert_eq!(seen(conn), "0", "after {end}");
            assert_eq!(
                text(conn, "SELECT current_setting('keepstart.organization') AS t"),
                "",
                "after {end}"
            );
        }
    }
    // Outside a transaction it is gone with its own statement.
    conn.batch_execute(&format!("SELECT set_config('keepstart.organization', '{us}', true)")).unwrap();
    assert_eq!(seen(conn), "0");
    // An error ends it with the transaction.
    let failed = conn.transaction(|conn| {
        sql_query(format!("SET LOCAL keepstart.organization = '{us}'")).execute(conn)?;
        sql_query("SELECT 1 / 0").execute(conn)
    });
    failed.unwrap_err();
    assert_eq!(seen(conn), "0");
}

diesel::table! {
    record_lock (organization, kind, id) {
        organization -> Uuid,
        kind -> Text,
        id -> Uuid,
    }
}

#[test]
fn a_copy_keeps_to_the_fence() {
    let mut of = Fenced::new();
    let (us, them) = (of.us(), of.them());
    let conn = &mut of.member;
    let mut copied = String::new();
    conn.transaction(|conn| {
        sql_query(format!("SET LOCAL keepstart.organization = '{us}'")).execute(conn)?;
        let copy = dsl::copy_to(record_lock::table).with_format(CopyFormat::Csv).load_raw(conn);
        copy?.read_to_string(&mut copied).unwrap();
        diesel::QueryResult::Ok(())
    })
    .unwrap();
    assert!(copied.contains(&us) && !copied.contains(&them), "{copied}");

    let taken = conn.transaction(|conn| {
        sql_query(format!("SET LOCAL keepstart.organization = '{us}'")).execute(conn)?;
        let rows = format!("{them},unit,{them}\n");
        dsl::copy_from(record_lock::table)
            .from_raw_data(record_lock::table, move |copy| {
                copy.write_all(rows.as_bytes()).map_err(|error| DieselError::SerializationError(error.into()))
            })
            .with_format(CopyFormat::Csv)
            .execute(conn)
    });
    let refused = taken.unwrap_err().to_string();
    assert!(refused.contains("row-level security"), "{refused}");
}

//! The live schema of either database, in words that both share.

use diesel::{PgConnection, QueryableByName, RunQueryDsl, SqliteConnection, sql_query, sql_types::Text};

use crate::error::Result;

#[derive(QueryableByName)]
struct Line {
    #[diesel(sql_type = Text)]
    line: String,
}

const NOT_OURS: &str = "__diesel_schema_migrations";

pub(super) fn postgres(conn: &mut PgConnection) -> Result<Vec<String>> {
    let columns = "SELECT 'column ' || table_name || '.' || column_name || ' ' || \
        CASE data_type WHEN 'uuid' THEN 'bytes' WHEN 'bytea' THEN 'bytes' WHEN 'text' THEN 'text' ELSE 'integer' END || \
        CASE is_nullable WHEN 'YES' THEN ' null' ELSE '' END AS line \
        FROM information_schema.columns WHERE table_schema = 'public'";
    let indexes = "SELECT 'index ' || t.relname || ' (' || string_agg(a.attname, ', ' ORDER BY k.n) || ')' || \
        CASE WHEN i.indisunique THEN ' unique' ELSE '' END AS line \
        FROM pg_index i JOIN pg_class t ON t.oid = i.indrelid JOIN pg_namespace s ON s.oid = t.relnamespace \
        CROSS JOIN LATERAL unnest(i.indkey) WITH ORDINALITY AS k (attnum, n) \
        JOIN pg_attribute a ON a.attrelid = t.oid AND a.attnum = k.attnum \
        WHERE s.nspname = 'public' GROUP BY i.indexrelid, t.relname, i.indisunique";
    collect(sql_query(columns).load::<Line>(conn)?, sql_query(indexes).load::<Line>(conn)?)
}

pub(super) fn sqlite(conn: &mut SqliteConnection) -> Result<Vec<String>> {
    let columns = "SELECT 'column ' || m.name || '.' || c.name || ' ' || \
        CASE c.type WHEN 'BLOB' THEN 'bytes' WHEN 'TEXT' THEN 'text' ELSE 'integer' END || \
        CASE WHEN c.\"notnull\" = 0 THEN ' null' ELSE '' END AS line \
        FROM sqlite_master m JOIN pragma_table_info(m.name) c WHERE m.type = 'table' AND m.name NOT LIKE 'sqlite_%'";
    let indexes = "SELECT 'index ' || m.name || ' (' || \
        (SELECT group_concat(name, ', ') FROM (SELECT name FROM pragma_index_info(i.name) ORDER BY seqno)) || ')' || \
        CASE WHEN i.\"unique\" THEN ' unique' ELSE '' END AS line \
        FROM sqlite_master m JOIN pragma_index_list(m.name) i WHERE m.type = 'table' AND m.name NOT LIKE 'sqlite_%'";
    collect(sql_query(columns).load::<Line>(conn)?, sql_query(indexes).load::<Line>(conn)?)
}

fn collect(columns: Vec<Line>, indexes: Vec<Line>) -> Result<Vec<String>> {
    let mut lines: Vec<String> = columns
        .into_iter()
        .chain(indexes)
        .map(|line| line.line)
        .filter(|line| !line.contains(NOT_OURS))
        .collect();
    lines.sort();
    Ok(lines)
}

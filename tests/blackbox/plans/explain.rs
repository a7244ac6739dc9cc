//! How a database would run a statement, without values.

use blackbox::{Backend, Database};
use diesel::{
    Connection, PgConnection, QueryableByName, RunQueryDsl, SqliteConnection, connection::SimpleConnection,
    sql_query, sql_types::Text,
};

use super::filler::LARGE;

/// A session that explains.
pub(super) enum Explainer {
    Sqlite(SqliteConnection),
    Postgres(PgConnection),
}

#[derive(QueryableByName)]
struct Node {
    #[diesel(sql_type = Text)]
    detail: String,
}

#[derive(QueryableByName)]
struct Line {
    #[diesel(sql_type = Text, column_name = "QUERY PLAN")]
    line: String,
}

impl Explainer {
    pub(super) fn new(database: &Database) -> Self {
        match database.backend() {
            Backend::Sqlite => Self::Sqlite(
                SqliteConnection::establish(database.url().trim_start_matches("sqlite:")).unwrap(),
            ),
            Backend::Postgres => {
                let mut session = database.session();
                // Behind the fence, as the service asks. The server plans anew for the values while that is cheaper.
                session
                    .batch_execute(&format!(
                        "SET ROLE keepstart_service; SET plan_cache_mode = force_custom_plan; \
                         SET keepstart.organization = '{LARGE}'"
                    ))
                    .unwrap();
                Self::Postgres(session)
            }
        }
    }

    /// The plan, one line for each step; SQLite does not look at the values.
    pub(super) fn plan(&mut self, text: &str, values: &str) -> Vec<String> {
        match self {
            Self::Sqlite(conn) => {
                let nodes: Vec<Node> = sql_query(format!("EXPLAIN QUERY PLAN {text}")).load(conn).unwrap();
                nodes.into_iter().map(|node| node.detail).collect()
            }
            Self::Postgres(conn) => {
                conn.batch_execute(&format!("PREPARE asked AS {text}")).unwrap();
                let explain = format!("EXPLAIN (COSTS OFF) EXECUTE asked{}", literals(values));
                let lines: Vec<Line> = sql_query(explain).load(conn).unwrap();
                conn.batch_execute("DEALLOCATE asked").unwrap();
                lines.into_iter().map(|line| line.line).collect()
            }
        }
    }
}

/// Values as `Debug` shows them in a list, as SQL has them: ids, texts and arrays are texts, numbers are
/// numbers, and nothing is NULL.
fn literals(values: &str) -> String {
    let values = values.replace("Key(", "\"").replace(')', "\"").replace("None", "NULL");
    let mut depth = 0;
    let mut text = String::new();
    for c in values.chars() {
        depth += i32::from(c == '[') - i32::from(c == ']');
        match (c, depth) {
            ('[', 1) => text.push('('),
            (']', 0) => text.push(')'),
            ('[', _) => text.push_str("'{"),
            (']', _) => text.push_str("}'"),
            ('"', 1) => text.push('\''),
            ('"', _) => {}
            _ => text.push(c),
        }
    }
    if text == "()" { String::new() } else { text }
}

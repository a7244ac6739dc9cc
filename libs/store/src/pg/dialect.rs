//! What PostgreSQL says differently.

use diesel::{
    connection::{AnsiTransactionManager as Transactions, SimpleConnection, TransactionManager},
    define_sql_function,
    dsl::EqAny,
    expression::{AsExpression, TypedExpressionType},
    pg::Pg,
    prelude::*,
    query_builder::{AstPass, Query, QueryFragment, QueryId},
    result::Error as DieselError,
    sql_query,
    sql_types::{Array, Bool, SqlType, Text},
};

use super::Conn;
use crate::{
    error::{Result, StoreError},
    key::Key,
};

pub(crate) type SqlKey = diesel::pg::sql_types::Uuid;

/// Locks the records in the order given, absent ones included.
pub(crate) fn lock(conn: &mut Conn, organization: Key, records: &[(&'static str, Key)]) -> Result<()> {
    let (kinds, ids): (Vec<_>, Vec<_>) = records.iter().copied().unzip();
    Locking::<PLACE> { organization, kinds: kinds.clone(), ids: ids.clone() }.execute(conn)?;
    // A statement of its own: what others placed meanwhile is seen by it, and by none that began before.
    Locking::<TAKE> { organization, kinds, ids }.execute(conn)?;
    Ok(())
}

const PLACE: bool = false;
const TAKE: bool = true;

/// A statement of fixed text, which is prepared once: it places the rows to be locked, or takes their locks.
struct Locking<const STEP: bool> {
    organization: Key,
    kinds: Vec<&'static str>,
    ids: Vec<Key>,
}

impl<const STEP: bool> QueryId for Locking<STEP> {
    type QueryId = Self;
    const HAS_STATIC_QUERY_ID: bool = true;
}

impl<const STEP: bool> RunQueryDsl<Conn> for Locking<STEP> {}

impl<const STEP: bool> QueryFragment<Pg> for Locking<STEP> {
    fn walk_ast<'b>(&'b self, mut out: AstPass<'_, 'b, Pg>) -> QueryResult<()> {
        if STEP == PLACE {
            out.push_sql("INSERT INTO record_lock (organization, kind, id) SELECT ");
            out.push_bind_param::<SqlKey, _>(&self.organization)?;
            out.push_sql(", kind, id FROM ");
        } else {
            out.push_sql("SELECT place FROM ");
        }
        out.push_sql("unnest(");
        out.push_bind_param::<Array<Text>, _>(&self.kinds)?;
        out.push_sql(", ");
        out.push_bind_param::<Array<SqlKey>, _>(&self.ids)?;
        out.push_sql(") WITH ORDINALITY AS wanted (kind, id, place) ");
        if STEP == PLACE {
            out.push_sql("ORDER BY place ON CONFLICT DO NOTHING");
        } else {
            // One after the other, in their order; made a join, all locks of the organization might be read.
            out.push_sql("CROSS JOIN LATERAL (SELECT FROM record_lock AS held WHERE organization = ");
            out.push_bind_param::<SqlKey, _>(&self.organization)?;
            out.push_sql(" AND held.kind = wanted.kind AND held.id = wanted.id FOR UPDATE) AS held");
        }
        Ok(())
    }
}

/// The records of a kind that have one of these ids in another system.
pub(crate) fn holders(
    conn: &mut Conn,
    organization: Key,
    kind: &'static str,
    system: &str,
    ids: Vec<String>,
) -> QueryResult<Vec<(String, Key)>> {
    Holding { organization, kind, system: system.to_owned(), ids }.load(conn)
}

/// A look for each id, planned anew each time. Asked for all at once, or by a plan from when the table was small, every id of
/// the organization is read as long as nobody has analysed the table.
struct Holding {
    organization: Key,
    kind: &'static str,
    system: String,
    ids: Vec<String>,
}

impl QueryId for Holding {
    type QueryId = ();
    const HAS_STATIC_QUERY_ID: bool = false;
}

impl Query for Holding {
    type SqlType = (Text, SqlKey);
}

impl RunQueryDsl<Conn> for Holding {}

impl QueryFragment<Pg> for Holding {
    fn walk_ast<'b>(&'b self, mut out: AstPass<'_, 'b, Pg>) -> QueryResult<()> {
        out.unsafe_to_cache_prepared();
        out.push_sql("SELECT wanted.id, held.record_id FROM unnest(");
        out.push_bind_param::<Array<Text>, _>(&self.ids)?;
        out.push_sql(
            "::text[]) AS wanted (id) CROSS JOIN LATERAL (SELECT record_id FROM external_id WHERE organization = ",
        );
        out.push_bind_param::<SqlKey, _>(&self.organization)?;
        out.push_sql(" AND kind = ");
        out.push_bind_param::<Text, _>(self.kind)?;
        out.push_sql(" AND system = ");
        out.push_bind_param::<Text, _>(&self.system)?;
        // Without the offset it would be made a join, for which there are other ways than a look for each.
        out.push_sql(" AND external_id.id = wanted.id OFFSET 0) AS held");
        Ok(())
    }
}

/// Whether a column has one of these values.
pub(crate) fn among<C, T>(column: C, values: Vec<T>) -> EqAny<C, Vec<T>>
where
    C: ExpressionMethods + Expression<SqlType: SqlType + TypedExpressionType>,
    T: AsExpression<C::SqlType>,
{
    column.eq_any(values)
}

define_sql_function! {
    /// The later of two instants.
    #[sql_name = "greatest"]
    fn later(a: diesel::sql_types::BigInt, b: diesel::sql_types::BigInt) -> diesel::sql_types::BigInt;
}

/// Begins a transaction whose reads all see one moment, of this organization only.
pub(crate) fn read<T>(
    conn: &mut Conn,
    organization: Key,
    f: impl FnOnce(&mut Conn) -> Result<T>,
) -> Result<T> {
    transaction(conn, "READ ONLY ISOLATION LEVEL REPEATABLE READ", organization, f)
}

/// Begins a transaction that writes, for this organization only.
pub(crate) fn write<T>(
    conn: &mut Conn,
    organization: Key,
    f: impl FnOnce(&mut Conn) -> Result<T>,
) -> Result<T> {
    transaction(conn, "READ WRITE ISOLATION LEVEL READ COMMITTED", organization, f)
}

/// A transaction of this kind, with the fence set in the same round trip that begins it.
fn transaction<T>(
    conn: &mut Conn,
    kind: &str,
    organization: Key,
    f: impl FnOnce(&mut Conn) -> Result<T>,
) -> Result<T> {
    let fence = organization.0.hyphenated();
    let begin = format!("BEGIN {kind}; SET LOCAL keepstart.organization = '{fence}'");
    Transactions::begin_transaction_sql(conn, &begin)?;
    match f(conn) {
        Ok(done) => {
            Transactions::commit_transaction(conn)?;
            Ok(done)
        }
        Err(error) => {
            // The first error tells more than what a lost connection says of the rollback.
            let _ = Transactions::rollback_transaction(conn);
            Err(error)
        }
    }
}

/// How every new connection is set up: it works as the role that the fence holds for.
///
/// A plan that was made while a table was empty is kept for as long as nobody analyses it, which is while the first file
/// comes in: whoever reads an empty table from end to end reads a full one so a minute later. So that is the last resort, and where it is
/// taken all the same it is not worth compiling (`jit`), as its cost then says.
pub(crate) fn prepare(conn: &mut Conn) -> QueryResult<()> {
    conn.batch_execute(
        "SET lock_timeout = '5s'; SET statement_timeout = '30s'; SET enable_seqscan = off; SET jit = off; \
         SET idle_in_transaction_session_timeout = '30s'; SET ROLE keepstart_service",
    )
}

#[derive(QueryableByName)]
struct Fence {
    #[diesel(sql_type = Bool)]
    holds: bool,
}

/// Fails unless the fence between organizations holds for this connection.
pub(crate) fn require_fence(conn: &mut Conn) -> Result<()> {
    prepare(conn).map_err(|error| match error {
        DieselError::DatabaseError(_, said) => StoreError::Fence(said.message().to_owned()),
        other => StoreError::from(other),
    })?;
    let fence: Fence = sql_query(
        "SELECT NOT has_any_column_privilege('change_log', 'UPDATE') \
         AND NOT has_table_privilege('change_log', 'DELETE, TRUNCATE') \
         AND NOT EXISTS (SELECT FROM pg_class c \
             WHERE c.relnamespace = (SELECT relnamespace FROM pg_class WHERE oid = 'change_log'::regclass) \
             AND c.relkind IN ('r', 'p') AND (pg_has_role(c.relowner, 'MEMBER') OR (NOT row_security_active(c.oid) \
             AND (c.relname = 'organization' OR EXISTS (SELECT FROM pg_attribute a \
                 WHERE a.attrelid = c.oid AND a.attname = 'organization'))))) AS holds",
    )
    .get_result(conn)?;
    if fence.holds {
        return Ok(());
    }
    Err(StoreError::Fence("keepstart_service owns a table, is above row-level security or finds it switched off, or may change the log".into()))
}

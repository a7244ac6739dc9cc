//! Inserts of many rows as one statement of fixed text, which is prepared once: a column becomes an array.

use diesel::{
    PgConnection, QueryResult, RunQueryDsl,
    pg::Pg,
    query_builder::{AstPass, QueryFragment, QueryId},
    sql_types::{Array, BigInt, Binary, Integer, Nullable, Text},
};

use super::{
    dialect::SqlKey,
    ops::log::{FeedRow, LogRow, OutboxRow},
};
use crate::key::Key;

macro_rules! unnest {
    ($insert:ident, $into:ident, $row:ident, $table:literal, {
        $first:ident: $first_rust:ty => $first_sql:ty,
        $($column:ident: $rust:ty => $sql:ty,)+
    }) => {
        struct $into<'r> {
            $first: Vec<&'r $first_rust>,
            $($column: Vec<&'r $rust>,)+
        }

        impl QueryId for $into<'_> {
            type QueryId = $into<'static>;
            const HAS_STATIC_QUERY_ID: bool = true;
        }

        impl QueryFragment<Pg> for $into<'_> {
            fn walk_ast<'b>(&'b self, mut out: AstPass<'_, 'b, Pg>) -> QueryResult<()> {
                out.push_sql(concat!("INSERT INTO ", $table, " (", stringify!($first), $(", ", stringify!($column)),+));
                out.push_sql(") SELECT * FROM unnest(");
                out.push_bind_param::<Array<$first_sql>, _>(&self.$first)?;
                $(
                    out.push_sql(", ");
                    out.push_bind_param::<Array<$sql>, _>(&self.$column)?;
                )+
                out.push_sql(")");
                Ok(())
            }
        }

        impl RunQueryDsl<PgConnection> for $into<'_> {}

        pub(super) fn $insert(conn: &mut PgConnection, rows: &[$row]) -> QueryResult<()> {
            let insert = $into {
                $first: rows.iter().map(|row| &row.$first).collect(),
                $($column: rows.iter().map(|row| &row.$column).collect(),)+
            };
            insert.execute(conn).map(drop)
        }
    };
}

unnest!(insert_log, IntoLog, LogRow, "change_log", {
    organization: Key => SqlKey,
    seq: i64 => BigInt,
    recorded_at: i64 => BigInt,
    row_kind: String => Text,
    channel: String => Text,
    edit_id: Key => SqlKey,
    group_id: Option<Key> => Nullable<SqlKey>,
    format: i32 => Integer,
    record_kind: String => Text,
    record_id: Key => SqlKey,
    unit_id: Option<Key> => Nullable<SqlKey>,
    base: Option<String> => Nullable<Text>,
    author: Key => SqlKey,
    on_behalf_of: Option<Key> => Nullable<SqlKey>,
    handset: Option<Key> => Nullable<SqlKey>,
    handset_edit: Option<i64> => Nullable<BigInt>,
    stamp_raw: String => Text,
    stamp_effective: String => Text,
    occurred_raw: Option<String> => Nullable<Text>,
    occurred_at: Option<i64> => Nullable<BigInt>,
    occurred_source: Option<String> => Nullable<Text>,
    occurred_precision: Option<String> => Nullable<Text>,
    body: String => Text,
    content_hash: Vec<u8> => Binary,
    leaf_hash: Vec<u8> => Binary,
});

unnest!(insert_feed, IntoFeed, FeedRow, "feed", {
    organization: Key => SqlKey,
    site_id: Key => SqlKey,
    seq: i64 => BigInt,
    unit_id: Option<Key> => Nullable<SqlKey>,
    kind: String => Text,
    record_id: Key => SqlKey,
});

unnest!(insert_outbox, IntoOutbox, OutboxRow, "outbox", {
    organization: Key => SqlKey,
    seq: i64 => BigInt,
    ordinal: i32 => Integer,
    kind: String => Text,
    body: String => Text,
});

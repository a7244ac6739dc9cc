//! Inserts of many rows as one statement of fixed text, which is prepared once: a column becomes an array.

/// Makes a function that inserts rows of a table; the last text says what happens on a conflict.
macro_rules! bulk {
    ($($(#[$doc:meta])* $insert:ident, $into:ident, $row:ident, $table:literal, $conflict:literal, {
        $first:ident: $first_rust:ty => $first_sql:ty,
        $($column:ident: $rust:ty => $sql:ty,)+
    })*) => {$(
        struct $into<'r> {
            $first: Vec<&'r $first_rust>,
            $($column: Vec<&'r $rust>,)+
        }

        impl diesel::query_builder::QueryId for $into<'_> {
            type QueryId = $into<'static>;
            const HAS_STATIC_QUERY_ID: bool = true;
        }

        impl diesel::query_builder::QueryFragment<diesel::pg::Pg> for $into<'_> {
            fn walk_ast<'b>(
                &'b self,
                mut out: diesel::query_builder::AstPass<'_, 'b, diesel::pg::Pg>,
            ) -> diesel::QueryResult<()> {
                use diesel::sql_types::Array;
                out.push_sql(concat!(
                    "INSERT INTO ", $table, " (", stringify!($first), $(", ", stringify!($column)),+,
                    ") SELECT * FROM unnest("
                ));
                out.push_bind_param::<Array<$first_sql>, _>(&self.$first)?;
                $(
                    out.push_sql(", ");
                    out.push_bind_param::<Array<$sql>, _>(&self.$column)?;
                )+
                out.push_sql(concat!(") ", $conflict));
                Ok(())
            }
        }

        impl diesel::RunQueryDsl<diesel::PgConnection> for $into<'_> {}

        $(#[$doc])*
        pub(crate) fn $insert(conn: &mut diesel::PgConnection, rows: &[$row]) -> diesel::QueryResult<()> {
            use diesel::RunQueryDsl;
            if rows.is_empty() {
                return Ok(());
            }
            let insert = $into {
                $first: rows.iter().map(|row| &row.$first).collect(),
                $($column: rows.iter().map(|row| &row.$column).collect(),)+
            };
            insert.execute(conn).map(drop)
        }
    )*};
}

pub(crate) use bulk;

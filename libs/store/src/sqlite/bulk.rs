//! Inserts of many rows as statements of a few fixed sizes, each prepared once.

/// Makes a function that inserts rows of a table; the last text says what happens on a conflict.
///
/// A statement takes 125 rows, and the rest of a batch goes in smaller ones; SQLite takes 32,766 bound values. The size is part
/// of the type, by which a prepared statement is found again without spelling it.
macro_rules! bulk {
    ($($(#[$doc:meta])* $insert:ident, $into:ident, $row:ident, $table:literal, $conflict:literal, {
        $first:ident: $first_rust:ty => $first_sql:ty,
        $($column:ident: $rust:ty => $sql:ty,)+
    })*) => {$(
        struct $into<'r, const SIZE: usize>(&'r [$row; SIZE]);

        impl<const SIZE: usize> $into<'_, SIZE> {
            /// Inserts as many rows as fill statements of this size, and gives the others.
            fn all<'a>(
                conn: &mut diesel::SqliteConnection,
                mut rows: &'a [$row],
            ) -> diesel::QueryResult<&'a [$row]> {
                use diesel::RunQueryDsl;
                while let Some((some, others)) = rows.split_first_chunk::<SIZE>() {
                    $into(some).execute(conn)?;
                    rows = others;
                }
                Ok(rows)
            }
        }

        impl<const SIZE: usize> diesel::query_builder::QueryId for $into<'_, SIZE> {
            type QueryId = $into<'static, SIZE>;
            const HAS_STATIC_QUERY_ID: bool = true;
        }

        impl<const SIZE: usize> diesel::query_builder::QueryFragment<diesel::sqlite::Sqlite> for $into<'_, SIZE> {
            fn walk_ast<'b>(
                &'b self,
                mut out: diesel::query_builder::AstPass<'_, 'b, diesel::sqlite::Sqlite>,
            ) -> diesel::QueryResult<()> {
                out.push_sql(concat!(
                    "INSERT INTO ", $table, " (", stringify!($first), $(", ", stringify!($column)),+, ") VALUES "
                ));
                for (at, row) in self.0.iter().enumerate() {
                    out.push_sql(if at == 0 { "(" } else { ", (" });
                    out.push_bind_param::<$first_sql, $first_rust>(&row.$first)?;
                    $(
                        out.push_sql(", ");
                        out.push_bind_param::<$sql, $rust>(&row.$column)?;
                    )+
                    out.push_sql(")");
                }
                out.push_sql(concat!(" ", $conflict));
                Ok(())
            }
        }

        impl<const SIZE: usize> diesel::RunQueryDsl<diesel::SqliteConnection> for $into<'_, SIZE> {}

        $(#[$doc])*
        pub(crate) fn $insert(conn: &mut diesel::SqliteConnection, rows: &[$row]) -> diesel::QueryResult<()> {
            let rows = $into::<125>::all(conn, rows)?;
            let rows = $into::<25>::all(conn, rows)?;
            let rows = $into::<5>::all(conn, rows)?;
            $into::<1>::all(conn, rows).map(drop)
        }
    )*};
}

pub(crate) use bulk;

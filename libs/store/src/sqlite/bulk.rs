//! Inserts of many rows as statements of a few fixed sizes, each prepared once.

/// How many rows a statement takes; the rest of a batch goes in smaller ones. SQLite takes 32,766 bound values.
pub(crate) const SIZES: [usize; 4] = [125, 25, 5, 1];

/// Makes a function that inserts rows of a table; the last text says what happens on a conflict.
macro_rules! bulk {
    ($($(#[$doc:meta])* $insert:ident, $into:ident, $row:ident, $table:literal, $conflict:literal, {
        $first:ident: $first_rust:ty => $first_sql:ty,
        $($column:ident: $rust:ty => $sql:ty,)+
    })*) => {$(
        struct $into<'r>(&'r [$row]);

        impl diesel::query_builder::QueryId for $into<'_> {
            type QueryId = ();
            const HAS_STATIC_QUERY_ID: bool = false;
        }

        impl diesel::query_builder::QueryFragment<diesel::sqlite::Sqlite> for $into<'_> {
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

        impl diesel::RunQueryDsl<diesel::SqliteConnection> for $into<'_> {}

        $(#[$doc])*
        pub(crate) fn $insert(conn: &mut diesel::SqliteConnection, rows: &[$row]) -> diesel::QueryResult<()> {
            use diesel::RunQueryDsl;
            let mut rest = rows;
            for size in super::super::bulk::SIZES {
                while let Some((some, others)) = rest.split_at_checked(size) {
                    $into(some).execute(conn)?;
                    rest = others;
                }
            }
            Ok(())
        }
    )*};
}

pub(crate) use bulk;

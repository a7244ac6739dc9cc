//! A column held against many values, by statements of a few lengths, so that each is prepared once: the list of the usual way
//! has as many places as there are values, and its statement is prepared anew each time.

use diesel::{
    expression::{AppearsOnTable, Expression, SelectableExpression, ValidGrouping, is_aggregate},
    query_builder::{AstPass, QueryFragment, QueryId},
    result::QueryResult,
    serialize::ToSql,
    sql_types::{Bool, HasSqlType},
    sqlite::Sqlite,
};

/// How many places a list has.
const SIZES: [usize; 5] = [1, 5, 25, 125, 1000];

/// That a column has one of some values.
#[derive(Clone)]
pub(crate) struct Among<C, T> {
    column: C,
    values: Vec<T>,
}

/// Whether a column has one of these values.
pub(crate) fn among<C, T: Clone>(column: C, mut values: Vec<T>) -> Among<C, T> {
    let places = SIZES.into_iter().find(|size| values.len() <= *size).unwrap_or(values.len());
    // A value that is there twice finds nothing more.
    if let Some(last) = values.last().cloned() {
        values.resize(places, last);
    }
    Among { column, values }
}

impl<C: Expression, T> Expression for Among<C, T> {
    type SqlType = Bool;
}

impl<C, T, GB> ValidGrouping<GB> for Among<C, T> {
    type IsAggregate = is_aggregate::No;
}

impl<C, T, QS> SelectableExpression<QS> for Among<C, T>
where
    C: SelectableExpression<QS>,
    Self: AppearsOnTable<QS>,
{
}

impl<C: AppearsOnTable<QS>, T, QS> AppearsOnTable<QS> for Among<C, T> {}

impl<C, T> QueryId for Among<C, T> {
    type QueryId = ();
    const HAS_STATIC_QUERY_ID: bool = false;
}

impl<C, T> QueryFragment<Sqlite> for Among<C, T>
where
    C: Expression + QueryFragment<Sqlite>,
    T: ToSql<C::SqlType, Sqlite>,
    Sqlite: HasSqlType<C::SqlType>,
{
    fn walk_ast<'b>(&'b self, mut out: AstPass<'_, 'b, Sqlite>) -> QueryResult<()> {
        self.column.walk_ast(out.reborrow())?;
        out.push_sql(" IN (");
        for (at, value) in self.values.iter().enumerate() {
            if at > 0 {
                out.push_sql(", ");
            }
            out.push_bind_param::<C::SqlType, T>(value)?;
        }
        out.push_sql(")");
        Ok(())
    }
}

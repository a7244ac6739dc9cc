//! Identifiers as both databases hold them: `uuid` on PostgreSQL, 16 bytes on SQLite.

use diesel::{
    backend::Backend,
    deserialize::{self, FromSql, FromSqlRow},
    expression::AsExpression,
    pg::{Pg, PgValue, sql_types::Uuid as PgUuid},
    serialize::{self, IsNull, Output, ToSql},
    sql_types::Binary,
    sqlite::Sqlite,
};
use model::id::{Id, Kind};
use std::io::Write;
use uuid::Uuid;

/// The database form of an identifier; it appears nowhere above this crate.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash, AsExpression, FromSqlRow)]
#[diesel(sql_type = PgUuid, sql_type = Binary)]
pub(crate) struct Key(pub(crate) Uuid);

impl Key {
    /// Stands for the whole organization where a site is asked for.
    pub(crate) const NIL: Self = Self(Uuid::nil());

    pub(crate) const fn id<K: Kind>(self) -> Id<K> {
        Id::from_uuid(self.0)
    }
}

impl Default for Key {
    fn default() -> Self {
        Self::NIL
    }
}

impl<K: Kind> From<Id<K>> for Key {
    fn from(id: Id<K>) -> Self {
        Self(id.uuid())
    }
}

impl ToSql<PgUuid, Pg> for Key {
    fn to_sql<'b>(&'b self, out: &mut Output<'b, '_, Pg>) -> serialize::Result {
        out.write_all(self.0.as_bytes())?;
        Ok(IsNull::No)
    }
}

impl FromSql<PgUuid, Pg> for Key {
    fn from_sql(value: PgValue<'_>) -> deserialize::Result<Self> {
        Ok(Self(Uuid::from_slice(value.as_bytes())?))
    }
}

impl ToSql<Binary, Sqlite> for Key {
    fn to_sql<'b>(&'b self, out: &mut Output<'b, '_, Sqlite>) -> serialize::Result {
        out.set_value(self.0.as_bytes().to_vec());
        Ok(IsNull::No)
    }
}

impl FromSql<Binary, Sqlite> for Key {
    fn from_sql(mut value: <Sqlite as Backend>::RawValue<'_>) -> deserialize::Result<Self> {
        Ok(Self(Uuid::from_slice(value.read_blob())?))
    }
}

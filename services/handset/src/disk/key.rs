//! Identifiers as the file holds them: 16 bytes.

use diesel::{
    backend::Backend,
    deserialize::{self, FromSql, FromSqlRow},
    expression::AsExpression,
    serialize::{self, IsNull, Output, ToSql},
    sql_types::Binary,
    sqlite::Sqlite,
};
use model::id::{Id, Kind};
use uuid::Uuid;

/// An identifier in the file.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash, AsExpression, FromSqlRow)]
#[diesel(sql_type = Binary)]
pub(crate) struct Key(pub(crate) Uuid);

impl Key {
    pub(crate) const fn id<K: Kind>(self) -> Id<K> {
        Id::from_uuid(self.0)
    }
}

impl<K: Kind> From<Id<K>> for Key {
    fn from(id: Id<K>) -> Self {
        Self(id.uuid())
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

//! The copy of the records, each as the service told it.

use diesel::prelude::*;
use model::{SiteId, UnitId, edit::RecordKind};
use proof::{Canonical, Hash};
use uuid::Uuid;

use super::{Conn, key::Key, schema::record};
use crate::error::{Error, Result};

/// A record of the copy.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct StoredRecord {
    /// Its kind, also one that this program does not know.
    pub kind: String,
    /// Its id.
    pub id: Uuid,
    /// Of a service event: the unit that it is of.
    pub unit: Option<UnitId>,
    /// What was told: JSON, byte for byte.
    pub text: String,
    /// Of a unit: its home site.
    pub(crate) home: Option<SiteId>,
    /// Whether it is retired.
    pub retired: bool,
    /// Of a service event: whether it bears on where its unit stands.
    pub(crate) moves: bool,
}

#[derive(Queryable, Selectable, Insertable, AsChangeset)]
#[diesel(table_name = record, treat_none_as_null = true, treat_none_as_default_value = false)]
struct RecordRow {
    kind: String,
    id: Key,
    unit: Option<Key>,
    text: String,
    home: Option<Key>,
    retired: bool,
    moves: bool,
    stale: bool,
}

impl RecordRow {
    fn stored(self) -> StoredRecord {
        StoredRecord {
            kind: self.kind,
            id: self.id.0,
            unit: self.unit.map(Key::id),
            text: self.text,
            home: self.home.map(Key::id),
            retired: self.retired,
            moves: self.moves,
        }
    }
}

/// Keeps a record as it is now; it has come again, if a fill is on.
pub(crate) fn put(conn: &mut Conn, new: StoredRecord) -> Result<()> {
    let row = RecordRow {
        kind: new.kind,
        id: Key(new.id),
        unit: new.unit.map(Key::from),
        text: new.text,
        home: new.home.map(Key::from),
        retired: new.retired,
        moves: new.moves,
        stale: false,
    };
    diesel::insert_into(record::table)
        .values(&row)
        .on_conflict((record::kind, record::id))
        .do_update()
        .set(&row)
        .execute(conn)?;
    Ok(())
}

/// One record.
pub(crate) fn find(conn: &mut Conn, kind: &str, id: Uuid) -> Result<Option<StoredRecord>> {
    let row: Option<RecordRow> = record::table
        .filter(record::kind.eq(kind))
        .filter(record::id.eq(Key(id)))
        .select(RecordRow::as_select())
        .first(conn)
        .optional()?;
    Ok(row.map(RecordRow::stored))
}

/// Whether a record has not come again during a fill.
pub(crate) fn is_stale(conn: &mut Conn, kind: &str, id: Uuid) -> Result<bool> {
    let stale: Option<bool> = record::table
        .filter(record::kind.eq(kind))
        .filter(record::id.eq(Key(id)))
        .select(record::stale)
        .first(conn)
        .optional()?;
    Ok(stale.unwrap_or_default())
}

/// All records of a kind by id.
pub(crate) fn of_kind(conn: &mut Conn, kind: &str) -> Result<Vec<StoredRecord>> {
    let rows: Vec<RecordRow> = record::table
        .filter(record::kind.eq(kind))
        .order(record::id)
        .select(RecordRow::as_select())
        .load(conn)?;
    Ok(rows.into_iter().map(RecordRow::stored).collect())
}

/// The events of a unit by id.
pub(crate) fn events_of(conn: &mut Conn, unit: UnitId) -> Result<Vec<StoredRecord>> {
    let rows: Vec<RecordRow> = record::table
        .filter(record::unit.eq(Key::from(unit)))
        .order(record::id)
        .select(RecordRow::as_select())
        .load(conn)?;
    Ok(rows.into_iter().map(RecordRow::stored).collect())
}

/// The units of which an event bears on where they stand.
pub(crate) fn moved_units(conn: &mut Conn) -> Result<Vec<UnitId>> {
    let rows: Vec<Option<Key>> =
        record::table.filter(record::moves.eq(true)).select(record::unit).distinct().load(conn)?;
    Ok(rows.into_iter().flatten().map(Key::id).collect())
}

/// What a fingerprint adds up of a record, and of which kind that is.
pub(crate) struct Sum {
    pub(crate) kind: String,
    pub(crate) id: Uuid,
    pub(crate) unit: Option<UnitId>,
    pub(crate) hash: Hash,
    pub(crate) home: Option<SiteId>,
    pub(crate) retired: bool,
}

/// What fingerprints add up, of all that they cover: worked out from what is kept, so that nothing that is damaged looks whole.
pub(crate) fn sums(conn: &mut Conn) -> Result<Vec<Sum>> {
    type Row = (String, Key, Option<Key>, String, Option<Key>, bool);
    let rows: Vec<Row> = record::table
        .filter(record::kind.eq_any(["site", "unit", "service_event"]))
        .select((record::kind, record::id, record::unit, record::text, record::home, record::retired))
        .load(conn)?;
    let sum = |(name, id, unit, text, home, retired): Row| {
        let kind = RecordKind::parse(&name).ok_or_else(|| Error::corrupt("kind")(&name))?;
        let hash = proof::content_hash(kind, id.0, &Canonical::spelled_before(text));
        Ok(Sum { kind: name, id: id.0, unit: unit.map(Key::id), hash, home: home.map(Key::id), retired })
    };
    rows.into_iter().map(sum).collect()
}

/// Drops a record.
pub(crate) fn remove(conn: &mut Conn, kind: &str, id: Uuid) -> Result<()> {
    let one = record::table.filter(record::kind.eq(kind)).filter(record::id.eq(Key(id)));
    diesel::delete(one).execute(conn)?;
    Ok(())
}

/// Drops what is out of sight: a unit with all its events, or a site.
pub(crate) fn forget(conn: &mut Conn, kind: &str, id: Uuid) -> Result<()> {
    remove(conn, kind, id)?;
    if kind == "unit" {
        diesel::delete(record::table.filter(record::unit.eq(Key(id)))).execute(conn)?;
    }
    Ok(())
}

/// A fill begins: nothing has come again yet.
pub(crate) fn all_stale(conn: &mut Conn) -> Result<()> {
    diesel::update(record::table).set(record::stale.eq(true)).execute(conn)?;
    Ok(())
}

/// A fill has ended: drops what has not come again; says how many records.
pub(crate) fn drop_stale(conn: &mut Conn) -> Result<usize> {
    Ok(diesel::delete(record::table.filter(record::stale.eq(true))).execute(conn)?)
}

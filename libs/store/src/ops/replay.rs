//! Records and units as the rows of the log made them, up to any row.

use std::collections::BTreeSet;

use merge::{Base, FieldEdit, Record};
use model::{
    EditId, UnitId,
    edit::{RecordKind, Target},
    event::EventKind,
    external::LISTS,
    json,
    stamp::Stamp,
    unit::UnitFields,
};
use serde_json::Value;

use super::super::Conn;
use super::{
    events, kin,
    log::{self, LogRow},
    records::{self, Stored},
    units::Unit,
};
use crate::{
    error::{Result, StoreError},
    key::Key,
};

/// A record in the making.
#[derive(Default)]
pub(crate) struct Remade {
    pub(crate) version: i64,
    pub(crate) record: Record,
    edits: BTreeSet<EditId>,
}

impl Remade {
    /// Adds the edit of a row.
    pub(crate) fn add(&mut self, row: &LogRow, body: Value) -> Result<()> {
        let edit = field_edit(row, body)?;
        let record = std::mem::take(&mut self.record);
        self.record = merge::apply(record, &edit, |id| self.edits.contains(&id)).record;
        self.version += 1;
        self.edits.insert(edit.edit);
        Ok(())
    }
}

/// A record as it was when the row `seq` was written.
pub(crate) fn record(conn: &mut Conn, organization: Key, target: Target, seq: i64) -> Result<Stored> {
    let mut remade = Remade::default();
    for row in log::of_record(conn, organization, target)?.iter().take_while(|row| row.seq <= seq) {
        remade.add(row, body_of(row)?)?;
    }
    Ok(Stored { version: remade.version, record: remade.record })
}

/// A unit with its events as they were when the row `seq` was written, and the rows of those events.
pub(crate) fn unit(
    conn: &mut Conn,
    organization: Key,
    id: UnitId,
    seq: i64,
) -> Result<Option<(Unit, Vec<LogRow>)>> {
    let Some((mut unit, rows)) = alone(conn, organization, id, seq)? else { return Ok(None) };
    let groups = kin::of_units(conn, organization, &[id].into())?;
    for other in groups.of(id).into_iter().flatten().filter(|other| **other != id) {
        unit.kin.extend(alone(conn, organization, *other, seq)?.map(|(unit, _)| unit));
    }
    Ok(Some((unit, rows)))
}

/// The same without its kin.
fn alone(conn: &mut Conn, organization: Key, id: UnitId, seq: i64) -> Result<Option<(Unit, Vec<LogRow>)>> {
    let rows = log::of_unit(conn, organization, Key::from(id))?;
    let mut growing = Growing::new(id);
    for row in rows.iter().take_while(|row| row.seq <= seq) {
        growing.add(row)?;
    }
    growing.unit().map(|unit| unit.map(|unit| (unit, growing.rows)))
}

/// A unit to which one row after another is added.
pub(crate) struct Growing {
    id: UnitId,
    fields: Remade,
    events: Vec<model::event::ServiceEvent>,
    /// The rows of its events.
    pub(crate) rows: Vec<LogRow>,
}

impl Growing {
    pub(crate) fn new(id: UnitId) -> Self {
        Self { id, fields: Remade::default(), events: Vec::new(), rows: Vec::new() }
    }

    /// Adds a row, and says whether it may bring the unit into the scope of other sites: most events do not.
    pub(crate) fn add(&mut self, row: &LogRow) -> Result<bool> {
        if row.record_kind == RecordKind::ServiceEvent.as_str() {
            let event = events::read(&row.body, row.occurred_at)?;
            let moves = matches!(
                event.kind(),
                EventKind::Commissioning | EventKind::Placement | EventKind::Correction
            );
            self.events.push(event);
            self.rows.push(row.clone());
            return Ok(moves);
        }
        self.fields.add(row, body_of(row)?)?;
        Ok(true)
    }

    /// Whether it is retired by now.
    pub(crate) fn is_retired(&self) -> bool {
        self.fields.record.is_retired()
    }

    /// The unit as it is by now; none before its first row.
    pub(crate) fn unit(&self) -> Result<Option<Unit>> {
        if self.fields.version == 0 {
            return Ok(None);
        }
        let fields = records::fields(&self.fields.record, UnitFields::read)?;
        Ok(Some(Unit::new(self.id, fields, self.events.clone())))
    }
}

/// The body of a row.
pub(crate) fn body_of(row: &LogRow) -> Result<Value> {
    json::parse(row.body.as_bytes()).map_err(|e| StoreError::corrupt("log row")(&e))
}

fn field_edit(row: &LogRow, body: Value) -> Result<FieldEdit> {
    let corrupt = StoreError::corrupt("log row");
    let Value::Object(fields) = body else { return Err(corrupt(&"fields are no object")) };
    let base: Option<Base> =
        row.base.as_deref().map(serde_json::from_str).transpose().map_err(|e| corrupt(&e))?;
    Ok(FieldEdit {
        edit: row.edit_id.id(),
        effective: Stamp::parse(&row.stamp_effective).map_err(|e| corrupt(&e))?,
        raw: Stamp::parse(&row.stamp_raw).map_err(|e| corrupt(&e))?,
        fields: merge::flatten(fields, LISTS),
        base: base.unwrap_or_default(),
        // An edit of a handset of which there are two copies is kept without its number.
        chained: row.handset_edit.is_some(),
    })
}

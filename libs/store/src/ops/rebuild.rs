//! Recomputing every fold from the log, and reporting each difference.

use std::collections::{BTreeMap, BTreeSet};

use diesel::prelude::*;
use merge::{Base, FieldEdit, Record};
use model::{
    EditId, Instant, UnitId, edit::RecordKind, json, private::SEALED, stamp::Stamp, unit::UnitFields,
};
use proof::Hash;
use serde_json::Value;

use super::super::{Conn, dialect};
use super::{
    editions, events, folds,
    log::{self, FeedRow, LogRow},
    organizations,
    private_texts::{self, Texts},
    records,
    schema::{feed, record},
    units::{self, Context, Unit},
};
use crate::{
    error::{Result, StoreError},
    key::Key,
    report::Difference,
};

const PAGE: i64 = 1000;

/// What one pass over an organization's log comes to.
#[derive(Default)]
pub(crate) struct Replayed {
    /// How many rows there are.
    pub(crate) rows: i64,
    /// Every difference found on the way.
    pub(crate) differences: Vec<Difference>,
}

/// Checks the log itself, and every fold that is not of one unit.
pub(crate) fn organization(conn: &mut Conn, organization: Key) -> Result<Replayed> {
    let mut replay = Replay { organization, ..Replay::default() };
    let mut seq = 0;
    loop {
        let rows = log::after(conn, organization, seq, PAGE)?;
        let Some(last) = rows.last() else { break };
        seq = last.seq;
        let edits: Vec<Key> = rows.iter().map(|row| row.edit_id).collect();
        let texts = private_texts::of_edits(conn, organization, &edits)?;
        for row in &rows {
            replay.row(row, &texts)?;
        }
    }
    let last = organizations::last_seq(conn, organization)?.ok_or(StoreError::NoOrganization)?;
    if last != seq {
        replay.differ("change log", format!("ends at {seq}, the counter is at {last}"));
    }
    let texts = private_texts::count(conn, organization)?;
    if texts != replay.texts {
        replay.differ("private text", format!("{texts} stored, {} named by the log", replay.texts));
    }
    replay.compare(conn)?;
    Ok(Replayed { rows: replay.last_seq, differences: replay.differences })
}

#[derive(Default)]
struct Replay {
    organization: Key,
    last_seq: i64,
    last_recorded_at: i64,
    records: BTreeMap<(String, Key), (i64, Record, BTreeSet<EditId>)>,
    editions: BTreeMap<Key, String>,
    jobs: BTreeSet<String>,
    texts: i64,
    lines: BTreeMap<i64, (Option<Key>, String, Key)>,
    differences: Vec<Difference>,
}

impl Replay {
    fn differ(&mut self, what: &'static str, detail: String) {
        self.differences.push(Difference { what, detail });
    }

    fn row(&mut self, row: &LogRow, texts: &Texts) -> Result<()> {
        if row.seq != self.last_seq + 1 {
            self.differ("change log", format!("row {} follows row {}", row.seq, self.last_seq));
        }
        if row.recorded_at < self.last_recorded_at {
            self.differ("change log", format!("row {} was recorded before the row ahead of it", row.seq));
        }
        (self.last_seq, self.last_recorded_at) = (row.seq, row.recorded_at);
        if row.leaf()?.as_bytes().as_slice() != row.leaf_hash.as_slice() {
            self.differ("leaf hash", format!("of row {}", row.seq));
        }
        let body = json::parse(row.body.as_bytes()).map_err(|e| StoreError::corrupt("log row")(&e))?;
        let kind = RecordKind::parse(&row.record_kind)
            .ok_or_else(|| StoreError::corrupt("log row")(&row.record_kind))?;
        if content_hash(kind, row, &body)?.as_bytes().as_slice() != row.content_hash.as_slice() {
            self.differ("content hash", format!("of row {}", row.seq));
        }
        self.private_texts(kind, row, &body, texts);
        match kind {
            RecordKind::ServiceEvent => {}
            RecordKind::Edition => {
                let edition = editions::read(&row.body)?;
                self.jobs.extend(editions::jobs_of(&edition).into_iter().map(|job| job.as_str().to_owned()));
                self.editions.insert(row.record_id, row.body.clone());
            }
            _ => self.field_edit(row, body)?,
        }
        self.lines.insert(row.seq, (row.unit_id, row.record_kind.clone(), row.record_id));
        Ok(())
    }

    /// Every commitment of a row has its text beside the log, and every text fits its commitment.
    fn private_texts(&mut self, kind: RecordKind, row: &LogRow, body: &Value, texts: &Texts) {
        for pointer in records::private_pointers(kind) {
            let Some(committed) =
                body.pointer(pointer).and_then(|value| value.get(SEALED)).and_then(Value::as_str)
            else {
                continue;
            };
            let beside = texts.get(&(row.edit_id, (*pointer).to_owned()));
            self.texts += i64::from(beside.is_some());
            let fits = beside.and_then(|(salt, text)| {
                let salt = salt.as_slice().try_into().ok()?;
                Some(proof::commitment(&salt, pointer, text).to_string() == committed)
            });
            match fits {
                Some(true) => {}
                Some(false) => {
                    self.differ("private text", format!("of row {} does not fit its commitment", row.seq))
                }
                None => self.differ("private text", format!("of row {} is missing", row.seq)),
            }
        }
    }

    fn field_edit(&mut self, row: &LogRow, body: Value) -> Result<()> {
        let entry = self.records.entry((row.record_kind.clone(), row.record_id)).or_default();
        let edit = field_edit(row, body)?;
        let record = std::mem::take(&mut entry.1);
        entry.1 = merge::apply(record, &edit, |id| entry.2.contains(&id)).record;
        entry.0 += 1;
        entry.2.insert(edit.edit);
        Ok(())
    }

    fn compare(&mut self, conn: &mut Conn) -> Result<()> {
        self.compare_records(conn)?;
        let stored = editions::all(conn, self.organization)?;
        if stored != self.editions {
            self.differ("editions", format!("{} stored, {} in the log", stored.len(), self.editions.len()));
        }
        let jobs = editions::all_jobs(conn, self.organization)?;
        if jobs != self.jobs {
            self.differ("jobs", format!("{} stored, {} in the log", jobs.len(), self.jobs.len()));
        }
        self.compare_feed(conn)
    }

    fn compare_records(&mut self, conn: &mut Conn) -> Result<()> {
        let mut stored = records::all(conn, self.organization)?;
        for ((kind, id), (version, rebuilt, _)) in std::mem::take(&mut self.records) {
            let record_kind = RecordKind::parse(&kind).ok_or_else(|| StoreError::corrupt("record")(&kind))?;
            let expected = (version, records::belongs_to(record_kind, &rebuilt), records::text(&rebuilt)?);
            match stored.remove(&(kind.clone(), id)) {
                Some(found) if found == expected => {}
                Some(_) => {
                    self.differ("record", format!("{kind} {} is stored otherwise than the log says", id.0))
                }
                None => self.differ("record", format!("{kind} {} is missing", id.0)),
            }
        }
        for (kind, id) in stored.into_keys() {
            self.differ("record", format!("{kind} {} is not in the log", id.0));
        }
        Ok(())
    }

    /// Every row has at least one line, and every line says of its row what the row says.
    fn compare_feed(&mut self, conn: &mut Conn) -> Result<()> {
        let mut told = BTreeSet::new();
        let mut seq = 0;
        loop {
            let lines: Vec<FeedRow> = feed::table
                .filter(feed::organization.eq(self.organization))
                .filter(feed::seq.gt(seq))
                .filter(feed::seq.le(seq + PAGE))
                .select(FeedRow::as_select())
                .load(conn)?;
            for line in &lines {
                told.insert(line.seq);
                let agrees = self.lines.get(&line.seq).is_some_and(|(unit, kind, record)| {
                    *unit == line.unit_id
                        && (matches!(line.kind.as_str(), "enter" | "leave") && *unit == Some(line.record_id)
                            || *kind == line.kind && *record == line.record_id)
                });
                if !agrees {
                    self.differ("feed", format!("a line of row {} says something else", line.seq));
                }
            }
            seq += PAGE;
            if seq > self.last_seq {
                break;
            }
        }
        let untold: Vec<i64> = self.lines.keys().filter(|seq| !told.contains(seq)).copied().collect();
        for seq in untold {
            self.differ("feed", format!("row {seq} is in no line"));
        }
        Ok(())
    }
}

/// Ids of all units; each is then checked under its own lock.
pub(crate) fn units(conn: &mut Conn, organization: Key) -> Result<Vec<UnitId>> {
    let ids: Vec<Key> = record::table
        .filter(record::organization.eq(organization))
        .filter(record::kind.eq(RecordKind::Unit.as_str()))
        .order(record::id)
        .select(record::id)
        .load(conn)?;
    Ok(ids.into_iter().map(Key::id).collect())
}

/// Checks the folds of one unit, under its lock.
pub(crate) fn unit(conn: &mut Conn, organization: Key, id: UnitId) -> Result<Vec<Difference>> {
    let key = Key::from(id);
    dialect::lock(conn, organization, &[(RecordKind::Unit.as_str(), key)])?;
    let mut differences = Vec::new();
    let mut differ = |what, detail| differences.push(Difference { what, detail });
    let rebuilt = from_log(conn, organization, id)?;
    let context = Context::load(conn, organization, &rebuilt.unit, &BTreeMap::new())?;
    let state = units::refold(&rebuilt.unit, &context)?;
    let Some(stored) = folds::state_of(conn, organization, key)? else {
        differ("unit state", format!("of unit {id} is missing"));
        return Ok(differences);
    };
    let mut expected_events: Vec<events::EventRow> = Vec::new();
    for (event, body) in rebuilt.unit.events.iter().zip(&rebuilt.bodies) {
        let at = super::write::instant_of(event, &state, &context);
        expected_events.push(events::EventRow::new(organization, event, at, body.clone()));
    }
    expected_events.sort_by_key(|row| (row.occurred_at, row.id));
    if events::of_unit(conn, organization, id)? != expected_events {
        differ("service events", format!("of unit {id} are stored otherwise than the log says"));
    }
    // Folded with other rules or other zone data it is out of date, which is no difference.
    if stored.folded_with == folds::folded_with() {
        let folded_at = Instant::from_micros(stored.folded_at);
        let (mut expected, _) = folds::rows(organization, &rebuilt.unit, &state, folded_at)?;
        let steps = folds::steps(&expected)?;
        let moved_to = Instant::from_micros(stored.changed_at).max(folded_at);
        expected.changed_at = moved_to.micros();
        expected.next_at = folds::next_after(&steps, moved_to).micros();
        if stored != expected {
            differ("unit state", format!("of unit {id} is stored otherwise than the log says"));
        }
        if folds::items_of(conn, organization, key)? != folds::item_rows(&expected, &steps, moved_to) {
            differ("due items", format!("of unit {id} are stored otherwise than the log says"));
        }
    }
    Ok(differences)
}

struct FromLog {
    unit: Unit,
    bodies: Vec<String>,
}

/// A unit as its rows of the log make it.
fn from_log(conn: &mut Conn, organization: Key, id: UnitId) -> Result<FromLog> {
    let mut unit = Unit { id, fields: UnitFields::default(), events: Vec::new() };
    let mut bodies = Vec::new();
    let mut merged = Record::default();
    let mut edits = BTreeSet::new();
    for row in log::of_unit(conn, organization, Key::from(id))? {
        if row.record_kind == RecordKind::ServiceEvent.as_str() {
            unit.events.push(events::read(&row.body)?);
            bodies.push(row.body);
        } else {
            let body = json::parse(row.body.as_bytes()).map_err(|e| StoreError::corrupt("log row")(&e))?;
            let edit = field_edit(&row, body)?;
            merged = merge::apply(merged, &edit, |id| edits.contains(&id)).record;
            edits.insert(edit.edit);
        }
    }
    unit.fields = records::fields(&merged, UnitFields::read)?;
    Ok(FromLog { unit, bodies })
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
        fields,
        base: base.unwrap_or_default(),
    })
}

fn content_hash(kind: RecordKind, row: &LogRow, body: &Value) -> Result<Hash> {
    let canonical = proof::canonical(body).map_err(|e| StoreError::corrupt("log row")(&e))?;
    Ok(proof::content_hash(kind, row.record_id.0, &canonical))
}

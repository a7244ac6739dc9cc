//! Recomputing every fold from the log, and reporting each difference.
//!
//! The outbox is delivery state, and so is what handsets last said and sent; what items were before is kept for a day
//! only. None of them is a fold. The records of handsets are.

mod unit;

use std::collections::{BTreeMap, BTreeSet};

use diesel::prelude::*;
use model::{edit::RecordKind, private::SEALED};
use proof::Hash;
use serde_json::Value;

pub(crate) use self::unit::{unit, units};
use super::super::Conn;
use super::{
    contexts::{self, ContextId, Versions},
    editions, events, external_ids,
    held::{self, HeldRow},
    kin,
    log::{self, FeedRow, LogRow},
    model_adoptions, organizations,
    private_texts::{self, Texts},
    records,
    replay::{self, Remade},
    schema::feed,
    scope,
};
use crate::{
    body::{HELD_BODY, private_pointers},
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
            // What cannot be read is one difference, and the check goes on.
            if let Err(error) = replay.row(row, &texts) {
                replay.differ("change log", format!("row {}: {error}", row.seq));
            }
        }
        replay.compare_record_lines(conn, &rows)?;
    }
    let counter = organizations::counter(conn, organization)?.ok_or(StoreError::NoOrganization)?;
    if counter != (replay.last_seq, replay.last_recorded_at) {
        replay
            .differ("change log", format!("ends at row {}, the counter says {}", replay.last_seq, counter.0));
    }
    let texts = private_texts::count_logged(conn, organization)?;
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
    records: BTreeMap<(String, Key), Remade>,
    editions: BTreeMap<Key, (Key, String)>,
    jobs: BTreeSet<String>,
    model_adoptions: BTreeMap<Key, (Key, String)>,
    contexts: Versions,
    kin: kin::Groups,
    held: BTreeMap<Key, HeldRow>,
    texts: i64,
    lines: i64,
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
        let body = replay::body_of(row)?;
        let kind = RecordKind::parse(&row.record_kind)
            .ok_or_else(|| StoreError::corrupt("log row")(&row.record_kind))?;
        let counts = row.is_accepted();
        if row.row_kind == log::HELD {
            self.held.insert(row.edit_id, HeldRow::of(row));
        } else {
            self.held.remove(&row.edit_id);
        }
        let body = if counts { body } else { body.get(HELD_BODY).cloned().unwrap_or_default() };
        if content_hash(kind, row, &body)?.as_bytes().as_slice() != row.content_hash.as_slice() {
            self.differ("content hash", format!("of row {}", row.seq));
        }
        if !counts && row.row_kind != log::HELD {
            return Ok(());
        }
        self.private_texts(kind, row, &body, texts);
        if !counts {
            return Ok(());
        }
        match kind {
            RecordKind::ServiceEvent if row.unit_id.is_none() => {
                let model = ContextId::of_model(&model_adoptions::read(&row.body)?.of);
                *self.contexts.entry(model).or_default() += 1;
                self.model_adoptions.insert(row.record_id, (model.key(), row.body.clone()));
            }
            RecordKind::ServiceEvent => self.kin.add(&events::read(&row.body, row.occurred_at)?),
            RecordKind::Edition => {
                let (schedule, edition) = editions::read(&row.body)?;
                self.jobs.extend(editions::jobs_of(&edition).into_iter().map(|job| job.as_str().to_owned()));
                self.editions.insert(row.record_id, (Key::from(schedule), row.body.clone()));
            }
            _ => {
                let record = self.records.entry((row.record_kind.clone(), row.record_id)).or_default();
                if kind == RecordKind::Site && record.version > 0 && body.get("zone").is_some() {
                    *self.contexts.entry(ContextId::of_site(row.record_id.id())).or_default() += 1;
                }
                record.add(row, body)?;
            }
        }
        Ok(())
    }

    /// Every commitment of a row has its text beside the log, and every text fits its commitment.
    fn private_texts(&mut self, kind: RecordKind, row: &LogRow, body: &Value, texts: &Texts) {
        for pointer in private_pointers(kind, body) {
            let committed = body.pointer(pointer).and_then(|value| value.get(SEALED)).and_then(Value::as_str);
            let Some(committed) = committed else { continue };
            let beside = texts.get(&(row.edit_id, (*pointer).to_owned()));
            // An edit that was held and released has two rows, and one text.
            self.texts += i64::from(beside.is_some() && row.row_kind != log::RELEASED);
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

    /// The lines of rows that are not about a unit: one each.
    fn compare_record_lines(&mut self, conn: &mut Conn, rows: &[LogRow]) -> Result<()> {
        let (Some(first), Some(last)) = (rows.first(), rows.last()) else { return Ok(()) };
        let mut stored: Vec<FeedRow> = feed::table
            .filter(feed::organization.eq(self.organization))
            .filter(feed::unit_id.is_null())
            .filter(feed::seq.between(first.seq, last.seq))
            .select(FeedRow::as_select())
            .load(conn)?;
        stored.sort();
        let accepted = || rows.iter().filter(|row| row.is_accepted());
        let of_records = accepted().filter(|row| row.unit_id.is_none());
        let mut expected: Vec<FeedRow> = of_records.map(scope::line_of_record).collect();
        expected.sort();
        self.lines += i64::try_from(expected.len()).unwrap_or(i64::MAX);
        let of_units: BTreeSet<(i64, Key)> =
            accepted().filter_map(|row| Some((row.seq, row.unit_id?))).collect();
        let told: Vec<(i64, Option<Key>)> = feed::table
            .filter(feed::organization.eq(self.organization))
            .filter(feed::unit_id.is_not_null())
            .filter(feed::seq.between(first.seq, last.seq))
            .select((feed::seq, feed::unit_id))
            .distinct()
            .load(conn)?;
        let told: BTreeSet<(i64, Key)> =
            told.into_iter().filter_map(|(seq, unit)| Some((seq, unit?))).collect();
        if told != of_units {
            self.differ("feed", format!("rows {} to {} are not told as the log says", first.seq, last.seq));
        }
        if stored != expected {
            self.differ(
                "feed",
                format!("lines of rows {} to {} are other than the log says", first.seq, last.seq),
            );
        }
        Ok(())
    }

    fn compare(&mut self, conn: &mut Conn) -> Result<()> {
        self.compare_records(conn)?;
        let mut waiting: Vec<HeldRow> = std::mem::take(&mut self.held).into_values().collect();
        waiting.sort_by_key(|row| row.seq);
        if held::all(conn, self.organization)? != waiting {
            self.differ("held edits", format!("{} wait by the log, or others", waiting.len()));
        }
        let stored = editions::all(conn, self.organization)?;
        if stored != self.editions {
            self.differ("editions", format!("{} stored, {} in the log", stored.len(), self.editions.len()));
        }
        let jobs = editions::all_jobs(conn, self.organization)?;
        if jobs != self.jobs {
            self.differ("jobs", format!("{} stored, {} in the log", jobs.len(), self.jobs.len()));
        }
        let stored = model_adoptions::all(conn, self.organization)?;
        if stored != self.model_adoptions {
            let detail = format!("{} stored, {} in the log", stored.len(), self.model_adoptions.len());
            self.differ("adoptions for a model", detail);
        }
        self.compare_contexts(conn)?;
        let (stored, kin) = (kin::all(conn, self.organization)?, self.kin.heads());
        if stored != kin {
            self.differ(
                "kin of units",
                format!("{} stored, {} in the log, or other groups", stored.len(), kin.len()),
            );
        }
        let of_records: i64 = feed::table
            .filter(feed::organization.eq(self.organization))
            .filter(feed::unit_id.is_null())
            .count()
            .get_result(conn)?;
        if of_records != self.lines {
            self.differ("feed", format!("{of_records} lines of records, {} in the log", self.lines));
        }
        Ok(())
    }

    /// Versions are as the log says, and those of units lie within what is known of all of them.
    fn compare_contexts(&mut self, conn: &mut Conn) -> Result<()> {
        let stored = contexts::all(conn, self.organization)?;
        let versions: Versions = stored.iter().map(|(context, (version, _))| (*context, *version)).collect();
        if versions != self.contexts {
            let detail =
                format!("{} stored, {} in the log, or other versions", versions.len(), self.contexts.len());
            self.differ("contexts", detail);
        }
        for (context, (least, most)) in contexts::range_of_units(conn, self.organization)? {
            let (version, folded) = stored.get(&context).copied().unwrap_or_default();
            if least < folded || most > version {
                let (kind, key) = (context.kind(), context.key().0);
                self.differ(
                    "contexts",
                    format!("{kind} {key}: units were folded with versions that cannot be"),
                );
            }
        }
        Ok(())
    }

    fn compare_records(&mut self, conn: &mut Conn) -> Result<()> {
        let mut stored = records::all(conn, self.organization)?;
        let mut external = Vec::new();
        for ((kind, id), rebuilt) in std::mem::take(&mut self.records) {
            let record_kind = RecordKind::parse(&kind).ok_or_else(|| StoreError::corrupt("record")(&kind))?;
            let owner = records::belongs_to(record_kind, &rebuilt.record);
            let contested = records::contested(&rebuilt.record);
            external.extend(external_ids::rows(self.organization, &kind, id, &rebuilt.record));
            let expected = (rebuilt.version, owner, records::text(&rebuilt.record)?, contested);
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
        external.sort();
        let stored = external_ids::all(conn, self.organization)?;
        if stored != external {
            let detail = format!("{} stored, {} in the log, or others", stored.len(), external.len());
            self.differ("external ids", detail);
        }
        Ok(())
    }
}

fn content_hash(kind: RecordKind, row: &LogRow, body: &Value) -> Result<Hash> {
    let canonical = proof::canonical(body).map_err(|e| StoreError::corrupt("log row")(&e))?;
    Ok(proof::content_hash(kind, row.record_id.0, &canonical))
}

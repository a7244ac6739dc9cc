//! Rows of the change log, its feed and its outbox.

use diesel::prelude::*;
use model::{
    Instant,
    edit::{RecordKind, Target},
};
use proof::Hash;
use serde::Serialize;
use uuid::Uuid;

use super::super::{
    Conn,
    dialect::{self, among},
};
use super::{
    IDS_AT_ONCE,
    folds::{self, Changed},
    schema::{change_log, feed, organization, outbox},
};
use crate::{
    error::{Result, StoreError},
    key::Key,
};

/// One row of the change log.
#[derive(Clone, Debug, Queryable, Selectable)]
#[diesel(table_name = change_log)]
pub(crate) struct LogRow {
    pub(crate) organization: Key,
    pub(crate) seq: i64,
    pub(crate) recorded_at: i64,
    pub(crate) row_kind: String,
    pub(crate) channel: String,
    pub(crate) edit_id: Key,
    pub(crate) group_id: Option<Key>,
    pub(crate) format: i32,
    pub(crate) record_kind: String,
    pub(crate) record_id: Key,
    pub(crate) unit_id: Option<Key>,
    pub(crate) base: Option<String>,
    pub(crate) author: Key,
    pub(crate) on_behalf_of: Option<Key>,
    pub(crate) handset: Option<Key>,
    pub(crate) handset_edit: Option<i64>,
    pub(crate) stamp_raw: String,
    pub(crate) stamp_effective: String,
    pub(crate) occurred_raw: Option<String>,
    pub(crate) occurred_at: Option<i64>,
    pub(crate) occurred_source: Option<String>,
    pub(crate) occurred_precision: Option<String>,
    pub(crate) body: String,
    pub(crate) content_hash: Vec<u8>,
    pub(crate) leaf_hash: Vec<u8>,
}

/// The kind of row that an edit makes which counts at once.
pub(crate) const EDIT: &str = "edit";
/// The kind of row that an edit makes which waits for a person.
pub(crate) const HELD: &str = "held";
/// The kind of row by which a person lets an edit count that was held.
pub(crate) const RELEASED: &str = "released";
/// The kind of row by which a person refuses an edit that was held.
pub(crate) const REFUSED: &str = "refused";
/// The kinds of rows by which an edit counts; each edit has one of them at most.
pub(crate) const ACCEPTED: [&str; 2] = [EDIT, RELEASED];

impl LogRow {
    /// Whether its edit counts by it.
    pub(crate) fn is_accepted(&self) -> bool {
        ACCEPTED.contains(&self.row_kind.as_str())
    }

    /// Who made its edit; the row of a decision about one has whoever decided as its author.
    pub(crate) fn made_by(&self) -> Key {
        made_by(&self.row_kind, self.author, self.on_behalf_of)
    }

    /// SHA-256(0x00 ‖ canonical JSON of every other column, the body by its hash).
    pub(crate) fn leaf(&self) -> Result<Hash> {
        let corrupt = StoreError::corrupt("log row");
        let columns = Columns {
            author: self.author.0,
            base: self.base.as_deref(),
            body_hash: proof::sha256(self.body.as_bytes()),
            channel: &self.channel,
            content_hash: Hash::from_slice(&self.content_hash),
            edit_id: self.edit_id.0,
            format: self.format,
            group_id: self.group_id.map(|key| key.0),
            handset: self.handset.map(|key| key.0),
            handset_edit: self.handset_edit,
            occurred_at: self.occurred_at,
            occurred_precision: self.occurred_precision.as_deref(),
            occurred_raw: self.occurred_raw.as_deref(),
            occurred_source: self.occurred_source.as_deref(),
            on_behalf_of: self.on_behalf_of.map(|key| key.0),
            organization: self.organization.0,
            record_id: self.record_id.0,
            record_kind: &self.record_kind,
            recorded_at: self.recorded_at,
            row_kind: &self.row_kind,
            seq: self.seq,
            stamp_effective: &self.stamp_effective,
            stamp_raw: &self.stamp_raw,
            unit_id: self.unit_id.map(|key| key.0),
        };
        serde_json::to_vec(&columns).map(proof::leaf_of_bytes).map_err(|e| corrupt(&e))
    }
}

/// What a leaf covers, in the order of RFC 8785, so that what it serializes to is canonical: no number in it is beyond what a
/// double holds exactly.
#[derive(Serialize)]
struct Columns<'r> {
    author: Uuid,
    base: Option<&'r str>,
    body_hash: Hash,
    channel: &'r str,
    content_hash: Option<Hash>,
    edit_id: Uuid,
    format: i32,
    group_id: Option<Uuid>,
    handset: Option<Uuid>,
    handset_edit: Option<i64>,
    occurred_at: Option<i64>,
    occurred_precision: Option<&'r str>,
    occurred_raw: Option<&'r str>,
    occurred_source: Option<&'r str>,
    on_behalf_of: Option<Uuid>,
    organization: Uuid,
    record_id: Uuid,
    record_kind: &'r str,
    recorded_at: i64,
    row_kind: &'r str,
    seq: i64,
    stamp_effective: &'r str,
    stamp_raw: &'r str,
    unit_id: Option<Uuid>,
}

/// Who made the edit of a row of this kind.
pub(crate) fn made_by(row_kind: &str, author: Key, on_behalf_of: Option<Key>) -> Key {
    let decided = row_kind == RELEASED || row_kind == REFUSED;
    on_behalf_of.filter(|_| decided).unwrap_or(author)
}

/// One line of the feed: that a record changed, and for whom to see.
#[derive(Clone, Debug, PartialEq, Eq, PartialOrd, Ord, Queryable, Selectable)]
#[diesel(table_name = feed)]
pub(crate) struct FeedRow {
    pub(crate) organization: Key,
    pub(crate) site_id: Key,
    pub(crate) seq: i64,
    pub(crate) unit_id: Option<Key>,
    pub(crate) kind: String,
    pub(crate) record_id: Key,
}

/// Something that others will be told of.
#[derive(Clone, Debug)]
pub(crate) struct OutboxRow {
    pub(crate) organization: Key,
    pub(crate) seq: i64,
    pub(crate) ordinal: i32,
    pub(crate) kind: String,
    pub(crate) body: String,
}

/// Takes the next `count` numbers of the organization's log, and the time they are recorded at.
///
/// The last step of a write: from here to the commit the organization's other writers wait, so numbers become
/// visible in order and without gaps.
pub(crate) fn take_numbers(
    conn: &mut Conn,
    organization: Key,
    count: i64,
    now: Instant,
) -> Result<(i64, i64)> {
    let least = if count > 0 { now.micros() } else { 0 };
    let taken = diesel::update(organization::table.find(organization))
        .set((
            organization::next_seq.eq(organization::next_seq + count),
            organization::last_recorded_at.eq(dialect::later(organization::last_recorded_at, least)),
        ))
        .returning((organization::next_seq, organization::last_recorded_at))
        .get_result::<(i64, i64)>(conn)
        .optional()?;
    let (next, recorded_at) = taken.ok_or(StoreError::NoOrganization)?;
    Ok((next - count, recorded_at))
}

/// The rows by which those of these edits count that do.
pub(crate) fn of_edits(conn: &mut Conn, organization: Key, edits: &[Key]) -> Result<Vec<LogRow>> {
    let mut rows = all_of_edits(conn, organization, edits)?;
    rows.retain(LogRow::is_accepted);
    Ok(rows)
}

/// Every row about some edits, in order.
pub(crate) fn all_of_edits(conn: &mut Conn, organization: Key, edits: &[Key]) -> Result<Vec<LogRow>> {
    let mut rows = Vec::new();
    for some in edits.chunks(IDS_AT_ONCE) {
        rows.extend(
            change_log::table
                .filter(change_log::organization.eq(organization))
                .filter(among(change_log::edit_id, some.to_vec()))
                .select(LogRow::as_select())
                .load::<LogRow>(conn)?,
        );
    }
    // Asked for in order, a planner may read the whole log rather than sort a few rows.
    rows.sort_by_key(|row| row.seq);
    Ok(rows)
}

/// The number of the last row that was written together with this one; such rows stand one after another.
pub(crate) fn last_of_group(conn: &mut Conn, row: &LogRow) -> Result<i64> {
    let Some(group) = row.group_id else { return Ok(row.seq) };
    let of_organization = change_log::table.filter(change_log::organization.eq(row.organization));
    let next: Option<i64> = of_organization
        .filter(change_log::seq.gt(row.seq))
        .filter(change_log::group_id.ne(group).or(change_log::group_id.is_null()))
        .order(change_log::seq)
        .select(change_log::seq)
        .first(conn)
        .optional()?;
    if let Some(next) = next {
        return Ok(next - 1);
    }
    Ok(of_organization.order(change_log::seq.desc()).select(change_log::seq).first(conn)?)
}

/// Rows after `seq`, in order.
pub(crate) fn after(conn: &mut Conn, organization: Key, seq: i64, limit: i64) -> Result<Vec<LogRow>> {
    Ok(change_log::table
        .filter(change_log::organization.eq(organization))
        .filter(change_log::seq.gt(seq))
        .order(change_log::seq)
        .limit(limit)
        .select(LogRow::as_select())
        .load(conn)?)
}

/// All rows of one unit, in order.
pub(crate) fn of_unit(conn: &mut Conn, organization: Key, unit: Key) -> Result<Vec<LogRow>> {
    let lines = feed::table.filter(feed::organization.eq(organization)).filter(feed::unit_id.eq(unit));
    let seqs: Vec<i64> = lines.order(feed::seq).select(feed::seq).distinct().load(conn)?;
    rows(conn, organization, &seqs)
}

/// All rows of one record with fields, in order.
pub(crate) fn of_record(conn: &mut Conn, organization: Key, target: Target) -> Result<Vec<LogRow>> {
    let id = Key(target.uuid());
    let site = match target {
        Target::Unit(unit) => {
            let mut rows = of_unit(conn, organization, Key::from(unit))?;
            rows.retain(|row| row.record_kind == target.kind().as_str());
            return Ok(rows);
        }
        Target::Site(_) => id,
        _ => Key::NIL,
    };
    let lines = feed::table
        .filter(feed::organization.eq(organization))
        .filter(feed::unit_id.is_null())
        .filter(feed::site_id.eq(site))
        .filter(feed::kind.eq(target.kind().as_str()))
        .filter(feed::record_id.eq(id));
    let seqs: Vec<i64> = lines.order(feed::seq).select(feed::seq).load(conn)?;
    rows(conn, organization, &seqs)
}

/// The rows after one that the feed tells of under these lines, in order: of one unit, or of one kind of record at a site.
pub(crate) fn told_after(conn: &mut Conn, organization: Key, told: Told, after: i64) -> Result<Vec<LogRow>> {
    let lines =
        feed::table.filter(feed::organization.eq(organization)).filter(feed::seq.gt(after)).into_boxed();
    let lines = match told {
        Told::OfUnit(unit) => lines.filter(feed::unit_id.eq(unit)),
        Told::AtSite(site, kind) => lines
            .filter(feed::unit_id.is_null())
            .filter(feed::site_id.eq(site))
            .filter(feed::kind.eq(kind.as_str())),
    };
    let seqs: Vec<i64> = lines.order(feed::seq).select(feed::seq).distinct().load(conn)?;
    rows(conn, organization, &seqs)
}

/// Lines of the feed.
#[derive(Clone, Copy)]
pub(crate) enum Told {
    /// Those of a unit.
    OfUnit(Key),
    /// Those at a site, the nil one for the whole organization, of a kind of record.
    AtSite(Key, RecordKind),
}

fn rows(conn: &mut Conn, organization: Key, seqs: &[i64]) -> Result<Vec<LogRow>> {
    let mut rows = Vec::with_capacity(seqs.len());
    for some in seqs.chunks(IDS_AT_ONCE) {
        rows.extend(
            change_log::table
                .filter(change_log::organization.eq(organization))
                .filter(among(change_log::seq, some.to_vec()))
                .order(change_log::seq)
                .select(LogRow::as_select())
                .load::<LogRow>(conn)?,
        );
    }
    Ok(rows)
}

/// The first free ordinal of a number in the outbox.
pub(crate) fn next_ordinal(conn: &mut Conn, organization: Key, seq: i64) -> Result<i32> {
    let last: Option<i32> = outbox::table
        .filter(outbox::organization.eq(organization))
        .filter(outbox::seq.eq(seq))
        .select(diesel::dsl::max(outbox::ordinal))
        .first(conn)?;
    Ok(last.map_or(0, |last| last + 1))
}

/// What others will be told of changes, under the number `seq`.
pub(crate) fn outbox_rows(organization: Key, seq: i64, first: i32, told: &[Changed]) -> Vec<OutboxRow> {
    let row = |(change, ordinal): (&Changed, i32)| OutboxRow {
        organization,
        seq,
        ordinal,
        kind: folds::CHANGED.into(),
        body: change.0.clone(),
    };
    told.iter().zip(first..).map(row).collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_leaf_covers_every_column_in_its_canonical_spelling() {
        let key = |n: u128| Key(Uuid::from_u128(n));
        let text = || String::from("\u{1F600} \"é\\\u{7f}\n\u{1}/");
        let bare = LogRow {
            organization: key(1),
            seq: 9_007_199_254_740_991,
            recorded_at: -1,
            row_kind: EDIT.into(),
            channel: "sync".into(),
            edit_id: key(2),
            group_id: None,
            format: 1,
            record_kind: "unit".into(),
            record_id: key(3),
            unit_id: None,
            base: None,
            author: key(4),
            on_behalf_of: None,
            handset: None,
            handset_edit: None,
            stamp_raw: "06FCM9P2000000000000".into(),
            stamp_effective: "06FCM9P2000000000001".into(),
            occurred_raw: None,
            occurred_at: None,
            occurred_source: None,
            occurred_precision: None,
            body: "{}".into(),
            content_hash: vec![7; 32],
            leaf_hash: Vec::new(),
        };
        let full = LogRow {
            group_id: Some(key(5)),
            unit_id: Some(key(u128::MAX)),
            base: Some(text()),
            on_behalf_of: Some(key(6)),
            handset: Some(key(7)),
            handset_edit: Some(8),
            occurred_raw: Some(text()),
            occurred_at: Some(1_781_524_800_000_001),
            occurred_source: Some(text()),
            occurred_precision: Some("day".into()),
            ..bare.clone()
        };
        let hex = |key: Key| key.0.hyphenated().to_string();
        for row in [bare, full] {
            let columns = serde_json::json!({
                "organization": hex(row.organization), "seq": row.seq, "recorded_at": row.recorded_at,
                "row_kind": row.row_kind, "channel": row.channel, "edit_id": hex(row.edit_id),
                "group_id": row.group_id.map(hex), "format": row.format, "record_kind": row.record_kind,
                "record_id": hex(row.record_id), "unit_id": row.unit_id.map(hex), "base": row.base,
                "author": hex(row.author), "on_behalf_of": row.on_behalf_of.map(hex),
                "handset": row.handset.map(hex), "handset_edit": row.handset_edit, "stamp_raw": row.stamp_raw,
                "stamp_effective": row.stamp_effective, "occurred_raw": row.occurred_raw,
                "occurred_at": row.occurred_at, "occurred_source": row.occurred_source,
                "occurred_precision": row.occurred_precision, "body_hash": proof::sha256(&row.body).to_string(),
                "content_hash": "07".repeat(32),
            });
            assert_eq!(row.leaf().ok(), proof::leaf_hash(&columns).ok(), "{row:?}");
        }
    }
}

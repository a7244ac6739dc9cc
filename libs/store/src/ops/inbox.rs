//! Edits of handsets that are not in the log: parked or refused.

use std::collections::{BTreeMap, BTreeSet};

use diesel::prelude::*;
use merge::{Base, Flag};
use model::{
    EditId, Instant, PersonId,
    edit::{Action, Edit, RecordKind, Target},
    json,
    stamp::Stamp,
};
use proof::Hash;
use serde_json::Value;
use uuid::Uuid;

use super::super::{Conn, dialect::among};
use super::{
    IDS_AT_ONCE, events, inserts,
    log::LogRow,
    schema::{inbox, inbox_need},
};
use crate::{
    body::Body,
    command::Proposal,
    error::{Result, StoreError},
    key::Key,
    sent::{Group, Parked, ParkedEdit, ParkedFor, Received, Sent},
};

/// An edit waits for what it names.
pub(crate) const PARKED: &str = "parked";
/// An edit was refused, and is kept for somebody to look at it.
pub(crate) const REFUSED: &str = "refused";

/// An edit as it is kept.
#[derive(Clone, Debug, Queryable, Selectable)]
#[diesel(table_name = inbox)]
pub(crate) struct InboxRow {
    pub(crate) organization: Key,
    pub(crate) edit_id: Key,
    pub(crate) state: String,
    pub(crate) reason: String,
    pub(crate) received_at: i64,
    pub(crate) handset: Key,
    pub(crate) handset_edit: i64,
    pub(crate) author: Key,
    pub(crate) wish: String,
    pub(crate) record_kind: String,
    pub(crate) record_id: Key,
    pub(crate) base: String,
    pub(crate) stamp_raw: String,
    pub(crate) stamp_effective: String,
    pub(crate) occurred_at: Option<i64>,
    pub(crate) body: String,
    pub(crate) content_hash: Vec<u8>,
    pub(crate) chained: i64,
    pub(crate) flags: String,
    pub(crate) group_id: Option<Key>,
    pub(crate) group_size: Option<i64>,
    pub(crate) format: i64,
}

/// Something that a parked edit names.
pub(crate) struct NeedRow {
    pub(crate) organization: Key,
    pub(crate) needed: Key,
    pub(crate) edit_id: Key,
}

impl InboxRow {
    /// The body, private text sealed.
    pub(crate) fn body(&self) -> Result<Body> {
        let corrupt = StoreError::corrupt("inbox");
        let value = json::parse(self.body.as_bytes()).map_err(|e| corrupt(&e))?;
        let hash = Hash::from_slice(&self.content_hash).ok_or_else(|| corrupt(&"it has no hash"))?;
        Ok(Body { value, text: self.body.clone(), hash, sealed: Vec::new() })
    }

    /// What was fixed when it first came in.
    pub(crate) fn received(&self) -> Result<Received> {
        Ok(Received {
            at: Instant::from_micros(self.received_at),
            effective: stamp(&self.stamp_effective)?,
            occurred_at: self.occurred_at.map(Instant::from_micros),
            chained: self.chained != 0,
            flags: self.flags.split(' ').filter_map(Flag::parse).collect(),
        })
    }

    /// The group that it belongs to.
    pub(crate) fn group(&self) -> Option<Group> {
        let size = usize::try_from(self.group_size?).ok()?;
        Some(Group { id: self.group_id?.0, size })
    }

    /// Whether it makes a record.
    pub(crate) fn creates(&self) -> bool {
        self.wish == CREATE
    }

    /// Whether it was refused.
    pub(crate) fn is_refused(&self) -> bool {
        self.state == REFUSED
    }

    /// Whether nobody could read it when it came.
    pub(crate) fn is_unread(&self) -> bool {
        self.wish == UNREAD
    }

    /// The edit, to be tried again.
    fn parked(&self) -> Result<Parked> {
        let edit = if self.is_unread() {
            ParkedEdit::Unread { author: self.author.id(), text: self.body.clone() }
        } else {
            ParkedEdit::Read(self.proposal()?)
        };
        Ok(Parked { handset: self.handset.id(), edit })
    }

    fn proposal(&self) -> Result<Proposal> {
        let base: Base = serde_json::from_str(&self.base).map_err(|e| StoreError::corrupt("inbox")(&e))?;
        let sent = Sent {
            handset: self.handset.id(),
            author: self.author.id(),
            number: self.handset_edit,
            // It was counted when it first came.
            previous: None,
            raw: stamp(&self.stamp_raw)?,
            base,
            boot: None,
            exact: false,
            group: self.group(),
            received: Some(self.received()?),
            decision: None,
        };
        let action = action(&self.record_kind, self.record_id, self.creates(), &self.body)?;
        let edit = Edit { id: self.edit_id.id(), action };
        Ok(Proposal { edit, seen: None, salts: Vec::new(), sent: Some(Box::new(sent)) })
    }
}

/// The edit of a row by which it is held, to be decided about, and what is noted of it.
pub(crate) fn held_proposal(row: &LogRow, body: &Value, flags: BTreeSet<Flag>) -> Result<Proposal> {
    let corrupt = StoreError::corrupt("log row");
    let handset = row.handset.ok_or_else(|| corrupt(&"no handset sent it"))?;
    let base: Option<Base> =
        row.base.as_deref().map(serde_json::from_str).transpose().map_err(|e| corrupt(&e))?;
    let sent = Sent {
        handset: handset.id(),
        author: row.author.id(),
        number: row.handset_edit.unwrap_or_default(),
        previous: None,
        raw: stamp(&row.stamp_raw)?,
        // A record that is made has no base; one whose fields are set has one, be it of nothing.
        base: base.clone().unwrap_or_default(),
        boot: None,
        exact: false,
        group: None,
        received: Some(Received {
            at: Instant::from_micros(row.recorded_at),
            effective: stamp(&row.stamp_effective)?,
            occurred_at: row.occurred_at.map(Instant::from_micros),
            chained: row.handset_edit.is_some(),
            flags,
        }),
        decision: None,
    };
    let action = action(&row.record_kind, row.record_id, base.is_none(), &body.to_string())?;
    let edit = Edit { id: row.edit_id.id(), action };
    Ok(Proposal { edit, seen: None, salts: Vec::new(), sent: Some(Box::new(sent)) })
}

fn action(kind: &str, id: Key, creates: bool, body: &str) -> Result<Action> {
    let corrupt = StoreError::corrupt("kept edit");
    let target = match RecordKind::parse(kind) {
        Some(RecordKind::ServiceEvent) => return Ok(Action::Event(Box::new(events::read(body, None)?))),
        Some(RecordKind::Unit) => Target::Unit(id.id()),
        Some(RecordKind::Site) => Target::Site(id.id()),
        _ => return Err(corrupt(&kind)),
    };
    let Value::Object(fields) = json::parse(body.as_bytes()).map_err(|e| corrupt(&e))? else {
        return Err(corrupt(&"fields are no object"));
    };
    Ok(if creates { Action::Create { target, fields } } else { Action::Set { target, fields } })
}

/// What an edit wishes: a new record, fields set, or a fact added.
const CREATE: &str = "create";
/// In the place of a wish, where nobody can read it.
pub(crate) const UNREAD: &str = "unread";

/// The word for what an action wishes.
pub(crate) fn wish(action: &Action) -> &'static str {
    match action {
        Action::Create { .. } => CREATE,
        Action::Set { .. } => "set",
        Action::Event(_) | Action::ModelAdoption(_) | Action::Edition { .. } => "add",
    }
}

fn stamp(text: &str) -> Result<Stamp> {
    Stamp::parse(text).map_err(|e| StoreError::corrupt("inbox")(&e))
}

/// Those of these edits that are here.
pub(crate) fn of_edits(conn: &mut Conn, organization: Key, edits: &[Key]) -> Result<BTreeMap<Key, InboxRow>> {
    let mut found = BTreeMap::new();
    for some in edits.chunks(IDS_AT_ONCE) {
        let rows: Vec<InboxRow> = inbox::table
            .filter(inbox::organization.eq(organization))
            .filter(among(inbox::edit_id, some.to_vec()))
            .select(InboxRow::as_select())
            .load(conn)?;
        found.extend(rows.into_iter().map(|row| (row.edit_id, row)));
    }
    Ok(found)
}

/// Those of these edits that are parked, with the others of their groups, in the order in which their handsets made them.
pub(crate) fn parked(conn: &mut Conn, organization: Key, edits: &BTreeSet<EditId>) -> Result<Vec<Parked>> {
    let edits: Vec<Key> = edits.iter().copied().map(Key::from).collect();
    let mut found = of_edits(conn, organization, &edits)?;
    let groups: BTreeSet<(Key, Key)> =
        found.values().filter_map(|row| Some((row.handset, row.group_id?))).collect();
    for (handset, group) in groups {
        let others = parked_of_groups(conn, organization, handset, &[group])?;
        found.extend(others.into_iter().map(|row| (row.edit_id, row)));
    }
    let mut rows: Vec<InboxRow> = found.into_values().filter(|row| row.state == PARKED).collect();
    rows.sort_by_key(|row| (row.handset, row.handset_edit, row.edit_id));
    rows.iter().map(InboxRow::parked).collect()
}

/// The parked edits of a group; none while not all of it have come.
pub(crate) fn complete(
    conn: &mut Conn,
    organization: Key,
    handset: Key,
    group: Group,
) -> Result<BTreeSet<EditId>> {
    let rows = parked_of_groups(conn, organization, handset, &[Key(group.id)])?;
    let all_are_there = rows.len() >= group.size;
    Ok(rows.into_iter().filter(|_| all_are_there).map(|row| row.edit_id.id()).collect())
}

/// What is kept in a table of groups of a handset.
macro_rules! of_groups {
    ($table:ident, $organization:expr, $handset:expr, $groups:expr) => {{
        let groups: Vec<Option<Key>> = $groups.iter().copied().map(Some).collect();
        $table::table
            .filter($table::organization.eq($organization))
            .filter($table::handset.eq($handset))
            .filter($table::group_id.eq_any(groups))
    }};
}
pub(crate) use of_groups;

/// The parked edits of groups of a handset.
pub(crate) fn parked_of_groups(
    conn: &mut Conn,
    organization: Key,
    handset: Key,
    groups: &[Key],
) -> Result<Vec<InboxRow>> {
    let mut found = Vec::new();
    for some in groups.chunks(IDS_AT_ONCE) {
        let kept = of_groups!(inbox, organization, handset, some).filter(inbox::state.eq(PARKED));
        found.extend(kept.select(InboxRow::as_select()).load(conn)?);
    }
    Ok(found)
}

/// The refused edits of groups of a handset, each with its group.
pub(crate) fn refused_of_groups(
    conn: &mut Conn,
    organization: Key,
    handset: Key,
    groups: &[Key],
) -> Result<Vec<(Option<Key>, Key)>> {
    let mut found = Vec::new();
    for some in groups.chunks(IDS_AT_ONCE) {
        let kept = of_groups!(inbox, organization, handset, some).filter(inbox::state.eq(REFUSED));
        found.extend(kept.select((inbox::group_id, inbox::edit_id)).load::<(Option<Key>, Key)>(conn)?);
    }
    Ok(found)
}

/// Parked edits that may be decided though nothing came that they name: they wait since before `since`, or their format
/// is known by now.
pub(crate) fn overdue(
    conn: &mut Conn,
    organization: Key,
    since: Instant,
    limit: i64,
) -> Result<BTreeSet<EditId>> {
    let missing =
        inbox::reason.eq(ParkedFor::MissingParent.as_str()).and(inbox::received_at.lt(since.micros()));
    let known = inbox::reason
        .eq(ParkedFor::NewerFormat.as_str())
        .and(inbox::format.le(i64::from(model::edit::FORMAT)));
    let edits: Vec<Key> = inbox::table
        .filter(inbox::organization.eq(organization))
        .filter(inbox::state.eq(PARKED))
        .filter(missing.or(known))
        .order((inbox::received_at, inbox::edit_id))
        .limit(limit)
        .select(inbox::edit_id)
        .load(conn)?;
    Ok(edits.into_iter().map(Key::id).collect())
}

/// Keeps edits, new ones or such as are here already; of parked ones also what they name.
pub(crate) fn keep(conn: &mut Conn, rows: &[InboxRow]) -> Result<()> {
    inserts::inbox(conn, rows)?;
    let needs: Result<Vec<Vec<NeedRow>>> =
        rows.iter().filter(|row| row.state == PARKED).map(needs_of).collect();
    let needs: Vec<NeedRow> = needs?.into_iter().flatten().collect();
    inserts::inbox_needs(conn, &needs)?;
    Ok(())
}

/// Takes edits out that are in the log now.
pub(crate) fn remove(conn: &mut Conn, organization: Key, edits: &[Key]) -> Result<()> {
    for some in edits.chunks(IDS_AT_ONCE) {
        let needs = inbox_need::table.filter(inbox_need::organization.eq(organization));
        diesel::delete(needs.filter(inbox_need::edit_id.eq_any(some.to_vec()))).execute(conn)?;
        let kept = inbox::table.filter(inbox::organization.eq(organization));
        diesel::delete(kept.filter(among(inbox::edit_id, some.to_vec()))).execute(conn)?;
    }
    Ok(())
}

/// The parked edits that name something that has come.
pub(crate) fn waiting_for(conn: &mut Conn, organization: Key, come: &[Key]) -> Result<BTreeSet<EditId>> {
    let mut found = BTreeSet::new();
    for some in come.chunks(IDS_AT_ONCE) {
        let edits: Vec<Key> = inbox_need::table
            .filter(inbox_need::organization.eq(organization))
            .filter(among(inbox_need::needed, some.to_vec()))
            .select(inbox_need::edit_id)
            .load(conn)?;
        found.extend(edits.into_iter().map(Key::id));
    }
    Ok(found)
}

/// The parked edits of somebody whose grants have changed.
pub(crate) fn of_author(conn: &mut Conn, organization: Key, author: PersonId) -> Result<BTreeSet<EditId>> {
    let edits: Vec<Key> = inbox::table
        .filter(inbox::organization.eq(organization))
        .filter(inbox::author.eq(Key::from(author)))
        .filter(inbox::state.eq(PARKED))
        .select(inbox::edit_id)
        .load(conn)?;
    Ok(edits.into_iter().map(Key::id).collect())
}

/// Everything that an edit names by an id, and what it is about.
fn needs_of(row: &InboxRow) -> Result<Vec<NeedRow>> {
    if row.is_unread() {
        return Ok(Vec::new());
    }
    let body = json::parse(row.body.as_bytes()).map_err(|e| StoreError::corrupt("inbox")(&e))?;
    let mut named = BTreeSet::from([row.record_id]);
    name_ids(&body, &mut named);
    named.remove(&row.edit_id);
    let need = |needed| NeedRow { organization: row.organization, needed, edit_id: row.edit_id };
    Ok(named.into_iter().map(need).collect())
}

fn name_ids(value: &Value, named: &mut BTreeSet<Key>) {
    match value {
        Value::String(text) => named.extend(Uuid::try_parse(text).ok().map(Key)),
        Value::Array(values) => values.iter().for_each(|value| name_ids(value, named)),
        Value::Object(members) => members.values().for_each(|value| name_ids(value, named)),
        Value::Null | Value::Bool(_) | Value::Number(_) => {}
    }
}

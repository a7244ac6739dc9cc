//! Edits that wait for a person.

use diesel::prelude::*;
use merge::Reason;
use model::{EditId, Instant, SiteId};

use super::super::Conn;
use super::{
    IDS_AT_ONCE, inbox,
    log::{self, LogRow},
    private_texts::{self, Texts},
    replay,
    schema::held,
    scope,
};
use crate::{
    body::{HELD_BODY, HELD_FOR, held_flags, held_group, private_pointers},
    error::{Result, StoreError},
    key::Key,
    sent::{Decided, Decision, Held},
    view::{Page, one_more},
};

/// An edit that waits, as a row.
#[derive(Clone, Debug, PartialEq, Eq, Queryable, Selectable)]
#[diesel(table_name = held)]
pub(crate) struct HeldRow {
    pub(crate) organization: Key,
    pub(crate) seq: i64,
    pub(crate) edit_id: Key,
    pub(crate) unit_id: Option<Key>,
}

impl HeldRow {
    /// The row of an edit that the log holds back.
    pub(crate) fn of(row: &LogRow) -> Self {
        Self { organization: row.organization, seq: row.seq, edit_id: row.edit_id, unit_id: row.unit_id }
    }
}

/// Takes out edits that somebody has decided about.
pub(crate) fn remove(conn: &mut Conn, organization: Key, edits: &[Key]) -> Result<()> {
    for some in edits.chunks(IDS_AT_ONCE) {
        let waiting = held::table.filter(held::organization.eq(organization));
        diesel::delete(waiting.filter(held::edit_id.eq_any(some.to_vec()))).execute(conn)?;
    }
    Ok(())
}

/// Every edit that waits; for the rebuild.
pub(crate) fn all(conn: &mut Conn, organization: Key) -> Result<Vec<HeldRow>> {
    let rows = held::table.filter(held::organization.eq(organization)).order(held::seq);
    Ok(rows.select(HeldRow::as_select()).load(conn)?)
}

/// A page of edits that wait, the oldest first; only those about units in scope of `sites` where given.
pub(crate) fn list(
    conn: &mut Conn,
    organization: Key,
    sites: Option<&[SiteId]>,
    after: i64,
    limit: usize,
) -> Result<Page<Held>> {
    let found = match sites {
        None => next(conn, organization, after, one_more(limit))?,
        Some(sites) => in_scope(conn, organization, sites, after, limit)?,
    };
    let Page { items, more } = Page::cut(found.into_iter().map(|row| row.edit_id).collect(), limit);
    let mut rows = log::all_of_edits(conn, organization, &items)?;
    rows.retain(|row| row.row_kind == log::HELD);
    rows.sort_by_key(|row| row.seq);
    let texts = private_texts::of_edits(conn, organization, &items)?;
    let items: Result<Vec<Held>> = rows.iter().map(|row| seen(row, &texts)).collect();
    Ok(Page { items: items?, more })
}

fn next(conn: &mut Conn, organization: Key, after: i64, limit: i64) -> Result<Vec<HeldRow>> {
    Ok(held::table
        .filter(held::organization.eq(organization))
        .filter(held::seq.gt(after))
        .order(held::seq)
        .limit(limit)
        .select(HeldRow::as_select())
        .load(conn)?)
}

/// One more than `limit` about units in scope of sites, if there are as many: few wait, so all of them are looked at, some at
/// a time, and not all units of the sites.
fn in_scope(
    conn: &mut Conn,
    organization: Key,
    sites: &[SiteId],
    mut after: i64,
    limit: usize,
) -> Result<Vec<HeldRow>> {
    let mut found = Vec::new();
    while found.len() <= limit {
        let some = next(conn, organization, after, one_more(IDS_AT_ONCE))?;
        let Some(last) = some.last() else { break };
        after = last.seq;
        let units: Vec<Key> = some.iter().filter_map(|row| row.unit_id).collect();
        let seen = scope::of_units_at(conn, organization, &units, sites)?;
        found.extend(some.into_iter().filter(|row| row.unit_id.is_some_and(|unit| seen.contains(&unit))));
    }
    Ok(found)
}

/// One edit that was held, also one that somebody has decided about.
pub(crate) fn find(conn: &mut Conn, organization: Key, edit: EditId) -> Result<Option<Held>> {
    let rows = log::all_of_edits(conn, organization, &[Key::from(edit)])?;
    let Some(row) = rows.iter().find(|row| row.row_kind == log::HELD) else { return Ok(None) };
    let texts = private_texts::of_edits(conn, organization, &[row.edit_id])?;
    let decided = rows.iter().filter_map(|row| decided(row).transpose()).next().transpose()?;
    Ok(Some(Held { decided, ..seen(row, &texts)? }))
}

/// The edits of its group with which an edit is decided about, itself among them: they were held by one transaction.
pub(crate) fn with(conn: &mut Conn, organization: Key, held: Held) -> Result<Vec<Held>> {
    let Some(group) = held.group else { return Ok(vec![held]) };
    let around = i64::try_from(group.size).unwrap_or(i64::MAX);
    let mut rows = log::after(conn, organization, held.seq.saturating_sub(around), around.saturating_mul(2))?;
    let mut bodies = Vec::with_capacity(rows.len());
    for row in &rows {
        let of_group = row.row_kind == log::HELD && row.handset == Some(Key::from(held.handset));
        bodies.push(of_group && held_group(&replay::body_of(row)?) == Some(group));
    }
    let mut of_group = bodies.into_iter();
    rows.retain(|_| of_group.next().unwrap_or_default());
    let edits: Vec<Key> = rows.iter().map(|row| row.edit_id).collect();
    let texts = private_texts::of_edits(conn, organization, &edits)?;
    rows.iter().map(|row| seen(row, &texts)).collect()
}

/// The decision that a row is, if it is one.
fn decided(row: &LogRow) -> Result<Option<Decided>> {
    let decision = match row.row_kind.as_str() {
        log::RELEASED => Decision::Release,
        log::REFUSED => {
            let body = replay::body_of(row)?;
            let reason = body.get(HELD_FOR).and_then(serde_json::Value::as_str).unwrap_or_default();
            Decision::Refuse(reason.to_owned())
        }
        _ => return Ok(None),
    };
    let at = Instant::from_micros(row.recorded_at);
    Ok(Some(Decided { decision, author: row.author.id(), at }))
}

fn seen(row: &LogRow, texts: &Texts) -> Result<Held> {
    let corrupt = StoreError::corrupt("log row");
    let mut held = replay::body_of(row)?;
    let group = held_group(&held);
    let reason = held.get(HELD_FOR).and_then(serde_json::Value::as_str).and_then(Reason::parse);
    let flags = held_flags(&held);
    let mut body = held.get_mut(HELD_BODY).map(serde_json::Value::take).unwrap_or_default();
    let proposal = inbox::held_proposal(row, &body, flags.clone())?;
    let pointers = private_pointers(proposal.edit.action.kind(), &body);
    proof::unseal(&mut body, pointers, |pointer, _| {
        texts.get(&(row.edit_id, pointer.to_owned())).map(|(_, text)| text.clone())
    });
    Ok(Held {
        seq: row.seq,
        recorded_at: Instant::from_micros(row.recorded_at),
        reason: reason.ok_or_else(|| corrupt(&"it does not say why it is held"))?,
        flags,
        handset: row.handset.ok_or_else(|| corrupt(&"no handset sent it"))?.id(),
        author: row.author.id(),
        unit: row.unit_id.map(Key::id),
        group,
        proposal,
        body,
        decided: None,
    })
}

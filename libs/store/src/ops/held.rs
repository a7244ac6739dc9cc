//! Edits that wait for a person.

use diesel::prelude::*;
use merge::Reason;
use model::{EditId, Instant, SiteId};

use super::super::Conn;
use super::{
    IDS_AT_ONCE, inbox,
    log::{self, LogRow},
    private_texts, replay,
    schema::{held, unit_state},
};
use crate::{
    body::{HELD_BODY, HELD_FOR, private_pointers},
    error::{Result, StoreError},
    key::Key,
    sent::Held,
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
    let mut query = held::table
        .filter(held::organization.eq(organization))
        .filter(held::seq.gt(after))
        .order(held::seq)
        .limit(one_more(limit))
        .select(held::edit_id)
        .into_boxed();
    if let Some(sites) = sites {
        let sites: Vec<Key> = sites.iter().copied().map(Key::from).collect();
        let in_scope = unit_state::table
            .filter(unit_state::organization.eq(organization))
            .filter(unit_state::home_site.eq_any(sites.clone()).or(unit_state::standing_site.eq_any(sites)))
            .select(unit_state::unit_id.nullable());
        query = query.filter(held::unit_id.eq_any(in_scope));
    }
    let Page { items, more } = Page::<Key>::cut(query.load(conn)?, limit);
    let rows = log::all_of_edits(conn, organization, &items)?;
    let items: Result<Vec<Held>> =
        rows.iter().filter(|row| row.row_kind == log::HELD).map(|row| seen(conn, row)).collect();
    Ok(Page { items: items?, more })
}

/// One edit that was held, also one that somebody has decided about.
pub(crate) fn find(conn: &mut Conn, organization: Key, edit: EditId) -> Result<Option<Held>> {
    let rows = log::all_of_edits(conn, organization, &[Key::from(edit)])?;
    rows.iter().find(|row| row.row_kind == log::HELD).map(|row| seen(conn, row)).transpose()
}

fn seen(conn: &mut Conn, row: &LogRow) -> Result<Held> {
    let corrupt = StoreError::corrupt("log row");
    let mut held = replay::body_of(row)?;
    let reason = held.get(HELD_FOR).and_then(serde_json::Value::as_str).and_then(Reason::parse);
    let mut body = held.get_mut(HELD_BODY).map(serde_json::Value::take).unwrap_or_default();
    let proposal = inbox::held_proposal(row, &body)?;
    let texts = private_texts::of_edits(conn, row.organization, &[row.edit_id])?;
    let pointers = private_pointers(proposal.edit.action.kind(), &body);
    proof::unseal(&mut body, pointers, |pointer, _| {
        texts.get(&(row.edit_id, pointer.to_owned())).map(|(_, text)| text.clone())
    });
    Ok(Held {
        seq: row.seq,
        recorded_at: Instant::from_micros(row.recorded_at),
        reason: reason.ok_or_else(|| corrupt(&"it does not say why it is held"))?,
        handset: row.handset.ok_or_else(|| corrupt(&"no handset sent it"))?.id(),
        unit: row.unit_id.map(Key::id),
        proposal,
        body,
    })
}

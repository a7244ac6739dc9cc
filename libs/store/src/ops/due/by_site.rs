//! Due items counted by the site where their units stand.

use std::collections::BTreeMap;

use diesel::{dsl::count_star, prelude::*};
use interval::{DUE_STATES, DueState};
use model::SiteId;

use super::super::super::Conn;
use super::super::{folds, schema::due_item};
use super::{moving, settled};
use crate::{
    error::Result,
    key::Key,
    view::{Page, SiteQuery, SiteRow},
};

/// One page of sites at which items of the list stand, each with how many are in each state.
pub(crate) fn by_site(conn: &mut Conn, query: &SiteQuery) -> Result<Page<SiteRow>> {
    let mut sites: BTreeMap<SiteId, BTreeMap<DueState, u64>> = BTreeMap::new();
    for (site, state, count) in stored(conn, query)? {
        let (state, _) = folds::words_of(&state, None)?;
        sites.entry(site.id()).or_default().insert(state, u64::try_from(count).unwrap_or(0));
    }
    for row in moving(conn, &query.filter, query.as_of)? {
        if query.after.is_none_or(|after| row.standing_site > after) {
            *sites.entry(row.standing_site).or_default().entry(row.state).or_default() += 1;
        }
    }
    let more = sites.len() > query.limit;
    let items = sites.into_iter().take(query.limit).map(|(site, counts)| SiteRow { site, counts }).collect();
    Ok(Page { items, more })
}

/// Items whose stored state holds at the list's instant, counted: all of at least one site more than a page has.
fn stored(conn: &mut Conn, query: &SiteQuery) -> Result<Vec<(Key, String, i64)>> {
    let rows = query.limit.saturating_add(1).saturating_mul(DUE_STATES.len());
    Ok(due_item::table
        .filter(settled(&query.filter, query.as_of))
        .filter(due_item::standing_site.gt(query.after.map_or(Key::NIL, Key::from)))
        .group_by((due_item::standing_site, due_item::state))
        .order((due_item::standing_site, due_item::state))
        .limit(i64::try_from(rows).unwrap_or(i64::MAX))
        .select((due_item::standing_site, due_item::state, count_star()))
        .load(conn)?)
}

//! Which units were folded with something that has changed since.

use std::{cmp::Ordering, collections::BTreeSet};

use diesel::prelude::*;
use model::UnitId;

use super::super::super::Conn;
use super::super::{
    due, folds,
    schema::{context, unit_context, unit_state},
};
use super::{ContextId, Versions, versions};
use crate::{error::Result, key::Key, view::DueFilter};

/// The states of some units.
type Units = unit_state::BoxedQuery<'static, <Conn as Connection>::Backend>;

/// Under the counter: marks those contexts as done that no unit is behind any more; says whether some are left.
pub(crate) fn settle(conn: &mut Conn, organization: Key) -> Result<bool> {
    let mut left = false;
    for (context, version) in behind(conn, organization)? {
        if units_behind(conn, organization, context, version, 1)?.is_empty() {
            diesel::update(context::table.find((organization, context.kind(), context.key())))
                .set(context::folded_version.eq(version))
                .execute(conn)?;
        } else {
            left = true;
        }
    }
    Ok(left)
}

/// Whether there may be a unit that is behind.
pub(crate) fn any_behind(conn: &mut Conn, organization: Key) -> Result<bool> {
    Ok(!behind(conn, organization)?.is_empty())
}

/// Contexts with units that may be behind, each with the version to come up to.
fn behind(conn: &mut Conn, organization: Key) -> Result<Vec<(ContextId, i64)>> {
    let rows: Vec<(String, Key, i64)> = context::table
        .filter(context::organization.eq(organization))
        .filter(context::folded_version.lt(context::version))
        .order((context::kind, context::key))
        .select((context::kind, context::key, context::version))
        .load(conn)?;
    rows.into_iter().map(|(kind, key, version)| Ok((ContextId::read(&kind, key)?, version))).collect()
}

/// At most `limit` units that were folded with an older version than this.
pub(crate) fn units_behind(
    conn: &mut Conn,
    organization: Key,
    context: ContextId,
    version: i64,
    limit: i64,
) -> Result<Vec<UnitId>> {
    let units: Vec<Key> = unit_context::table
        .filter(unit_context::organization.eq(organization))
        .filter(unit_context::kind.eq(context.kind()))
        .filter(unit_context::key.eq(context.key()))
        .filter(unit_context::version.lt(version))
        .order((unit_context::version, unit_context::unit_id))
        .limit(limit)
        .select(unit_context::unit_id)
        .load(conn)?;
    Ok(units.into_iter().map(Key::id).collect())
}

/// At most `limit` stale units: behind one of their contexts, or folded with other rules or zone data than this
/// binary's.
pub(crate) fn stale(conn: &mut Conn, organization: Key, limit: i64) -> Result<BTreeSet<UnitId>> {
    let mut found = BTreeSet::new();
    for (context, version) in behind(conn, organization)? {
        found.extend(units_behind(conn, organization, context, version, limit)?);
    }
    for way in WAYS {
        let all = unit_state::table.filter(unit_state::organization.eq(organization)).into_boxed();
        let outdated = folded_otherwise(all, *way).limit(limit).select(unit_state::unit_id);
        found.extend(outdated.load::<Key>(conn)?.into_iter().map(Key::id));
    }
    Ok(found)
}

/// At most `limit` stale units of those that `asked` gives, in each way of being stale; the others do not count.
pub(crate) fn stale_of(
    conn: &mut Conn,
    organization: Key,
    limit: i64,
    asked: impl Fn() -> Units,
) -> Result<BTreeSet<Key>> {
    let mut found = BTreeSet::new();
    for (context, version) in behind(conn, organization)? {
        let behind = unit_context::table
            .filter(unit_context::organization.eq(organization))
            .filter(unit_context::kind.eq(context.kind()))
            .filter(unit_context::key.eq(context.key()))
            .filter(unit_context::version.lt(version))
            .select(unit_context::unit_id);
        let units = asked().filter(unit_state::unit_id.eq_any(behind)).limit(limit);
        found.extend(units.select(unit_state::unit_id).load::<Key>(conn)?);
    }
    for way in WAYS {
        let outdated = folded_otherwise(asked(), *way).limit(limit);
        found.extend(outdated.select(unit_state::unit_id).load::<Key>(conn)?);
    }
    Ok(found)
}

/// Whether a unit that was folded with these versions is stale now.
pub(crate) fn are_behind(conn: &mut Conn, organization: Key, stored: &Versions) -> Result<bool> {
    let now = versions(conn, organization, &stored.keys().copied().collect())?;
    Ok(now != *stored)
}

/// How many of the units that a list asks about are stale.
pub(crate) fn pending(conn: &mut Conn, filter: &DueFilter) -> Result<usize> {
    let organization = Key::from(filter.organization);
    let mut found = BTreeSet::new();
    for (context, version) in behind(conn, organization)? {
        let mut units = unit_context::table
            .inner_join(
                unit_state::table.on(unit_state::organization
                    .eq(unit_context::organization)
                    .and(unit_state::unit_id.eq(unit_context::unit_id))),
            )
            .filter(unit_context::organization.eq(organization))
            .filter(unit_context::kind.eq(context.kind()))
            .filter(unit_context::key.eq(context.key()))
            .filter(unit_context::version.lt(version))
            .select(unit_context::unit_id)
            .into_boxed();
        if let Some(unit) = filter.unit {
            units = units.filter(unit_context::unit_id.eq(Key::from(unit)));
        }
        for sites in due::site_sets(filter) {
            units = units.filter(
                unit_state::home_site.eq_any(sites.clone()).or(unit_state::standing_site.eq_any(sites)),
            );
        }
        found.extend(units.load::<Key>(conn)?);
    }
    for way in WAYS {
        let asked = unit_state::table.filter(due::of_asked_units(filter)).into_boxed();
        let outdated = folded_otherwise(asked, *way).select(unit_state::unit_id);
        found.extend(outdated.load::<Key>(conn)?);
    }
    Ok(found.len())
}

/// Asked one after the other: planners read the whole index for both at once.
const WAYS: &[Ordering] = &[Ordering::Less, Ordering::Greater];

/// Of these units, those folded with rules and zone data whose name stands before, or after, that of this binary's.
fn folded_otherwise(of: Units, way: Ordering) -> Units {
    let with = folds::folded_with();
    if way == Ordering::Less {
        of.filter(unit_state::folded_with.lt(with))
    } else {
        of.filter(unit_state::folded_with.gt(with))
    }
}

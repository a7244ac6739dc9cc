//! What waits to be judged anew.

use std::{
    cmp::Ordering,
    collections::{BTreeMap, BTreeSet},
};

use diesel::{prelude::*, sql_types::Bool};
use model::Instant;

use super::super::super::{
    Conn,
    dialect::{SqlKey, among},
};
use super::super::{
    IDS_AT_ONCE, contexts, due,
    schema::{site_readiness, unit_readiness, unit_state},
};
use crate::{
    error::Result,
    key::Key,
    readiness::{ReadinessQuery, Waiting},
    view::DueFilter,
};

type Backend = <Conn as Connection>::Backend;
/// States of units, sites and ids of units.
type States = unit_state::BoxedQuery<'static, Backend>;
type Sites = site_readiness::BoxedQuery<'static, Backend>;
type Ids = unit_readiness::BoxedQuery<'static, Backend, SqlKey>;

/// At most `limit` units and as many sites that wait.
pub(crate) fn waiting(
    conn: &mut Conn,
    of: &DueFilter,
    with: &str,
    now: Instant,
    limit: i64,
) -> Result<Waiting> {
    Ok(Waiting {
        units: units(conn, of, with, now, limit)?.into_iter().map(Key::id).collect(),
        sites: sites(conn, of, with, now, limit)?.into_iter().map(Key::id).collect(),
    })
}

/// The units asked about whose rows may be out of date: they wait, or are stale.
pub(crate) fn pending_units(conn: &mut Conn, query: &ReadinessQuery) -> Result<BTreeSet<Key>> {
    let mut found = units(conn, &query.of, &query.judged_with, query.now, i64::MAX)?;
    found.extend(contexts::stale_of(conn, Key::from(query.of.organization), i64::MAX, || asked(&query.of))?);
    Ok(found)
}

/// The sites asked about whose rows may be out of date: they wait, or a unit that stands there does.
pub(crate) fn pending_sites(conn: &mut Conn, query: &ReadinessQuery) -> Result<BTreeSet<Key>> {
    let organization = Key::from(query.of.organization);
    let mut found = sites(conn, &query.of, &query.judged_with, query.now, i64::MAX)?;
    let units: Vec<Key> = pending_units(conn, query)?.into_iter().collect();
    for some in units.chunks(IDS_AT_ONCE) {
        let standing = unit_state::table
            .filter(unit_state::organization.eq(organization))
            .filter(among(unit_state::unit_id, some.to_vec()))
            .select(unit_state::standing_site);
        found.extend(standing.load::<Key>(conn)?);
    }
    let sets = due::site_sets(&query.of);
    found.retain(|site| sets.iter().all(|sites| sites.contains(site)));
    Ok(found)
}

fn asked(of: &DueFilter) -> States {
    unit_state::table.filter(due::of_asked_units(of)).into_boxed()
}

/// At most `limit` units for each cause of their waiting: something was recorded or time has come, the site where they stand was
/// edited, another version judges.
fn units(conn: &mut Conn, of: &DueFilter, with: &str, now: Instant, limit: i64) -> Result<BTreeSet<Key>> {
    let organization = Key::from(of.organization);
    let told = asked(of).filter(unit_state::judge_at.le(now.micros()));
    let first = told.order((unit_state::judge_at, unit_state::unit_id)).limit(limit);
    let mut found: BTreeSet<Key> = first.select(unit_state::unit_id).load(conn)?.into_iter().collect();
    for way in WAYS {
        let otherwise = unit_state::unit_id.eq_any(judged_otherwise(organization, with, way));
        let units = asked(of).filter(otherwise).limit(limit);
        found.extend(units.select(unit_state::unit_id).load::<Key>(conn)?);
    }
    found.extend(behind(conn, of, limit)?);
    Ok(found)
}

/// At most `limit` units that were judged by an older version of the record of the site where they stood then.
fn behind(conn: &mut Conn, of: &DueFilter, limit: i64) -> Result<Vec<Key>> {
    let sites: BTreeMap<Key, i64> = sites_behind(conn, of)?.into_iter().collect();
    let least = usize::try_from(limit).unwrap_or(usize::MAX);
    let mut found = Vec::new();
    // Not joined: planners reckon with a third of all sites, and read all units.
    for some in sites.keys().copied().collect::<Vec<_>>().chunks(IDS_AT_ONCE) {
        let mut units = unit_readiness::table
            .filter(unit_readiness::organization.eq(Key::from(of.organization)))
            .filter(among(unit_readiness::standing_site, some.to_vec()))
            .select((unit_readiness::unit_id, unit_readiness::standing_site, unit_readiness::site_version))
            .into_boxed();
        for sites in due::site_sets(of) {
            let home = unit_readiness::home_site.eq_any(sites.clone());
            units = units.filter(home.or(unit_readiness::standing_site.eq_any(sites)));
        }
        let rows: Vec<(Key, Key, i64)> = units.load(conn)?;
        let older = |(_, site, version): &(Key, Key, i64)| sites.get(site) > Some(version);
        found.extend(rows.iter().filter(|row| older(row)).map(|(unit, ..)| *unit));
        if found.len() >= least {
            break;
        }
    }
    found.truncate(least);
    Ok(found)
}

/// The sites of which some unit may have been judged by an older version, each with the version to come up to.
fn sites_behind(conn: &mut Conn, of: &DueFilter) -> Result<Vec<(Key, i64)>> {
    Ok(site_readiness::table
        .filter(site_readiness::organization.eq(Key::from(of.organization)))
        .filter(site_readiness::units_version.lt(site_readiness::site_version))
        .select((site_readiness::site_id, site_readiness::site_version))
        .load(conn)?)
}

fn judged_otherwise(organization: Key, with: &str, way: Ordering) -> Ids {
    let all = unit_readiness::table
        .filter(unit_readiness::organization.eq(organization))
        .select(unit_readiness::unit_id)
        .into_boxed();
    let with = with.to_owned();
    if way == Ordering::Less {
        all.filter(unit_readiness::judged_with.lt(with))
    } else {
        all.filter(unit_readiness::judged_with.gt(with))
    }
}

/// Asked one after the other: planners read the whole index for both at once.
const WAYS: [Ordering; 2] = [Ordering::Less, Ordering::Greater];

/// At most `limit` sites for each cause of their waiting.
fn sites(conn: &mut Conn, of: &DueFilter, with: &str, now: Instant, limit: i64) -> Result<BTreeSet<Key>> {
    let all = || -> Sites { site_readiness::table.filter(of_asked_sites(of)).into_boxed() };
    let told = all().filter(site_readiness::judge_at.le(now.micros()));
    let first = told.order((site_readiness::judge_at, site_readiness::site_id)).limit(limit);
    let mut found: BTreeSet<Key> = first.select(site_readiness::site_id).load(conn)?.into_iter().collect();
    for way in WAYS {
        let with = with.to_owned();
        let otherwise = match way {
            Ordering::Less => all().filter(site_readiness::judged_with.lt(with)),
            _ => all().filter(site_readiness::judged_with.gt(with)),
        };
        found.extend(otherwise.limit(limit).select(site_readiness::site_id).load::<Key>(conn)?);
    }
    Ok(found)
}

/// What a row of a site must fulfil.
pub(super) type SiteCondition = Box<dyn BoxableExpression<site_readiness::table, Backend, SqlType = Bool>>;

/// That a list asks about a site.
pub(super) fn of_asked_sites(of: &DueFilter) -> SiteCondition {
    let mut all: SiteCondition = Box::new(site_readiness::organization.eq(Key::from(of.organization)));
    for sites in due::site_sets(of) {
        all = Box::new(all.and(site_readiness::site_id.eq_any(sites)));
    }
    all
}

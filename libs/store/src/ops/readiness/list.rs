//! Lists of verdicts as they are kept.

use std::collections::{BTreeMap, BTreeSet};

use diesel::{prelude::*, sql_types::Bool};
use model::Instant;

use super::super::super::{Conn, dialect::among};
use super::super::{
    IDS_AT_ONCE, due,
    schema::{site_readiness, unit_readiness, unit_state},
};
use super::{UnitRow, until, waiting::of_asked_sites};
use crate::{
    error::Result,
    key::Key,
    readiness::{self, Listed, ReadinessQuery, VERDICTS},
    view::{Page, one_more},
};

/// What a row of a unit must fulfil.
type Condition =
    Box<dyn BoxableExpression<unit_readiness::table, <Conn as Connection>::Backend, SqlType = Bool>>;

/// A page of verdicts on units. Of a unit that has moved meanwhile nobody is told who may not see it where it is now.
pub(crate) fn units(conn: &mut Conn, query: &ReadinessQuery) -> Result<Listed<readiness::UnitRow>> {
    let mut rows = Vec::new();
    for verdict in verdicts(query) {
        rows.extend(page(conn, query, verdict)?);
    }
    rows.sort_by_key(|row| row.unit_id);
    let Page { items, more } = Page::cut(rows, query.limit);
    let last = items.last().map(|row| row.unit_id.0);
    let now = states(conn, query, items.iter().map(|row| row.unit_id).collect())?;
    let sets = due::site_sets(&query.of);
    let told = items.into_iter().filter_map(|row| {
        let state = now.get(&row.unit_id)?;
        let touches = |sites: &Vec<Key>| sites.contains(&state.home) || sites.contains(&state.standing);
        sets.iter().all(touches).then(|| readiness::UnitRow {
            unit: row.unit_id.id(),
            home_site: state.home.id(),
            standing_site: state.standing.id(),
            judged_at: Instant::from_micros(row.judged_at),
            until: until(row.next_at),
            waits: state.judge_at <= query.now.micros() || row.judged_with != query.judged_with,
            verdict: row.verdict.into_owned(),
            told: row.reasons,
        })
    });
    Ok(Listed { items: told.collect(), last, more })
}

/// One verdict at a time: the index has the order of a page only within a verdict.
fn verdicts(query: &ReadinessQuery) -> BTreeSet<&'static str> {
    if query.verdicts.is_empty() {
        VERDICTS.into_iter().collect()
    } else {
        query.verdicts.iter().copied().collect()
    }
}

fn page(conn: &mut Conn, query: &ReadinessQuery, verdict: &'static str) -> Result<Vec<UnitRow>> {
    let mut all: Condition = Box::new(
        unit_readiness::organization
            .eq(Key::from(query.of.organization))
            .and(unit_readiness::verdict.eq(verdict)),
    );
    for sites in due::site_sets(&query.of) {
        let lent = unit_readiness::home_site
            .ne(unit_readiness::standing_site)
            .and(unit_readiness::home_site.eq_any(sites.clone()));
        all = Box::new(all.and(unit_readiness::standing_site.eq_any(sites).or(lent)));
    }
    if let Some(after) = query.after {
        all = Box::new(all.and(unit_readiness::unit_id.gt(Key(after))));
    }
    Ok(unit_readiness::table
        .filter(all)
        .order(unit_readiness::unit_id)
        .limit(one_more(query.limit))
        .select(UnitRow::as_select())
        .load(conn)?)
}

/// What of a unit's state a list tells.
struct State {
    home: Key,
    standing: Key,
    judge_at: i64,
}

fn states(conn: &mut Conn, query: &ReadinessQuery, units: Vec<Key>) -> Result<BTreeMap<Key, State>> {
    let mut found = BTreeMap::new();
    for some in units.chunks(IDS_AT_ONCE) {
        let rows: Vec<(Key, Key, Key, i64)> = unit_state::table
            .filter(unit_state::organization.eq(Key::from(query.of.organization)))
            .filter(among(unit_state::unit_id, some.to_vec()))
            .select((
                unit_state::unit_id,
                unit_state::home_site,
                unit_state::standing_site,
                unit_state::judge_at,
            ))
            .load(conn)?;
        let states = rows.into_iter();
        found.extend(
            states.map(|(unit, home, standing, judge_at)| (unit, State { home, standing, judge_at })),
        );
    }
    Ok(found)
}

/// A page of verdicts on sites, those of them that are `pending` marked.
pub(crate) fn sites(
    conn: &mut Conn,
    query: &ReadinessQuery,
    pending: &BTreeSet<Key>,
) -> Result<Listed<readiness::SiteRow>> {
    let mut rows = Vec::new();
    for verdict in verdicts(query) {
        rows.extend(page_of_sites(conn, query, verdict)?);
    }
    rows.sort_by_key(|(site, ..)| *site);
    let Page { items, more } = Page::cut(rows, query.limit);
    let last = items.last().map(|(site, ..)| site.0);
    let told = items.into_iter().map(|(site, verdict, judged_at, next_at, answer)| readiness::SiteRow {
        site: site.id(),
        verdict: verdict.to_owned(),
        judged_at: Instant::from_micros(judged_at),
        until: until(next_at),
        waits: pending.contains(&site),
        told: answer,
    });
    Ok(Listed { items: told.collect(), last, more })
}

type SiteRow = (Key, &'static str, i64, i64, String);

fn page_of_sites(conn: &mut Conn, query: &ReadinessQuery, verdict: &'static str) -> Result<Vec<SiteRow>> {
    let mut all = site_readiness::table
        .filter(of_asked_sites(&query.of))
        .filter(site_readiness::verdict.eq(verdict))
        .into_boxed();
    if let Some(after) = query.after {
        all = all.filter(site_readiness::site_id.gt(Key(after)));
    }
    let rows: Vec<(Key, i64, i64, String)> = all
        .order(site_readiness::site_id)
        .limit(one_more(query.limit))
        .select((
            site_readiness::site_id,
            site_readiness::judged_at,
            site_readiness::next_at,
            site_readiness::answer,
        ))
        .load(conn)?;
    let row = |(site, judged_at, next_at, answer)| (site, verdict, judged_at, next_at, answer);
    Ok(rows.into_iter().map(row).collect())
}

//! Lists of due items about another time, or by what was known at another time: every unit is folded for them.

use std::{
    cmp::Reverse,
    collections::{BTreeMap, BTreeSet},
};

use interval::{DueState, edition_in, state_in};
use model::{SiteId, UnitId};

use super::super::super::Conn;
use super::super::then;
use super::moving::wanted;
use crate::{
    error::Result,
    key::Key,
    view::{
        DueFilter, DuePlace, DueRow, Folding, Moment, Page, SiteRow, SiteThenQuery, Then, ThenQuery, UnitDue,
    },
};

/// One page of a list.
pub(crate) fn list(conn: &mut Conn, query: &ThenQuery) -> Result<Folding<Page<DueRow>>> {
    let ThenQuery { filter, moment, .. } = query;
    let Folding::Done(Then { known_seq, answer: mut rows }) = rows(conn, filter, *moment)? else {
        return Ok(Folding::TooMany);
    };
    if query.descending {
        rows.sort_by(|a, b| Reverse(&a.place).cmp(&Reverse(&b.place)));
        rows.retain(|row| query.after.as_ref().is_none_or(|after| row.place < *after));
    } else {
        rows.sort_by(|a, b| a.place.cmp(&b.place));
        rows.retain(|row| query.after.as_ref().is_none_or(|after| row.place > *after));
    }
    Ok(Folding::Done(Then { known_seq, answer: Page::cut(rows, query.limit) }))
}

/// One page of sites at which items of a list stand, each with how many are in each state.
pub(crate) fn by_site(conn: &mut Conn, query: &SiteThenQuery) -> Result<Folding<Page<SiteRow>>> {
    let Folding::Done(Then { known_seq, answer: rows }) = rows(conn, &query.filter, query.moment)? else {
        return Ok(Folding::TooMany);
    };
    let mut sites: BTreeMap<SiteId, BTreeMap<DueState, u64>> = BTreeMap::new();
    for row in rows.iter().filter(|row| query.after.is_none_or(|after| row.standing_site > after)) {
        *sites.entry(row.standing_site).or_default().entry(row.state).or_default() += 1;
    }
    let sites = sites.into_iter().map(|(site, counts)| SiteRow { site, counts }).collect();
    Ok(Folding::Done(Then { known_seq, answer: Page::cut(sites, query.limit) }))
}

/// Every line of a list, in no order.
pub(super) fn rows(conn: &mut Conn, filter: &DueFilter, moment: Moment) -> Result<Folding<Vec<DueRow>>> {
    let organization = Key::from(filter.organization);
    let Some(units) = then::candidates(conn, filter, None)? else { return Ok(Folding::TooMany) };
    let known_seq = then::known_seq(conn, organization, moment.known)?;
    let answer = rows_of(conn, filter, &units, moment, known_seq)?;
    Ok(Folding::Done(Then { known_seq, answer }))
}

/// The lines of some units that are on a list, by the rows of the log up to `known_seq`, in no order.
pub(super) fn rows_of(
    conn: &mut Conn,
    filter: &DueFilter,
    units: &BTreeSet<UnitId>,
    moment: Moment,
    known_seq: i64,
) -> Result<Vec<DueRow>> {
    let organization = Key::from(filter.organization);
    let mut rows = Vec::new();
    for (id, unit) in then::units(conn, organization, units, moment, known_seq)? {
        rows.extend(lines(id, &unit, moment).into_iter().filter(|row| wanted(row, filter)));
    }
    if let Some(site) = filter.site {
        rows.retain(|row| row.home_site == site || row.standing_site == site);
    }
    Ok(rows)
}

/// The lines of one unit.
fn lines(id: UnitId, unit: &UnitDue, moment: Moment) -> Vec<DueRow> {
    let standing_site = unit.state.site_at(moment.at);
    let items = if unit.machine == id { unit.state.steps_from(moment.at) } else { Vec::new() };
    let editions = unit.state.in_force_from(moment.at);
    let line = |item: &interval::ItemSteps| {
        let step = state_in(&item.steps, moment.at)?;
        Some(DueRow {
            place: DuePlace::of(id, &item.key, step.due_at),
            home_site: unit.home_site,
            standing_site,
            state: step.state,
            reason: step.reason,
            until: step.until,
            edition: edition_in(&editions, item.key.schedule, moment.at),
        })
    };
    items.iter().filter_map(line).collect()
}

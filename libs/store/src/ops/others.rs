//! Other units, one of which a doubtful reading may belong to.

use std::collections::{BTreeMap, BTreeSet};

use diesel::prelude::*;
use model::{SiteId, UnitId};

use super::super::Conn;
use super::{
    contexts, due,
    schema::{unit_context, unit_state},
    then,
};
use crate::{
    error::Result,
    key::Key,
    view::{DueFilter, FOLDED_MOST, Moment, UnitDue},
};

/// Units beside `unit` that the asker may see, each folded: those that stand at `site` first, and so many that they can
/// be folded for one answer.
pub(crate) fn beside(
    conn: &mut Conn,
    filter: &DueFilter,
    unit: UnitId,
    site: SiteId,
    moment: Moment,
) -> Result<BTreeMap<UnitId, UnitDue>> {
    let organization = Key::from(filter.organization);
    let at_site = unit_context::table
        .filter(unit_context::organization.eq(organization))
        .filter(unit_context::kind.eq(contexts::SITE))
        .filter(unit_context::key.eq(Key::from(site)))
        .select(unit_context::unit_id);
    let most = i64::try_from(FOLDED_MOST).unwrap_or(i64::MAX);
    let here: Vec<Key> = unit_state::table
        .filter(due::of_asked_units(filter))
        .filter(unit_state::unit_id.ne(Key::from(unit)))
        .filter(unit_state::unit_id.eq_any(at_site))
        .filter(unit_state::standing_site.eq(Key::from(site)))
        .limit(most)
        .select(unit_state::unit_id)
        .load(conn)?;
    let mut found: BTreeSet<UnitId> = here.into_iter().map(Key::id).collect();
    let anywhere: Vec<Key> = unit_state::table
        .filter(due::of_asked_units(filter))
        .filter(unit_state::unit_id.ne(Key::from(unit)))
        .order(unit_state::unit_id)
        .limit(most)
        .select(unit_state::unit_id)
        .load(conn)?;
    for other in anywhere {
        if found.len() < FOLDED_MOST {
            found.insert(other.id());
        }
    }
    let known_seq = then::known_seq(conn, organization, moment.known)?;
    then::units(conn, organization, &found, moment, known_seq)
}

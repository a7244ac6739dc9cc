//! Whether units and sites are ready, as it was judged last, and which of them wait to be judged anew.
//!
//! A unit waits from `unit_state.judge_at` on, which whatever writes its state sets to 0 and judging sets to the verdict's end.
//! It waits, too, while it was judged by an older version of the record of the site where it stands than `site_readiness`
//! knows of: so an edit of a site writes one row, and locks no unit.
//!
//! No edit is missed, since a unit is judged under its own lock and those of the site where it stands and of that where it stood
//! when it was judged last, and a site under its own: whoever edits has one of these locks.

mod judging;
mod list;
mod seen;
mod waiting;

use std::borrow::Cow;

use diesel::prelude::*;
use model::{Instant, Kilowatts, edit::RecordKind};

pub(crate) use self::{
    judging::{judge_site, judge_unit},
    list::{sites, units},
    waiting::{pending_sites, pending_units, waiting},
};
use super::super::{Conn, dialect::among};
use super::{
    IDS_AT_ONCE, inserts,
    records::RecordRow,
    schema::{unit_readiness, unit_state},
};
use crate::{error::Result, key::Key};

/// The verdict on a unit as it is stored.
#[derive(Clone, Debug, PartialEq, Eq, Queryable, Selectable)]
#[diesel(table_name = unit_readiness)]
pub(crate) struct UnitRow {
    pub(crate) organization: Key,
    pub(crate) unit_id: Key,
    pub(crate) home_site: Key,
    pub(crate) standing_site: Key,
    pub(crate) verdict: Cow<'static, str>,
    pub(crate) capacity: Option<i64>,
    pub(crate) next_at: i64,
    pub(crate) judged_at: i64,
    pub(crate) judged_with: String,
    pub(crate) site_version: i64,
    pub(crate) reasons: String,
}

/// That a site has to be judged anew, by this version of its record.
pub(crate) struct SiteWaitRow {
    pub(crate) organization: Key,
    pub(crate) site_id: Key,
    pub(crate) site_version: i64,
    /// Of a new row, the version that the units have reached: at a new site there is none that was judged before.
    pub(crate) units_version: i64,
}

/// Has the sites among records that were written judged anew, and the units that stand there.
pub(crate) fn sites_wait(conn: &mut Conn, records: &[RecordRow]) -> Result<()> {
    let sites = records.iter().filter(|row| row.kind == RecordKind::Site.as_str());
    let rows: Vec<SiteWaitRow> = sites
        .map(|row| SiteWaitRow {
            organization: row.organization,
            site_id: row.id,
            site_version: row.version,
            units_version: i64::from(row.version == 1),
        })
        .collect();
    Ok(inserts::site_waits(conn, &rows)?)
}

/// Has units judged anew whose fields were set though nothing that is due follows from them.
pub(crate) fn units_wait(conn: &mut Conn, organization: Key, units: &[Key]) -> Result<()> {
    for some in units.chunks(IDS_AT_ONCE) {
        let waiting = unit_state::table
            .filter(unit_state::organization.eq(organization))
            .filter(among(unit_state::unit_id, some.to_vec()));
        diesel::update(waiting).set(unit_state::judge_at.eq(0)).execute(conn)?;
    }
    Ok(())
}

/// When something holds until, as it is stored.
fn stored_until(until: Option<Instant>) -> i64 {
    until.unwrap_or(Instant::LAST).micros()
}

fn until(stored: i64) -> Option<Instant> {
    (stored < Instant::LAST.micros()).then(|| Instant::from_micros(stored))
}

fn capacity(stored: Option<i64>) -> Option<Kilowatts> {
    stored.map(Kilowatts::from_hundredths)
}

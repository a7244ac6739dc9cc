//! All that is known of a unit or a site, for whoever judges it.

use model::{Instant, SiteId, edit::Target, site::SiteFields};

use super::super::super::Conn;
use super::super::{
    records, story,
    units::{Context, Unit},
};
use crate::{
    error::Result,
    key::Key,
    readiness::UnitSeen,
    view::{Known, Moment},
};

/// The record of a site: its version and its fields.
pub(super) fn site_of(conn: &mut Conn, organization: Key, site: SiteId) -> Result<Option<(i64, SiteFields)>> {
    let stored = records::find(conn, organization, Target::Site(site))?;
    stored.map(|stored| Ok((stored.version, records::fields(&stored.record, SiteFields::read)?))).transpose()
}

/// What is known of a unit that stands at a site with these fields; nothing where it is retired, or where its machine goes by
/// another unit.
pub(super) fn of_unit(
    conn: &mut Conn,
    organization: Key,
    unit: &Unit,
    site: SiteFields,
    now: Instant,
) -> Result<Option<UnitSeen>> {
    if unit.fields.retired.is_some() {
        return Ok(None);
    }
    let context = Context::of_unit(conn, organization, unit)?;
    let moment = Moment { at: now, until: false, known: Known::All };
    let (story, ahead) = story::of(unit, &context, moment, |_| Ok(site))?;
    let goes_by_itself = story.due.machine == unit.id;
    Ok(goes_by_itself.then_some(UnitSeen { story, ahead, now }))
}

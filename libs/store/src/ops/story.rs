//! Units with all that happened to them, at a moment.

use std::collections::{BTreeMap, BTreeSet, btree_map::Entry};

use model::{Instant, SiteId, UnitId, Zone, edit::Target, site::SiteFields};

use super::super::Conn;
use super::{
    records, replay,
    then::{self, Loaded},
    units::{self, Context, Told, Unit},
};
use crate::{
    error::{Result, StoreError},
    key::Key,
    view::{DueFilter, Folding, Known, Moment, SiteStory, Then, UnitStory},
};

/// One unit; none where there was no such unit.
pub(crate) fn unit(
    conn: &mut Conn,
    organization: Key,
    id: UnitId,
    moment: Moment,
) -> Result<Option<Then<UnitStory>>> {
    let known_seq = then::known_seq(conn, organization, moment.known)?;
    let found = units(conn, organization, &BTreeSet::from([id]), moment, known_seq)?;
    Ok(found.into_iter().next().map(|answer| Then { known_seq, answer }))
}

/// A site and the units that stood there, or with `standing` not asked for, those that ever did by then; none where there was no such site, or where the units are too many.
pub(crate) fn site(
    conn: &mut Conn,
    filter: &DueFilter,
    id: SiteId,
    moment: Moment,
    standing: bool,
) -> Result<Option<Folding<SiteStory>>> {
    let organization = Key::from(filter.organization);
    let known_seq = then::known_seq(conn, organization, moment.known)?;
    let Some(fields) = site_fields(conn, organization, id, known_seq)? else { return Ok(None) };
    let filter = DueFilter { site: Some(id), ..filter.clone() };
    let now = standing && !moment.until && moment.known == Known::All;
    let Some(candidates) = then::candidates(conn, &filter, now.then_some(id))? else {
        return Ok(Some(Folding::TooMany));
    };
    let mut units = units(conn, organization, &candidates, moment, known_seq)?;
    units.retain(|unit| {
        let stands = unit.site == id && unit.fields.retired.is_none();
        unit.due.machine == unit.id && (stands || !standing)
    });
    Ok(Some(Folding::Done(Then { known_seq, answer: SiteStory { id, fields, units } })))
}

/// The units that ever stood at one of some sites, or any where none are named, by what is known.
pub(crate) fn ever_standing(
    conn: &mut Conn,
    filter: &DueFilter,
    sites: Option<&BTreeSet<SiteId>>,
    moment: Moment,
) -> Result<Folding<Vec<UnitStory>>> {
    let organization = Key::from(filter.organization);
    let Some(candidates) = then::ever_standing(conn, filter, sites)? else { return Ok(Folding::TooMany) };
    let known_seq = then::known_seq(conn, organization, moment.known)?;
    let mut units = units(conn, organization, &candidates, moment, known_seq)?;
    units.retain(|unit| unit.due.machine == unit.id);
    Ok(Folding::Done(Then { known_seq, answer: units }))
}

/// All units that `filter` asks about, `most` at most, as they are now.
pub(crate) fn fleet(
    conn: &mut Conn,
    filter: &DueFilter,
    moment: Moment,
    most: usize,
) -> Result<Folding<Vec<UnitStory>>> {
    let organization = Key::from(filter.organization);
    let Some(candidates) = then::at_most(conn, filter, None, most)? else { return Ok(Folding::TooMany) };
    let known_seq = then::known_seq(conn, organization, moment.known)?;
    let mut units = units(conn, organization, &candidates, moment, known_seq)?;
    units.retain(|unit| unit.due.machine == unit.id && unit.fields.retired.is_none());
    Ok(Folding::Done(Then { known_seq, answer: units }))
}

fn units(
    conn: &mut Conn,
    organization: Key,
    ids: &BTreeSet<UnitId>,
    moment: Moment,
    known_seq: i64,
) -> Result<Vec<UnitStory>> {
    let (known, context): Loaded = then::loaded(conn, organization, ids, known_seq)?;
    let mut sites: BTreeMap<SiteId, SiteFields> = BTreeMap::new();
    let mut found = Vec::with_capacity(known.len());
    for unit in known.values() {
        let (story, _) = of(unit, &context, moment, |site| match sites.entry(site) {
            Entry::Occupied(known) => Ok(known.get().clone()),
            Entry::Vacant(place) => {
                let fields = site_fields(conn, organization, site, known_seq)?;
                let missing = || StoreError::corrupt("unit")(&"no site where it stands");
                Ok(place.insert(fields.ok_or_else(missing)?).clone())
            }
        })?;
        found.push(story);
    }
    Ok(found)
}

/// All that is known of a loaded unit at a moment, and when something that is recorded happens next; `site_fields` gives those of
/// the site where it stands.
pub(super) fn of(
    unit: &Unit,
    context: &Context,
    moment: Moment,
    site_fields: impl FnOnce(SiteId) -> Result<SiteFields>,
) -> Result<(UnitStory, Option<Instant>)> {
    let due = units::due_of(unit, context, moment.until.then_some(moment.at))?;
    let site = due.state.site_at(moment.at);
    let site_fields = site_fields(site)?;
    let Told { fields, happened, stayed, tags, ahead } = units::told(unit, context, moment.at)?;
    let zone = site_fields.zone.clone().unwrap_or_else(Zone::utc);
    Ok((UnitStory { id: unit.id, fields, due, happened, stayed, tags, site, site_fields, zone }, ahead))
}

fn site_fields(
    conn: &mut Conn,
    organization: Key,
    site: SiteId,
    known_seq: i64,
) -> Result<Option<SiteFields>> {
    let target = Target::Site(site);
    let record = if known_seq == then::known_seq(conn, organization, Known::All)? {
        records::find(conn, organization, target)?.map(|stored| stored.record)
    } else {
        let stored = replay::record(conn, organization, target, known_seq)?;
        (stored.version > 0).then_some(stored.record)
    };
    record.map(|record| records::fields(&record, SiteFields::read)).transpose()
}

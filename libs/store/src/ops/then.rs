//! Units as they were known: folded from the rows of the log up to one of them, with what else was known by then.

use std::collections::{BTreeMap, BTreeSet};

use diesel::prelude::*;
use interval::Bundle;
use model::{
    EditionId, EventId, Instant, SiteId, UnitId, edit::Target, event::UnitModel, site::SiteFields,
    unit::UnitFields,
};

use super::super::{
    Conn,
    dialect::{SqlKey, among},
};
use super::{
    IDS_AT_ONCE, contexts, due, editions, kin, log, model_adoptions, organizations, records, replay,
    schema::{change_log, unit_context, unit_state},
    units::{self, Context, Unit},
};
use crate::{
    error::{Result, StoreError},
    key::Key,
    view::{DueFilter, FOLDED_MOST, Folding, Known, Moment, Then, UnitDue, one_more},
};

/// The last row that counts; 0 before the first.
pub(crate) fn known_seq(conn: &mut Conn, organization: Key, known: Known) -> Result<i64> {
    let (last, _) = organizations::counter(conn, organization)?.ok_or(StoreError::NoOrganization)?;
    match known {
        Known::All => Ok(last),
        Known::Row(seq) => Ok(seq.min(last)),
        Known::At(instant) => recorded_by(conn, organization, instant, last),
    }
}

/// The last row recorded by an instant. Rows are recorded in the order of their numbers, so it is found by halving, and
/// the log needs no index for it.
fn recorded_by(conn: &mut Conn, organization: Key, instant: Instant, last: i64) -> Result<i64> {
    let (mut known, mut beyond) = (0, last + 1);
    while beyond - known > 1 {
        let middle = known + (beyond - known) / 2;
        let recorded_at: i64 =
            change_log::table.find((organization, middle)).select(change_log::recorded_at).first(conn)?;
        if recorded_at <= instant.micros() { known = middle } else { beyond = middle }
    }
    Ok(known)
}

/// One unit at a moment; none where there was no such unit.
pub(crate) fn unit(
    conn: &mut Conn,
    organization: Key,
    id: UnitId,
    moment: Moment,
) -> Result<Option<Then<UnitDue>>> {
    let known_seq = known_seq(conn, organization, moment.known)?;
    let found = units(conn, organization, &BTreeSet::from([id]), moment, known_seq)?;
    Ok(found.into_values().next().map(|answer| Then { known_seq, answer }))
}

/// Those of some units that there were, at a moment, by the rows up to `known_seq`.
pub(crate) fn units(
    conn: &mut Conn,
    organization: Key,
    ids: &BTreeSet<UnitId>,
    moment: Moment,
    known_seq: i64,
) -> Result<BTreeMap<UnitId, UnitDue>> {
    let (known, context) = loaded(conn, organization, ids, known_seq)?;
    folded(&known, &context, moment)
}

fn folded(
    units: &BTreeMap<UnitId, Unit>,
    context: &Context,
    moment: Moment,
) -> Result<BTreeMap<UnitId, UnitDue>> {
    let until = moment.until.then_some(moment.at);
    units.iter().map(|(id, unit)| Ok((*id, units::due_of(unit, context, until)?))).collect()
}

/// How much a service on a unit did of what was asked of it, by what was known; none where there was no such unit.
pub(crate) fn bundle(
    conn: &mut Conn,
    organization: Key,
    id: UnitId,
    service: EventId,
    known: Known,
) -> Result<Option<Then<Option<Bundle>>>> {
    let known_seq = known_seq(conn, organization, known)?;
    let (known, context) = loaded(conn, organization, &BTreeSet::from([id]), known_seq)?;
    let Some(unit) = known.get(&id) else { return Ok(None) };
    Ok(Some(Then { known_seq, answer: units::bundle(unit, &context, service)? }))
}

/// The fields of a unit by what was known, private text sealed; none where there was no such unit.
pub(crate) fn unit_fields(
    conn: &mut Conn,
    organization: Key,
    id: UnitId,
    known: Known,
) -> Result<Option<Then<UnitFields>>> {
    let known_seq = known_seq(conn, organization, known)?;
    let stored = replay::record(conn, organization, Target::Unit(id), known_seq)?;
    if stored.version == 0 {
        return Ok(None);
    }
    Ok(Some(Then { known_seq, answer: records::fields(&stored.record, UnitFields::read)? }))
}

pub(crate) type Loaded = (BTreeMap<UnitId, Unit>, Context);

/// Some units with what they are folded with, by the rows up to `known_seq`.
pub(crate) fn loaded(
    conn: &mut Conn,
    organization: Key,
    ids: &BTreeSet<UnitId>,
    known_seq: i64,
) -> Result<Loaded> {
    if known_seq == self::known_seq(conn, organization, Known::All)? {
        // Every row counts, so what is stored is what was known, and is read at once.
        current(conn, organization, ids)
    } else {
        replayed(conn, organization, ids, known_seq)
    }
}

fn current(conn: &mut Conn, organization: Key, ids: &BTreeSet<UnitId>) -> Result<Loaded> {
    let mut fields = BTreeMap::new();
    for (target, stored) in
        records::some(conn, organization, &ids.iter().copied().map(Target::Unit).collect())?
    {
        if let Target::Unit(id) = target {
            fields.insert(id, records::fields(&stored.record, UnitFields::read)?);
        }
    }
    let mut units = units::with_events(conn, organization, fields)?;
    units::add_kin(conn, organization, units.values_mut())?;
    let mut context = Context::default();
    context.load(conn, organization, &units.values().collect::<Vec<_>>())?;
    Ok((units, context))
}

fn replayed(conn: &mut Conn, organization: Key, ids: &BTreeSet<UnitId>, known_seq: i64) -> Result<Loaded> {
    let mut units = BTreeMap::new();
    for id in ids {
        if let Some((unit, _)) = replay::unit(conn, organization, *id, known_seq)? {
            units.insert(*id, unit);
        }
    }
    let context = context(conn, organization, &units, known_seq)?;
    Ok((units, context))
}

/// The units in use that stand at a site at a moment, of those that the asker may see now.
pub(crate) fn standing(
    conn: &mut Conn,
    filter: &DueFilter,
    site: SiteId,
    moment: Moment,
) -> Result<Folding<BTreeMap<UnitId, UnitDue>>> {
    let organization = Key::from(filter.organization);
    let filter = DueFilter { site: Some(site), ..filter.clone() };
    let now = !moment.until && moment.known == Known::All;
    let Some(mut candidates) = candidates(conn, &filter, now.then_some(site))? else {
        return Ok(Folding::TooMany);
    };
    // A machine stands where the last placement of any of its units says, and is listed as one of them.
    let kin = kin::of_units(conn, organization, &candidates)?;
    let kin: Vec<Key> = kin.each().flatten().copied().map(Key::from).collect();
    candidates.extend(seen(conn, &filter, &kin)?);
    let known_seq = known_seq(conn, organization, moment.known)?;
    let (mut known, context) = loaded(conn, organization, &candidates, known_seq)?;
    known.retain(|_, unit| unit.fields.retired.is_none());
    let mut answer = folded(&known, &context, moment)?;
    answer.retain(|id, unit| unit.machine == *id && unit.state.site_at(moment.at) == site);
    Ok(Folding::Done(Then { known_seq, answer }))
}

/// Those of these units that the asker may see now.
fn seen(conn: &mut Conn, filter: &DueFilter, units: &[Key]) -> Result<BTreeSet<UnitId>> {
    let visible = DueFilter { site: None, ..filter.clone() };
    let mut found = BTreeSet::new();
    for some in units.chunks(IDS_AT_ONCE) {
        let asked = unit_state::table
            .filter(due::of_asked_units(&visible))
            .filter(among(unit_state::unit_id, some.to_vec()));
        let ids: Vec<Key> = asked.select(unit_state::unit_id).load(conn)?;
        found.extend(ids.into_iter().map(Key::id));
    }
    Ok(found)
}

/// The units that ever stood at one of some sites, or any where none are named, of those that the asker may see now; nothing if
/// they are too many to be folded.
pub(crate) fn ever_standing(
    conn: &mut Conn,
    filter: &DueFilter,
    sites: Option<&BTreeSet<SiteId>>,
) -> Result<Option<BTreeSet<UnitId>>> {
    let organization = Key::from(filter.organization);
    let mut asked = unit_state::table.filter(due::of_asked_units(filter)).into_boxed();
    if let Some(sites) = sites {
        let sites = sites.iter().copied().map(Key::from).collect();
        asked = asked.filter(unit_state::unit_id.eq_any(ever_at(organization, sites)));
    }
    not_more(conn, asked, FOLDED_MOST)
}

/// What these units are folded with, as it was known.
fn context(
    conn: &mut Conn,
    organization: Key,
    units: &BTreeMap<UnitId, Unit>,
    known_seq: i64,
) -> Result<Context> {
    let mut context = Context::default();
    let mut sites: BTreeSet<SiteId> = BTreeSet::new();
    for unit in units.values() {
        sites.extend(unit.sites()?);
    }
    for site in sites {
        let stored = replay::record(conn, organization, Target::Site(site), known_seq)?;
        if let Some(zone) = records::fields(&stored.record, SiteFields::read)?.zone {
            context.zones.insert(site, zone);
        }
    }
    let models: BTreeSet<UnitModel> = units.values().flat_map(Unit::models).collect();
    let adoptions = model_adoptions::of_models(conn, organization, &models)?;
    let edits: Vec<Key> = adoptions.iter().map(|adoption| Key::from(adoption.id)).collect();
    let rows = log::of_edits(conn, organization, &edits)?;
    let known: BTreeSet<Key> =
        rows.iter().filter(|row| row.seq <= known_seq).map(|row| row.edit_id).collect();
    for adoption in adoptions.into_iter().filter(|adoption| known.contains(&Key::from(adoption.id))) {
        context.adoptions.entry(adoption.of.clone()).or_default().push(adoption);
    }
    let mut adopted: BTreeSet<EditionId> = units.values().flat_map(Unit::editions).collect();
    adopted.extend(context.adoptions.values().flatten().map(|adoption| adoption.adoption.edition_id));
    let found = editions::some(conn, organization, &adopted)?;
    context.editions.extend(found.into_iter().map(|(id, (_, edition))| (id, edition)));
    Ok(context)
}

/// The units that ever stood at one of some sites: the contexts of a unit name them all, and have an index by site.
type EverAt = unit_context::BoxedQuery<'static, <Conn as Connection>::Backend, SqlKey>;

pub(crate) fn ever_at(organization: Key, sites: Vec<Key>) -> EverAt {
    unit_context::table
        .filter(unit_context::organization.eq(organization))
        .filter(unit_context::kind.eq(contexts::SITE))
        .filter(unit_context::key.eq_any(sites))
        .select(unit_context::unit_id)
        .into_boxed()
}

/// The units that the asker may see now and that `filter` may concern at some time; nothing if they are too many to be
/// folded. Of a site these are all units that ever stood there by their events; where only what is now matters, those
/// that stand there.
pub(crate) fn candidates(
    conn: &mut Conn,
    filter: &DueFilter,
    standing_at: Option<SiteId>,
) -> Result<Option<BTreeSet<UnitId>>> {
    at_most(conn, filter, standing_at, FOLDED_MOST)
}

/// The same, with another number of units that are too many.
pub(crate) fn at_most(
    conn: &mut Conn,
    filter: &DueFilter,
    standing_at: Option<SiteId>,
    most: usize,
) -> Result<Option<BTreeSet<UnitId>>> {
    let organization = Key::from(filter.organization);
    // Where the asker does not see all sites, units have to be in scope of one that they see.
    let visible = DueFilter { site: None, ..filter.clone() };
    let mut asked = unit_state::table.filter(due::of_asked_units(&visible)).into_boxed();
    for sites in due::site_sets(filter) {
        asked = asked.filter(unit_state::unit_id.eq_any(ever_at(organization, sites)));
    }
    if let Some(site) = standing_at {
        asked = asked.filter(unit_state::standing_site.eq(Key::from(site)));
    }
    not_more(conn, asked, most)
}

/// Some units by id, if they are not more than `most`.
fn not_more(
    conn: &mut Conn,
    asked: unit_state::BoxedQuery<'_, <Conn as Connection>::Backend>,
    most: usize,
) -> Result<Option<BTreeSet<UnitId>>> {
    let found: Vec<Key> =
        asked.order(unit_state::unit_id).limit(one_more(most)).select(unit_state::unit_id).load(conn)?;
    Ok((found.len() <= most).then(|| found.into_iter().map(Key::id).collect()))
}

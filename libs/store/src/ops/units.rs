//! All that the fold of one unit reads.

use std::{
    collections::{BTreeMap, BTreeSet},
    sync::Arc,
};

use interval::{Input, Policy, UnitFacts, UnitState};
use model::{
    EditionId, EventId, Instant, SiteId, UnitId, Zone,
    edit::{RecordKind, Target},
    event::{Details, ServiceEvent},
    schedule::Edition,
    site::SiteFields,
    unit::{MeterTick, UnitFields},
};

use super::super::Conn;
use super::{editions, events, records};
use crate::{
    error::{Result, StoreError},
    key::Key,
    view::{Among, UnitDue},
};

/// A unit with its events, as they are stored and as a write changes them.
#[derive(Clone, Debug)]
pub(crate) struct Unit {
    pub(crate) id: UnitId,
    pub(crate) fields: UnitFields,
    pub(crate) events: Vec<ServiceEvent>,
    /// Where each stored event stands in time.
    pub(crate) stored_at: BTreeMap<EventId, Instant>,
}

impl Unit {
    pub(crate) fn new(id: UnitId, fields: UnitFields, events: Vec<ServiceEvent>) -> Self {
        Self { id, fields, events, stored_at: BTreeMap::new() }
    }

    pub(crate) fn home_site(&self) -> Result<SiteId> {
        Ok(self.facts()?.home_site)
    }

    /// Every site that the unit's fields and events name.
    pub(crate) fn sites(&self) -> Result<BTreeSet<SiteId>> {
        let mut sites: BTreeSet<SiteId> = self.events.iter().filter_map(events::site_of).collect();
        sites.insert(self.home_site()?);
        Ok(sites)
    }

    /// Every edition that the unit's events adopt.
    pub(crate) fn editions(&self) -> BTreeSet<EditionId> {
        let adopted = self.events.iter().filter_map(|event| match &event.details {
            Details::Adoption(adoption) => Some(adoption.edition_id),
            _ => None,
        });
        adopted.collect()
    }

    pub(crate) fn facts(&self) -> Result<UnitFacts> {
        facts(&self.fields)
    }
}

/// What of a unit's fields bears on what is due.
pub(crate) fn facts(fields: &UnitFields) -> Result<UnitFacts> {
    Ok(UnitFacts {
        meter_fitted: fields.meter_fitted.unwrap_or(true),
        tick: fields.meter_tick_hours.unwrap_or(MeterTick::TENTH).hours(),
        home_site: fields.home_site_id.ok_or_else(|| StoreError::corrupt("unit")(&"no home site"))?,
    })
}

/// Loads a unit with all its events.
pub(crate) fn load(conn: &mut Conn, organization: Key, id: UnitId) -> Result<Option<Unit>> {
    let Some(stored) = records::find(conn, organization, Target::Unit(id))? else { return Ok(None) };
    let fields = records::fields(&stored.record, UnitFields::read)?;
    let units = with_events(conn, organization, [(id, fields)].into())?;
    Ok(units.into_values().next())
}

/// Loads all events of units whose fields are known.
pub(crate) fn with_events(
    conn: &mut Conn,
    organization: Key,
    fields: BTreeMap<UnitId, UnitFields>,
) -> Result<BTreeMap<UnitId, Unit>> {
    let ids: Vec<UnitId> = fields.keys().copied().collect();
    let mut units: BTreeMap<UnitId, Unit> =
        fields.into_iter().map(|(id, fields)| (id, Unit::new(id, fields, Vec::new()))).collect();
    for row in events::of_units(conn, organization, &ids)? {
        if let Some(unit) = units.get_mut(&row.unit_id.id()) {
            unit.events.push(events::read(&row.body)?);
            unit.stored_at.insert(row.id.id(), Instant::from_micros(row.occurred_at));
        }
    }
    Ok(units)
}

/// What units' events name: the zones of their sites and the editions of their adoptions.
#[derive(Default)]
pub(crate) struct Context {
    pub(crate) zones: BTreeMap<SiteId, Zone>,
    pub(crate) editions: BTreeMap<EditionId, Arc<Edition>>,
}

impl Context {
    /// What one unit names.
    pub(crate) fn of_unit(conn: &mut Conn, organization: Key, unit: &Unit) -> Result<Self> {
        let mut context = Self::default();
        context.load(conn, organization, unit.sites()?, unit.editions())?;
        Ok(context)
    }

    /// Loads what is not here yet.
    pub(crate) fn load(
        &mut self,
        conn: &mut Conn,
        organization: Key,
        sites: BTreeSet<SiteId>,
        editions: BTreeSet<EditionId>,
    ) -> Result<()> {
        let sites =
            sites.into_iter().filter(|site| !self.zones.contains_key(site)).map(Target::Site).collect();
        for (target, stored) in records::some(conn, organization, &sites)? {
            if let (Target::Site(site), Some(zone)) =
                (target, records::fields(&stored.record, SiteFields::read)?.zone)
            {
                self.zones.insert(site, zone);
            }
        }
        let editions = editions.into_iter().filter(|id| !self.editions.contains_key(id)).collect();
        let found = editions::some(conn, organization, &editions)?;
        self.editions.extend(found.into_iter().map(|(id, (_, edition))| (id, edition)));
        Ok(())
    }
}

/// Folds a unit's events.
pub(crate) fn refold(unit: &Unit, context: &Context) -> Result<UnitState> {
    let facts = unit.facts()?;
    Ok(interval::refold(&Input {
        facts: &facts,
        events: &unit.events,
        zones: &context.zones,
        editions: &context.editions,
        policy: &Policy::standard(),
    }))
}

/// A unit's state, folded afresh.
pub(crate) fn due(conn: &mut Conn, organization: Key, id: UnitId) -> Result<Option<UnitDue>> {
    let Some(unit) = load(conn, organization, id)? else { return Ok(None) };
    let context = Context::of_unit(conn, organization, &unit)?;
    let state = refold(&unit, &context)?;
    Ok(Some(UnitDue { home_site: unit.home_site()?, state, evidence: evidence(&unit, &context)? }))
}

/// A digest of all that a fold rests on: it changes whenever an answer could change for another reason than time.
fn evidence(unit: &Unit, context: &Context) -> Result<String> {
    let events: Vec<EventId> = unit.events.iter().map(|event| event.id).collect();
    let zones: Vec<(&SiteId, &str)> = context.zones.iter().map(|(site, zone)| (site, zone.name())).collect();
    let fields = serde_json::to_value(&unit.fields).map_err(|e| StoreError::corrupt("unit")(&e))?;
    let all = serde_json::json!([events, zones, fields, super::folds::folded_with()]);
    Ok(proof::sha256(all.to_string()).to_string())
}

/// What people call these units.
pub(crate) fn labels(
    conn: &mut Conn,
    organization: Key,
    units: &BTreeSet<UnitId>,
) -> Result<BTreeMap<UnitId, String>> {
    let among: BTreeSet<uuid::Uuid> = units.iter().map(|unit| unit.uuid()).collect();
    let page = records::list(conn, organization, RecordKind::Unit, &Among::Ids(among), None, units.len())?;
    let label = |view: crate::view::RecordView| {
        let text = view.fields.get("label").and_then(serde_json::Value::as_str)?.to_owned();
        Some((UnitId::from_uuid(view.id), text))
    };
    Ok(page.items.into_iter().filter_map(label).collect())
}

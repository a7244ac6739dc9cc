//! All that the fold of one unit reads.

use std::{
    collections::{BTreeMap, BTreeSet},
    sync::Arc,
};

use interval::{Input, Policy, UnitFacts, UnitState};
use model::{
    EditionId, EventId, Instant, SiteId, UnitId, Zone,
    edit::{RecordKind, Target},
    event::{Details, ServiceEvent, UnitModel},
    schedule::Edition,
    site::SiteFields,
    unit::{MeterTick, UnitFields},
};

use super::super::Conn;
use super::{
    contexts::{self, ContextId, Versions},
    editions, events, model_adoptions, records,
};
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
        self.fields.home_site_id.ok_or_else(|| StoreError::corrupt("unit")(&"no home site"))
    }

    pub(crate) fn facts(&self) -> Result<UnitFacts> {
        Ok(UnitFacts {
            meter_fitted: self.fields.meter_fitted.unwrap_or(true),
            tick: self.fields.meter_tick_hours.unwrap_or(MeterTick::TENTH).hours(),
            home_site: self.home_site()?,
        })
    }
}

/// Loads a unit with all its events.
pub(crate) fn load(conn: &mut Conn, organization: Key, id: UnitId) -> Result<Option<Unit>> {
    let Some(stored) = records::find(conn, organization, Target::Unit(id))? else { return Ok(None) };
    let fields = records::fields(&stored.record, UnitFields::read)?;
    let rows = events::of_unit(conn, organization, id)?;
    let mut unit =
        Unit::new(id, fields, rows.iter().map(|row| events::read(&row.body)).collect::<Result<_>>()?);
    unit.stored_at = rows.iter().map(|row| (row.id.id(), Instant::from_micros(row.occurred_at))).collect();
    Ok(Some(unit))
}

/// What a unit is folded with beside its own rows.
pub(crate) struct Context {
    pub(crate) zones: BTreeMap<SiteId, Zone>,
    /// The adoptions for its model, as events of the unit.
    pub(crate) adoptions: Vec<ServiceEvent>,
    pub(crate) editions: BTreeMap<EditionId, Arc<Edition>>,
    /// The version of each context when it was read; the same transaction's own changes are counted in.
    pub(crate) versions: Versions,
}

impl Context {
    /// Loads what a unit is folded with; `changed` are the contexts that the same transaction has changed.
    pub(crate) fn load(conn: &mut Conn, organization: Key, unit: &Unit, changed: &Versions) -> Result<Self> {
        // Versions come first: what is read after them may be newer, and the unit then folded once more; never older.
        let mut versions = contexts::versions(conn, organization, &ContextId::of_unit(unit)?)?;
        for (context, version) in &mut versions {
            *version += changed.get(context).copied().unwrap_or_default();
        }
        let mut sites: BTreeSet<SiteId> = unit.events.iter().filter_map(events::site_of).collect();
        sites.insert(unit.home_site()?);
        let mut zones = BTreeMap::new();
        for site in sites {
            zones.extend(zone_of(conn, organization, site)?.map(|zone| (site, zone)));
        }
        let adoptions = match UnitModel::of(&unit.fields) {
            Some(model) if versions.get(&ContextId::of_model(&model)).is_some_and(|version| *version > 0) => {
                model_adoptions::of_model(conn, organization, &model)?
            }
            _ => Vec::new(),
        };
        let adoptions: Vec<_> = adoptions.iter().map(|adoption| adoption.for_unit(unit.id)).collect();
        let adopted = unit.events.iter().chain(&adoptions).filter_map(|event| match &event.details {
            Details::Adoption(adoption) => Some(adoption.edition_id),
            _ => None,
        });
        let editions = editions::some(conn, organization, &adopted.collect())?
            .into_iter()
            .map(|(id, edition)| (id, Arc::new(edition)))
            .collect();
        Ok(Self { zones, adoptions, editions, versions })
    }
}

fn zone_of(conn: &mut Conn, organization: Key, site: SiteId) -> Result<Option<Zone>> {
    let Some(stored) = records::find(conn, organization, Target::Site(site))? else { return Ok(None) };
    Ok(records::fields(&stored.record, SiteFields::read)?.zone)
}

/// Folds a unit's events.
pub(crate) fn refold(unit: &Unit, context: &Context) -> Result<UnitState> {
    let facts = unit.facts()?;
    let events: Vec<ServiceEvent> = unit.events.iter().chain(&context.adoptions).cloned().collect();
    Ok(interval::refold(&Input {
        facts: &facts,
        events: &events,
        zones: &context.zones,
        editions: &context.editions,
        policy: &Policy::standard(),
    }))
}

/// A unit's state, folded afresh.
pub(crate) fn due(conn: &mut Conn, organization: Key, id: UnitId) -> Result<Option<UnitDue>> {
    let Some(unit) = load(conn, organization, id)? else { return Ok(None) };
    let context = Context::load(conn, organization, &unit, &Versions::new())?;
    let state = refold(&unit, &context)?;
    Ok(Some(UnitDue { home_site: unit.home_site()?, state, evidence: evidence(&unit, &context)? }))
}

/// A digest of all that a fold rests on: it changes whenever an answer could change for another reason than time.
fn evidence(unit: &Unit, context: &Context) -> Result<String> {
    let events: Vec<EventId> = unit.events.iter().chain(&context.adoptions).map(|event| event.id).collect();
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

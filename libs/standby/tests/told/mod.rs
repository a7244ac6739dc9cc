//! A unit with its events as cases write them, folded as the service folds it.

#![allow(clippy::unwrap_used, clippy::panic, clippy::indexing_slicing, reason = "helpers of tests")]
#![allow(dead_code, reason = "each test uses some of them")]
#![allow(unreachable_pub, reason = "this is a module of several test files")]

use std::{collections::BTreeMap, sync::Arc};

use interval::{Happened, HungTag, Input, Policy, UnitFacts, UnitState, happened, refold_until, tags};
use model::{
    EditionId, Instant, SiteId, UnitId, Zone, event::ServiceEvent, json, read, schedule::Edition,
    site::SiteFields, unit::UnitFields,
};
use serde_json::Value;
use standby::record::Record;

/// Reads what the API takes.
pub fn whole<T>(value: &Value, read: impl FnOnce(&mut read::Object<'_>) -> Option<T>) -> T {
    // By way of text, so that numbers are kept as written.
    let value = json::parse(value.to_string().as_bytes()).unwrap();
    read::whole(&value, read::Mode::New, read).unwrap_or_else(|errors| panic!("{value}: {errors:?}"))
}

/// An id that ends in a number.
pub fn id(place: u64) -> String {
    format!("019a0b5e-7c00-7000-8000-{place:012}")
}

const UNIT: u64 = 900_000;
const SITES: u64 = 900_100;

/// A unit and where it has stood.
pub struct Unit {
    pub fields: UnitFields,
    sites: Vec<(String, SiteFields)>,
    editions: BTreeMap<EditionId, Arc<Edition>>,
    facts: UnitFacts,
    zones: BTreeMap<SiteId, Zone>,
}

impl Unit {
    /// From fields and sites as cases write them; a unit names sites by name.
    pub fn new(fields: &Value, sites: &Value, editions: &Value) -> Self {
        let sites: Vec<(String, SiteFields)> = sites
            .as_object()
            .unwrap()
            .iter()
            .map(|(name, site)| (name.clone(), whole(site, SiteFields::read)))
            .collect();
        let fields = whole(&named(fields, &sites), UnitFields::read);
        let editions = editions.as_object().unwrap().values().map(|edition| {
            let mut edition = edition.clone();
            let place = edition.as_object_mut().unwrap().remove("id").unwrap().as_u64().unwrap();
            (EditionId::parse(&id(place)).unwrap(), Arc::new(whole(&edition, Edition::read)))
        });
        let zones = sites.iter().enumerate().map(|(place, (_, site))| {
            (SiteId::parse(&id(SITES + place as u64)).unwrap(), site.zone.clone().unwrap())
        });
        let facts = UnitFacts::of(&fields).unwrap();
        Self { facts, zones: zones.collect(), editions: editions.collect(), fields, sites }
    }

    /// Its events; those without an id get their place, from 1.
    pub fn events(&self, given: &[Value]) -> Vec<ServiceEvent> {
        let event = |(place, given): (usize, &Value)| {
            let mut event = named(given, &self.sites);
            event.as_object_mut().unwrap().entry("id").or_insert_with(|| id(place as u64 + 1).into());
            event["unit_id"] = id(UNIT).into();
            whole(&event, ServiceEvent::read)
        };
        given.iter().enumerate().map(event).collect()
    }

    pub fn input<'a>(&'a self, events: &'a [ServiceEvent]) -> Input<'a> {
        const STANDARD: &Policy = &Policy::standard();
        Input {
            unit: UnitId::parse(&id(UNIT)).unwrap(),
            facts: &self.facts,
            events,
            zones: &self.zones,
            editions: &self.editions,
            policy: STANDARD,
        }
    }

    /// What is recorded of it by an instant.
    pub fn folded(&self, events: &[ServiceEvent], at: Instant) -> Folded<'_> {
        let input = self.input(events);
        let (state, happened) = (refold_until(&input, at), happened(&input, at));
        let site = state.site_at(at);
        let place = self.zones.keys().position(|id| *id == site).unwrap();
        Folded {
            unit: self,
            tags: tags(&input, at),
            site: &self.sites[place].1,
            zone: self.zones[&site].clone(),
            happened,
            state,
            at,
        }
    }
}

/// What a record borrows.
pub struct Folded<'a> {
    unit: &'a Unit,
    pub happened: Vec<Happened>,
    tags: Vec<HungTag>,
    pub state: UnitState,
    site: &'a SiteFields,
    zone: Zone,
    at: Instant,
}

impl Folded<'_> {
    pub fn record(&self) -> Record<'_> {
        Record {
            unit: UnitId::parse(&id(UNIT)).unwrap(),
            fields: &self.unit.fields,
            site: self.site,
            happened: &self.happened,
            tags: &self.tags,
            state: &self.state,
            zone: &self.zone,
            at: self.at,
        }
    }
}

/// With every number in the place of an id, and every name in that of a site's, made one.
fn named(value: &Value, sites: &[(String, SiteFields)]) -> Value {
    let one = |name: &str, value: &Value| match value {
        Value::Number(place) if name == "id" || name.ends_with("_id") => id(place.as_u64().unwrap()).into(),
        Value::String(text) if name.ends_with("site_id") => {
            let place = sites.iter().position(|(site, _)| site == text).unwrap_or_else(|| panic!("{text}"));
            id(SITES + place as u64).into()
        }
        other => named(other, sites),
    };
    match value {
        Value::Object(members) => {
            members.iter().map(|(name, value)| (name.clone(), one(name, value))).collect()
        }
        Value::Array(list) => list.iter().map(|value| named(value, sites)).collect(),
        other => other.clone(),
    }
}

/// With every id that ends in a number turned back into it.
pub fn short(value: Value) -> Value {
    match value {
        Value::String(text) => match text.strip_prefix("019a0b5e-7c00-7000-8000-") {
            Some(place) => place.parse::<u64>().unwrap().into(),
            None => text.into(),
        },
        Value::Array(list) => list.into_iter().map(short).collect(),
        Value::Object(members) => members.into_iter().map(|(name, value)| (name, short(value))).collect(),
        other => other,
    }
}

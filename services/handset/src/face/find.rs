//! Units and sites as people name them: by label, or by how their id begins.

use std::collections::BTreeMap;

use anyhow::Result;
use device::Records;
use handset::{Kind, View};
use model::{Instant, SiteId, UnitId, Zone};
use serde_json::{Map, Value};
use uuid::Uuid;

use super::{Face, Trouble, entry::yes};

/// A unit or site by its name.
#[derive(Clone, Debug)]
pub(super) struct Named {
    pub(super) id: Uuid,
    pub(super) name: String,
    pub(super) fields: Map<String, Value>,
    /// Whether it was named by the whole of its name.
    pub(super) is_typed_whole: bool,
}

/// Fewer characters than this are no beginning of an id.
const SHORTEST: usize = 4;

impl Named {
    fn of(view: &View) -> Self {
        let fields = view.fields();
        let member = if view.kind == Kind::Unit { "label" } else { "name" };
        let name = text(&fields, member).map_or_else(|| format!("…{}", tail(view.id)), str::to_owned);
        Self { id: view.id, name, fields, is_typed_whole: true }
    }

    /// Whether this may be meant, as far as it goes.
    pub(super) fn is_meant(&self, given: &str) -> bool {
        !matching(std::slice::from_ref(self), given).is_empty()
    }

    pub(super) fn unit(&self) -> UnitId {
        UnitId::from_uuid(self.id)
    }

    pub(super) fn home(&self) -> Option<SiteId> {
        SiteId::parse(text(&self.fields, "home_site_id")?).ok()
    }

    pub(super) fn zone(&self) -> Option<Zone> {
        Zone::parse(text(&self.fields, "zone")?).ok()
    }
}

impl Face<'_> {
    /// All units in use, by name.
    pub(super) fn units(&mut self) -> Result<Vec<Named>> {
        Ok(named(&self.handset.views(Kind::Unit)?))
    }

    /// All sites in use, by name.
    pub(super) fn sites(&mut self) -> Result<Vec<Named>> {
        Ok(named(&self.handset.views(Kind::Site)?))
    }

    /// The unit that is meant; of several by one name the one that stands where he does.
    pub(super) fn unit(&mut self, given: &str) -> Result<Named> {
        let (now, here) = (self.now()?, self.handset.device()?.at_site);
        let found = matching(&self.units()?, given);
        if found.len() < 2 {
            return one("unit", given, found, |unit| unit.name.clone());
        }
        let (records, sites) = (self.records()?, self.sites()?);
        let is_near =
            |unit: &&Named| here.is_some() && unit.is_typed_whole && stands_at(&records, unit, now) == here;
        let near: Vec<Named> = found.iter().filter(is_near).cloned().collect();
        let told = |unit: &Named| with_site(unit, stands_at(&records, unit, now), &sites);
        one("unit", given, if near.len() == 1 { near } else { found }, told)
    }

    /// The unit of an entry, also where it is retired.
    pub(super) fn unit_of(&mut self, id: Uuid) -> Result<Named> {
        let view = self.handset.view(Kind::Unit, id)?;
        let unknown = || Trouble::Unknown { what: "unit", given: id.to_string() };
        Ok(view.as_ref().map(Named::of).ok_or_else(unknown)?)
    }

    /// What people call all units and sites, those included that are retired.
    pub(super) fn names(&mut self) -> Result<BTreeMap<Uuid, String>> {
        let (units, sites) = (self.handset.views(Kind::Unit)?, self.handset.views(Kind::Site)?);
        Ok(units.iter().chain(&sites).map(|view| (view.id, Named::of(view).name)).collect())
    }

    /// The unit that something is written about: where its name was begun only, somebody says that it is the one.
    pub(super) fn unit_to_write(&mut self, given: &str) -> Result<Named> {
        let unit = self.unit(given)?;
        if unit.is_typed_whole || is_beginning(&unit, given) {
            return Ok(unit);
        }
        if !self.asks {
            let words = format!("Say its whole name: \"{}\". Nothing was saved.", unit.name);
            return Err(Trouble::Other(words).into());
        }
        let question = format!("{}: is that the one? yes or no", self.told(&unit)?);
        if self.answer(None, "UNIT", &question, yes)? { Ok(unit) } else { Err(Trouble::Stopped.into()) }
    }

    /// A unit as it is told from others: with where it stands, where its name alone does not do or was not typed.
    pub(super) fn told(&mut self, unit: &Named) -> Result<String> {
        let alike = self.units()?.iter().filter(|other| other.name == unit.name).count();
        if unit.is_typed_whole && alike < 2 {
            return Ok(unit.name.clone());
        }
        let (now, records, sites) = (self.now()?, self.records()?, self.sites()?);
        Ok(with_site(unit, stands_at(&records, unit, now), &sites))
    }

    /// What people call these units.
    pub(super) fn labels(&mut self, ids: &[UnitId]) -> Result<Vec<String>> {
        // Hardly ever is there one to be named.
        let units = if ids.is_empty() { Vec::new() } else { self.units()? };
        Ok(units.into_iter().filter(|unit| ids.contains(&unit.unit())).map(|unit| unit.name).collect())
    }

    /// The site that is meant.
    pub(super) fn site(&mut self, given: &str) -> Result<Named> {
        let found = matching(&self.sites()?, given);
        one("site", given, found, |site| site.name.clone())
    }

    /// The site that is named, or where he stands; nothing where he has not said.
    pub(super) fn site_or_here(&mut self, given: Option<&str>) -> Result<Option<Named>> {
        if let Some(given) = given {
            return self.site(given).map(Some);
        }
        let Some(here) = self.handset.device()?.at_site else { return Ok(None) };
        Ok(self.sites()?.into_iter().find(|site| site.id == here.uuid()))
    }

    /// The zone of the device, else of the unit's home, else of where he stands.
    pub(super) fn zone_at(&mut self, unit: Option<&Named>) -> Result<Zone> {
        if let Some(zone) = &self.zone {
            return Ok(zone.clone());
        }
        let sites = self.sites()?;
        let site = unit.and_then(Named::home).or(self.handset.device()?.at_site);
        let zone = site.and_then(|site| sites.iter().find(|known| known.id == site.uuid())?.zone());
        Ok(zone.unwrap_or_else(Zone::utc))
    }
}

/// Those in use, by name.
pub(super) fn named(views: &[View]) -> Vec<Named> {
    let used = views.iter().filter(|view| !view.is_retired());
    let mut named: Vec<Named> = used.map(Named::of).collect();
    named.sort_by_cached_key(|one| (one.name.to_lowercase(), one.id));
    named
}

/// Where a unit stands; its home where its record does not say more.
pub(super) fn stands_at(records: &Records, unit: &Named, now: Instant) -> Option<SiteId> {
    records.standing_site(unit.unit(), now).or_else(|| unit.home())
}

fn with_site(unit: &Named, at: Option<SiteId>, sites: &[Named]) -> String {
    let site = at.and_then(|at| sites.iter().find(|site| site.id == at.uuid()));
    site.map_or_else(|| unit.name.clone(), |site| format!("{}, {}", unit.name, site.name))
}

/// Those that are meant: by id or name, else by how either begins.
fn matching(all: &[Named], given: &str) -> Vec<Named> {
    let lower = given.trim().to_lowercase();
    let by = |is: &dyn Fn(&Named) -> bool| all.iter().filter(|one| is(one)).cloned().collect::<Vec<_>>();
    let exact = by(&|one| one.id.to_string() == lower || one.name.to_lowercase() == lower);
    if !exact.is_empty() || lower.is_empty() {
        return exact;
    }
    let by_id = by(&|one| is_beginning(one, given));
    let found = if by_id.is_empty() { by(&|one| one.name.to_lowercase().starts_with(&lower)) } else { by_id };
    found.into_iter().map(|one| Named { is_typed_whole: false, ..one }).collect()
}

/// Whether its id begins so.
fn is_beginning(one: &Named, given: &str) -> bool {
    let lower = given.trim().to_lowercase();
    lower.len() >= SHORTEST && one.id.to_string().starts_with(&lower)
}

fn one(
    what: &'static str,
    given: &str,
    mut found: Vec<Named>,
    told: impl Fn(&Named) -> String,
) -> Result<Named> {
    match (found.pop(), found.is_empty()) {
        (Some(only), true) => Ok(only),
        (None, _) => Err(Trouble::Unknown { what, given: given.to_owned() }.into()),
        (Some(last), false) => {
            found.push(last);
            let ids: Vec<String> = found.iter().map(|one| one.id.to_string()).collect();
            let by = found.iter().map(|one| (distinct(&one.id.to_string(), &ids), told(one))).collect();
            Err(Trouble::Ambiguous { given: given.to_owned(), found: by }.into())
        }
    }
}

/// As much of an id as tells it from others.
fn distinct(id: &str, ids: &[String]) -> String {
    let enough =
        |length: &usize| ids.iter().filter(|other| other.get(..*length) == id.get(..*length)).count() == 1;
    let length = (SHORTEST..id.len()).find(enough).unwrap_or(id.len());
    id.get(..length).unwrap_or(id).to_owned()
}

/// The last characters of an id, which tell it from those made at the same time.
pub(super) fn tail(id: Uuid) -> String {
    let text = id.simple().to_string();
    text.get(text.len() - 4..).unwrap_or_default().to_owned()
}

/// A member that is text.
pub(super) fn text<'m>(members: &'m Map<String, Value>, name: &str) -> Option<&'m str> {
    members.get(name).and_then(Value::as_str)
}

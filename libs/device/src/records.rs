//! The records that a device holds, read as far as this program knows them.

use std::{
    collections::{BTreeMap, BTreeSet, VecDeque},
    sync::Arc,
};

use model::{
    Code, EditionId, EventId, Instant, ScheduleId, SiteId, UnitId, Zone,
    event::{
        Details, EVENT_KINDS, EventKind, ModelAdoption, Posted, ServiceEvent, SettingOf, UnitModel,
        UnitSetting,
    },
    read::{FieldError, Told, told},
    schedule::Edition,
    site::SiteFields,
    unit::UnitFields,
};
use serde_json::Value;

use crate::{
    remark::{Bears, Remark, RemarkCode},
    subject::replaced,
};

/// Fields of a unit on which what is due rests.
const DUE_FIELDS: [&str; 14] = [
    "home_site_id",
    "maker",
    "model",
    "serial",
    "fuel",
    "ignition",
    "electric_start",
    "meter_fitted",
    "meter_tick_hours",
    "meter_rollover_hours",
    "tank_litres",
    "burn_litres_per_hour",
    "features",
    "retired",
];

/// Members of a task that say when it is due: one in them that is not known here may be a limit.
const LIMITS: [&str; 5] = ["limits", "first", "severe", "tolerance", "lead"];

/// Members of an event on which no answer rests.
const ASIDE: [&str; 3] = ["note", "attachments", "on_behalf_of"];

/// Where limits stand that were decided for a unit alone.
const OWN_LIMITS: &str = "/limits_of/";

/// Everything that questions are asked of: sites, units, editions and service events, each as a service tells it or as it was
/// written here.
///
/// They may be added in any order; of two with one id the later one stands.
#[derive(Clone, Debug, Default)]
pub struct Records {
    pub(crate) sites: BTreeMap<SiteId, Site>,
    pub(crate) zones: BTreeMap<SiteId, Zone>,
    pub(crate) units: BTreeMap<UnitId, Unit>,
    pub(crate) editions: BTreeMap<EditionId, Arc<Edition>>,
    edition_remarks: BTreeMap<EditionId, Vec<Remark>>,
    /// Tasks with limits that this program does not know.
    pub(crate) newer_limits: BTreeSet<(EditionId, Code)>,
    adoptions: BTreeMap<UnitModel, BTreeMap<EventId, ModelAdoption>>,
    /// Units that corrections name together, both ways.
    kin: BTreeMap<UnitId, BTreeSet<UnitId>>,
    /// What is to be remarked about records that may be about any unit.
    remarks: ById,
}

/// A site.
#[derive(Clone, Debug, Default)]
pub(crate) struct Site {
    pub(crate) fields: SiteFields,
    remarks: Vec<Remark>,
}

/// A unit with its own events.
#[derive(Clone, Debug, Default)]
pub(crate) struct Unit {
    /// Nothing while only events of it are here.
    pub(crate) fields: Option<UnitFields>,
    pub(crate) events: Vec<ServiceEvent>,
    /// Where in `events` each is.
    places: BTreeMap<EventId, usize>,
    /// Tasks with limits that were decided for it alone and that this program does not know, by the event that says so.
    pub(crate) newer_limits: BTreeMap<EventId, (ScheduleId, Code)>,
    remarks: Vec<Remark>,
    /// By the id of the event: what is told anew is remarked anew.
    event_remarks: ById,
}

/// Remarks by the id of what they are about, where that could be read.
type ById = BTreeMap<Option<String>, Vec<Remark>>;

impl Records {
    /// No records.
    #[must_use]
    pub fn new() -> Self {
        Self::default()
    }

    /// Adds a site by its fields, an object.
    pub fn site(&mut self, id: SiteId, fields: &Value) {
        let Told { value, unknown, errors } = told(fields, SiteFields::read);
        let bears = if concerns(&errors, &["zone"]) { Bears::Due } else { Bears::Standby };
        let named = || Some(id.to_string());
        let remarks = Remark::newer("site", named(), unknown).into_iter();
        let remarks = remarks.chain(Remark::unreadable("site", named(), errors, bears)).collect();
        let fields = value.unwrap_or_default();
        match fields.zone.clone() {
            Some(zone) => self.zones.insert(id, zone),
            None => self.zones.remove(&id),
        };
        self.sites.insert(id, Site { fields, remarks });
    }

    /// Adds a unit by its fields, an object.
    pub fn unit(&mut self, id: UnitId, fields: &Value) {
        let Told { value, unknown, errors } = told(fields, UnitFields::read);
        let bears = if concerns(&errors, &DUE_FIELDS) { Bears::Due } else { Bears::Standby };
        let named = || Some(id.to_string());
        let remarks = Remark::newer("unit", named(), unknown).into_iter();
        let unit = self.units.entry(id).or_default();
        unit.remarks = remarks.chain(Remark::unreadable("unit", named(), errors, bears)).collect();
        unit.fields = Some(value.unwrap_or_default());
    }

    /// Adds an edition of a schedule, as it is told: with `id` and `schedule_id`.
    pub fn edition(&mut self, edition: &Value) {
        let Told { value, unknown, errors } = told(edition, |o| {
            let id = o.required("id", EditionId::read);
            let schedule = o.required("schedule_id", ScheduleId::read);
            let edition = Edition::read(o);
            schedule?;
            Some((id?, edition?))
        });
        let id = edition.get("id").and_then(|id| EditionId::read(id).ok());
        let named = || id.map(|id| id.to_string());
        let newer = Remark::newer("edition", named(), unknown.clone());
        let unreadable = Remark::unreadable("edition", named(), errors, Bears::Due);
        let is_read = unreadable.is_none();
        let remarks = newer.into_iter().chain(unreadable);
        let Some(id) = id else {
            self.remarks.entry(None).or_default().extend(remarks);
            return;
        };
        self.edition_remarks.insert(id, remarks.collect());
        self.newer_limits.retain(|(of, _)| *of != id);
        match value.filter(|_| is_read) {
            Some((_, read)) => {
                let newer = unknown.iter().filter_map(|pointer| limit_of(&read, edition, pointer));
                self.newer_limits.extend(newer.map(|task| (id, task)));
                self.editions.insert(id, Arc::new(read));
            }
            None => drop(self.editions.remove(&id)),
        }
    }

    /// Adds a service event as it is told, or as it was written here with an `id`; also an adoption for a model.
    pub fn event(&mut self, event: &Value) {
        let id = event.get("id").and_then(Value::as_str).map(str::to_owned);
        let units = units_named(event);
        self.forget_remarks(&units, id.as_ref());
        let kind = event.get("kind").and_then(Value::as_str);
        let known =
            kind.and_then(|kind| EVENT_KINDS.iter().find(|(word, _)| *word == kind)).map(|(_, kind)| *kind);
        if kind.is_some() && known.is_none() {
            self.remark(&units, Remark::new("service_event", id, RemarkCode::NewerKind, Bears::Nothing));
            return;
        }
        let mut read = told_event(event);
        if let Some(rest) = without_aside(event, &read.errors) {
            let errors = std::mem::take(&mut read.errors);
            let passed_over = Remark::unreadable("service_event", id.clone(), errors, Bears::Nothing);
            passed_over.into_iter().for_each(|remark| self.remark(&units, remark));
            read = told_event(&rest);
        }
        let Told { value, unknown, errors } = read;
        let newer_limits = unknown.iter().any(|pointer| pointer.contains(OWN_LIMITS));
        if let Some(remark) = Remark::newer("service_event", id.clone(), unknown) {
            self.remark(&units, remark);
        }
        let bears = known.map_or(Bears::Due, bears);
        if let Some(remark) = Remark::unreadable("service_event", id, errors, bears) {
            self.remark(&units, Remark { event: Some(known), ..remark });
            return;
        }
        match value {
            Some((Posted::OfUnit(mut event), happened_at)) => {
                if let Some(at) = happened_at {
                    event.put_right(at);
                }
                self.add(*event, newer_limits);
            }
            Some((Posted::OfModel(adoption), _)) => {
                self.adoptions.entry(adoption.of.clone()).or_default().insert(adoption.id, *adoption);
            }
            None => {}
        }
    }

    fn add(&mut self, event: ServiceEvent, newer_limits: bool) {
        if let Some(other) = other_unit(&event).filter(|other| *other != event.unit_id) {
            self.kin.entry(event.unit_id).or_default().insert(other);
            self.kin.entry(other).or_default().insert(event.unit_id);
        }
        let unit = self.units.entry(event.unit_id).or_default();
        match limits_decided(&event).filter(|_| newer_limits) {
            Some(of) => drop(unit.newer_limits.insert(event.id, of)),
            None => drop(unit.newer_limits.remove(&event.id)),
        }
        match unit.places.get(&event.id).and_then(|place| unit.events.get_mut(*place)) {
            Some(earlier) => *earlier = event,
            None => {
                unit.places.insert(event.id, unit.events.len());
                unit.events.push(event);
            }
        }
    }

    /// Remarks something about an event of some units; of none, it may be of any.
    fn remark(&mut self, units: &[UnitId], remark: Remark) {
        for unit in units {
            let unit = self.units.entry(*unit).or_default();
            unit.event_remarks.entry(remark.id.clone()).or_default().push(remark.clone());
        }
        if units.is_empty() {
            self.pass_over(remark);
        }
    }

    /// Forgets what was remarked about an event that is told anew.
    fn forget_remarks(&mut self, units: &[UnitId], id: Option<&String>) {
        let Some(id) = id else { return };
        let id = Some(id.clone());
        self.remarks.remove(&id);
        for unit in units {
            self.units.get_mut(unit).map(|unit| unit.event_remarks.remove(&id));
        }
    }

    /// Remarks something about no unit.
    pub(crate) fn pass_over(&mut self, remark: Remark) {
        self.remarks.entry(remark.id.clone()).or_default().push(remark);
    }

    /// A unit and all that corrections join it with, one through another, those of which nothing else is here included; by id.
    pub(crate) fn group(&self, unit: UnitId) -> BTreeSet<UnitId> {
        let mut group = BTreeSet::from([unit]);
        let mut next = VecDeque::from([unit]);
        while let Some(one) = next.pop_front() {
            let others = self.kin.get(&one).into_iter().flatten();
            next.extend(others.filter(|other| group.insert(**other)));
        }
        group
    }

    /// The adoptions for a model.
    pub(crate) fn adoptions(&self, model: &UnitModel) -> impl Iterator<Item = &ModelAdoption> {
        self.adoptions.get(model).into_iter().flat_map(BTreeMap::values)
    }

    /// What is to be remarked about the records that may be about any unit.
    pub(crate) fn remarks(&self) -> impl Iterator<Item = &Remark> {
        self.remarks.values().flatten()
    }

    /// What is to be remarked about an edition.
    pub(crate) fn about_edition(&self, id: EditionId) -> Vec<Remark> {
        let remarks = self.edition_remarks.get(&id);
        remarks.cloned().unwrap_or_else(|| vec![not_here("edition", id, Bears::Due)])
    }

    /// What is to be remarked about a site that a unit stands or stood at. Days at one that is not here are counted by the zone
    /// of the home site, and that failing by UTC: so dates may be off by one, as nobody can see who may not see the site.
    pub(crate) fn about_site(&self, id: SiteId) -> Vec<Remark> {
        let site = self.sites.get(&id);
        site.map_or_else(|| vec![not_here("site", id, Bears::Nothing)], |site| site.remarks.clone())
    }

    /// Whether what could not be read of a unit may say where it stands.
    pub(crate) fn may_stand_elsewhere(&self, id: UnitId) -> bool {
        let unit = self.units.get(&id).filter(|unit| unit.fields.is_some());
        unit.is_none_or(|unit| unit.event_remarks.values().flatten().any(Remark::may_place))
    }

    /// What is to be remarked about a unit and its events.
    pub(crate) fn about_unit(&self, id: UnitId) -> Vec<Remark> {
        match self.units.get(&id) {
            Some(unit) if unit.fields.is_some() => {
                unit.remarks.iter().chain(unit.event_remarks.values().flatten()).cloned().collect()
            }
            _ => vec![not_here("unit", id, Bears::Due)],
        }
    }
}

fn not_here(record: &'static str, id: impl ToString, bears: Bears) -> Remark {
    Remark::new(record, Some(id.to_string()), RemarkCode::NotHere, bears)
}

/// What an event of a kind takes the certainty from if it cannot be read.
fn bears(kind: EventKind) -> Bears {
    match kind {
        EventKind::Fuel | EventKind::Battery | EventKind::Finding | EventKind::Tag => Bears::Standby,
        _ => Bears::Due,
    }
}

/// The units that an event names as far as they can be read, its own first; a correction may join another one.
fn units_named(event: &Value) -> Vec<UnitId> {
    let unit = |member: &str| event.get(member).and_then(|unit| UnitId::read(unit).ok());
    let others = ["to_unit_id", "other_unit_id"].map(unit);
    unit("unit_id")
        .into_iter()
        .flat_map(|own| std::iter::once(own).chain(others.into_iter().flatten()))
        .collect()
}

/// An event with the instant that counts, if that is told apart.
fn told_event(event: &Value) -> Told<(Posted, Option<Instant>)> {
    told(event, |o| {
        let happened_at = o.optional("happened_at", Instant::read);
        Some((Posted::read(o)?, happened_at))
    })
}

/// The event without members on which no answer rests, where errors are about these alone.
fn without_aside(event: &Value, errors: &[FieldError]) -> Option<Value> {
    if errors.is_empty() || !errors.iter().all(|error| concerns(std::slice::from_ref(error), &ASIDE)) {
        return None;
    }
    let mut members = event.as_object()?.clone();
    members.retain(|name, _| !ASIDE.contains(&name.as_str()));
    Some(Value::Object(members))
}

/// Whether some of these errors are about some of these members, or about the whole.
fn concerns(errors: &[FieldError], members: &[&str]) -> bool {
    errors.iter().any(|error| {
        let mut steps = error.pointer.as_deref().unwrap_or_default().split('/').skip(1);
        steps.next().is_none_or(|member| members.contains(&member))
    })
}

/// The task among whose limits a member that is not known stands.
fn limit_of(edition: &Edition, told: &Value, pointer: &str) -> Option<Code> {
    let mut steps = pointer.strip_prefix("/tasks/")?.split('/');
    let (place, member) = (steps.next()?.parse::<usize>().ok()?, steps.next()?);
    let code = told.pointer(&format!("/tasks/{place}/task"))?.as_str()?;
    let task = edition.tasks.iter().find(|task| task.task.as_str() == code)?;
    LIMITS.contains(&member).then(|| task.task.clone())
}

/// The task for which an event, or what it puts in another's place, decides other limits.
fn limits_decided(event: &ServiceEvent) -> Option<(ScheduleId, Code)> {
    let mut details = std::iter::once(&event.details).chain(replaced(event));
    details.find_map(|details| match details {
        Details::Setting(UnitSetting { what: SettingOf::LimitsOf(of), .. }) => {
            Some((of.schedule_id, of.task.clone()))
        }
        _ => None,
    })
}

/// The unit that an event names beside its own.
fn other_unit(event: &ServiceEvent) -> Option<UnitId> {
    if let Details::Correction(correction) = &event.details { correction.action.other_unit() } else { None }
}

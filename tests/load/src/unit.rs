//! The life of one unit, told forward: each thing that happens is later than the last, at a higher meter.

use anyhow::Result;
use blackbox::world::fresh;
use merge::Version;
use model::{EditionId, Instant, ScheduleId, SiteId, UnitId, event::ServiceEvent, stamp::Stamp};
use serde_json::{Value, json};
use store::command::Proposal;

use crate::town::{self, JOBS, Places};

/// A unit, and how far its story has come.
#[derive(Clone, Debug)]
pub(crate) struct Unit {
    pub(crate) id: UnitId,
    site: SiteId,
    schedule: (ScheduleId, EditionId),
    at: Instant,
    /// What its meter shows, in tenths of an hour.
    tenths: u32,
    /// How many things happened.
    told: usize,
    /// The edit that corrected its fields last, or made them.
    seen: Version,
}

impl Unit {
    /// The unit of this number; those of one `group` share site and schedule.
    pub(crate) fn new(places: &Places, group: usize, begins: Instant) -> Self {
        let pick = |n: usize| group % n.max(1);
        let site = places.sites.get(pick(places.sites.len())).copied().unwrap_or_else(fresh);
        let none = || (fresh(), fresh());
        let schedule = places.schedules.get(pick(places.schedules.len())).copied().unwrap_or_else(none);
        let id: UnitId = fresh();
        let seen = Version { raw: Stamp::service(begins, None), edit: id.cast() };
        Self { id, site, schedule, at: begins, tenths: 0, told: 0, seen }
    }

    /// Its record.
    pub(crate) fn created(&self) -> Result<Proposal> {
        town::created_offline(self.id, self.fields(), self.seen)
    }

    /// Its record, when more is known of it.
    pub(crate) fn created_with(&self, more: Value) -> Result<Proposal> {
        let mut fields = town::members(self.fields())?;
        fields.extend(town::members(more)?);
        town::created_offline(self.id, fields.into(), self.seen)
    }

    /// What is known of it.
    pub(crate) fn fields(&self) -> Value {
        let label = self.id.to_string().split_off(24);
        json!({
            "label": format!("TV-{label}"), "home_site_id": self.site, "maker": "Harrow & Pine", "model": "HP 55",
            "serial": label, "fuel": "petrol", "rated_kw": 5.5, "tank_litres": 24, "ignition": "spark",
        })
    }

    /// It comes into service, and follows its schedule from then on.
    pub(crate) fn begins(&mut self) -> Result<[ServiceEvent; 2]> {
        let (schedule, edition) = self.schedule;
        let commissioning = json!({"kind": "commissioning", "site_id": self.site, "meter_hours": 0});
        let adoption = json!({"kind": "adoption", "schedule_id": schedule, "edition_id": edition});
        Ok([self.event(commissioning)?, self.event(adoption)?])
    }

    /// When something happened to it last.
    pub(crate) fn last(&self) -> Instant {
        self.at
    }

    /// Its meter is read after `seconds` and `tenths` of an hour of running.
    pub(crate) fn reading(&mut self, seconds: i64, tenths: u32) -> Result<ServiceEvent> {
        self.goes_on(seconds, tenths);
        let value = json!({"kind": "reading", "meter_hours": self.meter()});
        self.event(value)
    }

    /// A job is done on it, each in its turn.
    pub(crate) fn service(&mut self, seconds: i64, tenths: u32) -> Result<ServiceEvent> {
        let job = JOBS.get(self.told % JOBS.len()).map_or("", |(job, ..)| job);
        self.service_of(job, seconds, tenths)
    }

    /// This job is done on it.
    pub(crate) fn service_of(&mut self, job: &str, seconds: i64, tenths: u32) -> Result<ServiceEvent> {
        self.goes_on(seconds, tenths);
        let value = json!({"kind": "service", "jobs": [{"job": job}], "meter_hours": self.meter()});
        self.event(value)
    }

    /// Something else happens to it, after `seconds`.
    pub(crate) fn happens(&mut self, seconds: i64, value: Value) -> Result<ServiceEvent> {
        self.goes_on(seconds, 0);
        self.event(value)
    }

    /// Somebody who has seen the values before corrects its label and its tank, as a handset sends that.
    pub(crate) fn corrected(&mut self) -> Result<Proposal> {
        let fields = self.correction();
        let raw = Stamp { clock: self.seen.raw.clock + 1, handset: 1 };
        let next = Version { raw, edit: fresh() };
        let seen = std::mem::replace(&mut self.seen, next);
        town::set_offline(self.id, fields, next, seen)
    }

    /// The fields of such a correction, which describe it: nothing that is due rests on them.
    pub(crate) fn correction(&mut self) -> Value {
        self.told += 1;
        json!({"label": format!("TV-{}", self.told), "tank_litres": 20 + self.told % 8})
    }

    /// The name of the values of its corrected fields.
    pub(crate) fn seen(&self) -> Version {
        self.seen
    }

    /// Its home.
    pub(crate) fn site(&self) -> SiteId {
        self.site
    }

    /// Readings and every third time a service, evenly until this instant, so that it has `events` in all.
    pub(crate) fn lives(&mut self, events: usize, until: Instant) -> Result<Vec<ServiceEvent>> {
        let mut life = Vec::from(self.begins()?);
        let more = events.saturating_sub(life.len());
        let step = until.seconds_since(self.at) / i64::try_from(more.max(1))?;
        for n in 0..more {
            life.push(if n % 3 == 2 { self.service(step, 7)? } else { self.reading(step, 7)? });
        }
        Ok(life)
    }

    fn goes_on(&mut self, seconds: i64, tenths: u32) {
        self.at = self.at.plus_seconds(seconds);
        self.tenths += tenths;
    }

    fn meter(&self) -> f64 {
        f64::from(self.tenths) / 10.0
    }

    fn event(&mut self, mut value: Value) -> Result<ServiceEvent> {
        self.told += 1;
        if let Some(members) = value.as_object_mut() {
            members.insert("id".into(), json!(fresh::<model::id::kind::Event>()));
            members.insert("unit_id".into(), json!(self.id));
            members.insert("occurred_at".into(), json!(self.at.to_string()));
        }
        town::event(&value)
    }
}

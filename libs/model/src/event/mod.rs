//! Service events: what happened to a unit. One file per kind.

mod adoption;
mod analysis;
mod battery;
mod commissioning;
mod component;
mod correction;
mod deferral;
mod duty;
mod effective;
mod finding;
mod fuel;
mod measured;
mod model_adoption;
mod placement;
mod reading;
mod replacement;
mod run;
mod service;
mod setting;
mod storage;
mod tag;

use serde::{Serialize, Serializer, ser::SerializeMap};
use serde_json::Value;
use utoipa::ToSchema;

pub use self::{
    adoption::Adoption,
    analysis::Analysis,
    battery::{BatteryCheck, BatteryLoad, BatteryResult},
    commissioning::Commissioning,
    component::{Component, ComponentAction, ComponentChange},
    correction::{Correction, CorrectionAction, CorrectionMembers, CorrectionWord},
    deferral::Deferral,
    duty::Duty,
    effective::Effective,
    finding::{Finding, FindingAction, FindingActionWord, FindingMembers, FindingSeverity},
    fuel::{EthanolWord, Filled, FuelAction, FuelActionWord, FuelAmount, FuelChange, FuelMembers},
    measured::RunMeasured,
    model_adoption::{ModelAdoption, Posted, UnitModel},
    placement::Placement,
    reading::Reading,
    replacement::Replacement,
    run::{Run, RunMembers, RunPhase, RunPhaseWord, RunReason},
    service::{JobDone, JobResult, Service},
    setting::{AppliesTo, Fitted, LimitsOf, SettingMembers, SettingOf, UnitSetting},
    storage::{Storage, StorageAction},
    tag::{Tag, TagAction, TagActionWord, TagMembers, TagWord},
};
use crate::{
    blob::Attachment,
    id::{EventId, PersonId, UnitId},
    private::PrivateText,
    read::{Flaw, Object, word},
    time::{Instant, LocalDate, Occurred, TIME_SOURCES, TimeSource, When},
};

/// Something that happened to a unit; immutable once recorded, corrected only by another event.
#[derive(Clone, Debug, PartialEq, Eq, Serialize)]
pub struct ServiceEvent {
    /// Its permanent id, made by the client; also the key that makes a repeat recognisable.
    pub id: EventId,
    /// The unit it happened to.
    pub unit_id: UnitId,
    /// When it happened.
    #[serde(flatten)]
    pub occurred: Occurred,
    /// For whom the author entered it.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub on_behalf_of: Option<PersonId>,
    /// Anything else; private, erasable.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub note: Option<PrivateText>,
    /// Photos and papers of it.
    #[serde(skip_serializing_if = "Vec::is_empty")]
    pub attachments: Vec<Attachment>,
    /// What happened, by kind.
    #[serde(flatten)]
    pub details: Details,
}

/// What happened, by kind.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, ToSchema)]
#[serde(tag = "kind", rename_all = "snake_case")]
pub enum Details {
    /// The unit came into service.
    Commissioning(Commissioning),
    /// Jobs were done.
    Service(Service),
    /// The hour meter was read.
    Reading(Reading),
    /// The engine ran, started or stopped.
    Run(Run),
    /// A component was fitted or rebuilt.
    Component(ComponentChange),
    /// Fuel went into its tank or out of it, was treated, or was measured.
    Fuel(FuelChange),
    /// The starting battery was checked, replaced, or put on a maintainer or taken off it.
    Battery(BatteryCheck),
    /// Something was found to be wrong, or is so no more.
    Finding(Finding),
    /// The unit stands somewhere else from then on.
    Placement(Placement),
    /// The unit was stored, or taken out of storage.
    Storage(Storage),
    /// The unit works under severe conditions.
    Duty(Duty),
    /// Something was decided for the unit alone.
    Setting(UnitSetting),
    /// An edition of a schedule holds for the unit.
    Adoption(Adoption),
    /// A task may wait.
    Deferral(Deferral),
    /// A tag was hung or removed.
    Tag(Tag),
    /// What was recorded earlier is put right.
    Correction(Correction),
}

/// The kind of a service event.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, ToSchema)]
#[serde(rename_all = "snake_case")]
pub enum EventKind {
    /// See [`Details::Commissioning`].
    Commissioning,
    /// See [`Details::Service`].
    Service,
    /// See [`Details::Reading`].
    Reading,
    /// See [`Details::Run`].
    Run,
    /// See [`Details::Component`].
    Component,
    /// See [`Details::Fuel`].
    Fuel,
    /// See [`Details::Battery`].
    Battery,
    /// See [`Details::Finding`].
    Finding,
    /// See [`Details::Placement`].
    Placement,
    /// See [`Details::Storage`].
    Storage,
    /// See [`Details::Duty`].
    Duty,
    /// See [`Details::Setting`].
    Setting,
    /// See [`Details::Adoption`].
    Adoption,
    /// See [`Details::Deferral`].
    Deferral,
    /// See [`Details::Tag`].
    Tag,
    /// See [`Details::Correction`].
    Correction,
}

/// The words for [`EventKind`].
pub const EVENT_KINDS: &[(&str, EventKind)] = &[
    ("commissioning", EventKind::Commissioning),
    ("service", EventKind::Service),
    ("reading", EventKind::Reading),
    ("run", EventKind::Run),
    ("component", EventKind::Component),
    ("fuel", EventKind::Fuel),
    ("battery", EventKind::Battery),
    ("finding", EventKind::Finding),
    ("placement", EventKind::Placement),
    ("storage", EventKind::Storage),
    ("duty", EventKind::Duty),
    ("setting", EventKind::Setting),
    ("adoption", EventKind::Adoption),
    ("deferral", EventKind::Deferral),
    ("tag", EventKind::Tag),
    ("correction", EventKind::Correction),
];

impl ServiceEvent {
    /// Puts the times that a handset's clock told right, so that this happened at `at`: a run that was told whole ends as much
    /// later or earlier as it begins. The texts stay as they were sent.
    pub fn put_right(&mut self, at: Instant) {
        let When::At { instant, .. } = &mut self.occurred.when else { return };
        let off = at.micros().saturating_sub(instant.micros());
        *instant = at;
        if self.occurred.source == TimeSource::Clock
            && let Details::Run(Run { phase: RunPhase::Until { stopped_at, .. }, .. }) = &mut self.details
        {
            stopped_at.instant = Instant::from_micros(stopped_at.instant.micros().saturating_add(off));
        }
    }

    /// JSON Pointers to the private text of an event whose JSON is `body`: the same member is a word in one kind and
    /// somebody's text in another.
    pub fn private(body: &Value) -> &'static [&'static str] {
        let kind = |pointer| body.pointer(pointer).and_then(Value::as_str);
        let deferral = Some(EventKind::Deferral.as_str());
        if kind("/kind") == Some(EventKind::Correction.as_str()) {
            if kind("/replacement/kind") == deferral {
                &["/note", "/reason", "/replacement/reason"]
            } else {
                &["/note", "/reason"]
            }
        } else if kind("/kind") == deferral {
            &["/note", "/reason"]
        } else {
            &["/note"]
        }
    }

    /// Names of members that are private text in an event of some kind.
    pub const PRIVATE_MEMBERS: &[&str] = &["note", "reason"];

    /// Reads an event of any kind.
    pub fn read(o: &mut Object<'_>) -> Option<Self> {
        let id = o.required("id", EventId::read);
        let unit_id = o.required("unit_id", UnitId::read);
        let on_behalf_of = o.optional("on_behalf_of", PersonId::read);
        let note = o.private("note");
        let attachments = Attachment::read_all(o);
        let (occurred, details) = content(o)?;
        Some(Self {
            id: id?,
            unit_id: unit_id?,
            occurred,
            on_behalf_of,
            note,
            attachments: attachments?,
            details,
        })
    }

    /// The kind.
    pub fn kind(&self) -> EventKind {
        self.details.kind()
    }
}

impl Details {
    /// The kind.
    pub fn kind(&self) -> EventKind {
        match self {
            Self::Commissioning(_) => EventKind::Commissioning,
            Self::Service(_) => EventKind::Service,
            Self::Reading(_) => EventKind::Reading,
            Self::Run(_) => EventKind::Run,
            Self::Component(_) => EventKind::Component,
            Self::Fuel(_) => EventKind::Fuel,
            Self::Battery(_) => EventKind::Battery,
            Self::Finding(_) => EventKind::Finding,
            Self::Placement(_) => EventKind::Placement,
            Self::Storage(_) => EventKind::Storage,
            Self::Duty(_) => EventKind::Duty,
            Self::Setting(_) => EventKind::Setting,
            Self::Adoption(_) => EventKind::Adoption,
            Self::Deferral(_) => EventKind::Deferral,
            Self::Tag(_) => EventKind::Tag,
            Self::Correction(_) => EventKind::Correction,
        }
    }
}

/// What an event says by itself: when something happened, and what.
fn content(o: &mut Object<'_>) -> Option<(Occurred, Details)> {
    let kind = o.required("kind", word(EVENT_KINDS));
    let occurred = occurred(o);
    let Some(kind) = kind else {
        o.ignore_rest();
        return None;
    };
    let details = match kind {
        EventKind::Commissioning => Commissioning::read(o).map(Details::Commissioning),
        EventKind::Service => Service::read(o).map(Details::Service),
        EventKind::Reading => Reading::read(o).map(Details::Reading),
        EventKind::Run => Run::read(o).map(Details::Run),
        EventKind::Component => ComponentChange::read(o).map(Details::Component),
        EventKind::Fuel => FuelChange::read(o).map(Details::Fuel),
        EventKind::Battery => BatteryCheck::read(o).map(Details::Battery),
        EventKind::Finding => Finding::read(o).map(Details::Finding),
        EventKind::Placement => Placement::read(o).map(Details::Placement),
        EventKind::Storage => Storage::read(o).map(Details::Storage),
        EventKind::Duty => Duty::read(o).map(Details::Duty),
        EventKind::Setting => UnitSetting::read(o).map(Details::Setting),
        EventKind::Adoption => Adoption::read(o).map(Details::Adoption),
        EventKind::Deferral => Deferral::read(o).map(Details::Deferral),
        EventKind::Tag => Tag::read(o).map(Details::Tag),
        EventKind::Correction => Correction::read(o).map(Details::Correction),
    };
    let (occurred, details) = (occurred?, details?);
    if let (When::At { instant, .. }, Details::Run(run)) = (&occurred.when, &details)
        && run.ends_before(*instant)
    {
        return o.fail("stopped_at", Flaw::new("not_after_start", "A run ends after it begins."));
    }
    if let Details::Fuel(change) = &details
        && occurred.when.day_as_written().is_some_and(|day| change.bought_after(day))
    {
        return o.fail("bought_on", Flaw::new("not_before_filled", "Fuel is filled in after it is bought."));
    }
    Some((occurred, details))
}

impl EventKind {
    /// The kind as it is written.
    pub fn as_str(self) -> &'static str {
        EVENT_KINDS.iter().find(|(_, kind)| *kind == self).map_or("", |(name, _)| *name)
    }
}

fn occurred(o: &mut Object<'_>) -> Option<Occurred> {
    let at = o.optional("occurred_at", |v| {
        Instant::read(v).map(|instant| (instant, v.as_str().unwrap_or_default().into()))
    });
    let on = o.optional("occurred_on", LocalDate::read);
    let to_the_minute = o.optional("occurred_precision", word(&[("instant", false), ("minute", true)]));
    let source = o.optional("occurred_source", word(TIME_SOURCES)).unwrap_or(TimeSource::Typed);
    let when = match (at, on) {
        (Some((instant, text)), None) => {
            When::At { instant, text, to_the_minute: to_the_minute.unwrap_or(false) }
        }
        (None, Some(_)) if to_the_minute.is_some() => {
            return o.fail(
                "occurred_precision",
                Flaw::new("day_only", "A date has no finer precision than the day."),
            );
        }
        (None, Some(date)) => When::On(date),
        (Some(_), Some(_)) => {
            return o
                .fail("occurred_on", Flaw::new("two_times", "Give occurred_at or occurred_on, not both."));
        }
        (None, None) if o.has("occurred_at") || o.has("occurred_on") => return None,
        (None, None) => {
            return o.fail(
                "occurred_at",
                Flaw::new(
                    "required",
                    "Say when it happened: occurred_at, or occurred_on if only the day is known.",
                ),
            );
        }
    };
    Some(Occurred { when, source })
}

impl Serialize for Occurred {
    fn serialize<S: Serializer>(&self, s: S) -> Result<S::Ok, S::Error> {
        let mut map = s.serialize_map(None)?;
        match &self.when {
            When::At { text, to_the_minute, .. } => {
                map.serialize_entry("occurred_at", text)?;
                if *to_the_minute {
                    map.serialize_entry("occurred_precision", "minute")?;
                }
            }
            When::On(date) => map.serialize_entry("occurred_on", date)?,
        }
        if self.source != TimeSource::Typed {
            map.serialize_entry("occurred_source", &self.source)?;
        }
        map.end()
    }
}

#[cfg(test)]
mod tests;

//! Service events: what happened to a unit. One file per kind.

mod adoption;
mod commissioning;
mod component;
mod correction;
mod model_adoption;
mod placement;
mod reading;
mod service;

use serde::{Serialize, Serializer, ser::SerializeMap};
use serde_json::Value;
use utoipa::ToSchema;

pub use self::{
    adoption::Adoption,
    commissioning::Commissioning,
    component::{Component, ComponentAction, ComponentChange},
    correction::{Correction, CorrectionAction},
    model_adoption::{ModelAdoption, Posted, UnitModel},
    placement::Placement,
    reading::Reading,
    service::{JobDone, Service},
};
use crate::{
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
    /// An engine or a meter was fitted or rebuilt.
    Component(ComponentChange),
    /// The unit stands somewhere else from now on.
    Placement(Placement),
    /// An edition of a schedule holds for the unit.
    Adoption(Adoption),
    /// An earlier event counts no more, or again.
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
    /// See [`Details::Component`].
    Component,
    /// See [`Details::Placement`].
    Placement,
    /// See [`Details::Adoption`].
    Adoption,
    /// See [`Details::Correction`].
    Correction,
}

/// The words for [`EventKind`].
pub const EVENT_KINDS: &[(&str, EventKind)] = &[
    ("commissioning", EventKind::Commissioning),
    ("service", EventKind::Service),
    ("reading", EventKind::Reading),
    ("component", EventKind::Component),
    ("placement", EventKind::Placement),
    ("adoption", EventKind::Adoption),
    ("correction", EventKind::Correction),
];

/// Kinds whose names are taken and whose content is not settled yet.
const RESERVED: &[&str] =
    &["run", "fuel", "battery", "finding", "storage", "duty", "setting", "deferral", "tag"];

impl ServiceEvent {
    /// JSON Pointers to the private text of an event of any kind.
    pub const PRIVATE: &[&str] = &["/note", "/reason"];

    /// Reads an event of any kind.
    pub fn read(o: &mut Object<'_>) -> Option<Self> {
        let kind = o.required("kind", kind);
        let id = o.required("id", EventId::read);
        let unit_id = o.required("unit_id", UnitId::read);
        let occurred = occurred(o);
        let on_behalf_of = o.optional("on_behalf_of", PersonId::read);
        let note = o.private("note");
        let Some(kind) = kind else {
            o.ignore_rest();
            return None;
        };
        let details = match kind {
            EventKind::Commissioning => Commissioning::read(o).map(Details::Commissioning),
            EventKind::Service => Service::read(o).map(Details::Service),
            EventKind::Reading => Reading::read(o).map(Details::Reading),
            EventKind::Component => ComponentChange::read(o).map(Details::Component),
            EventKind::Placement => Placement::read(o).map(Details::Placement),
            EventKind::Adoption => Adoption::read(o).map(Details::Adoption),
            EventKind::Correction => Correction::read(o).map(Details::Correction),
        };
        Some(Self { id: id?, unit_id: unit_id?, occurred: occurred?, on_behalf_of, note, details: details? })
    }

    /// The kind.
    pub fn kind(&self) -> EventKind {
        match self.details {
            Details::Commissioning(_) => EventKind::Commissioning,
            Details::Service(_) => EventKind::Service,
            Details::Reading(_) => EventKind::Reading,
            Details::Component(_) => EventKind::Component,
            Details::Placement(_) => EventKind::Placement,
            Details::Adoption(_) => EventKind::Adoption,
            Details::Correction(_) => EventKind::Correction,
        }
    }
}

impl EventKind {
    /// The kind as it is written.
    pub fn as_str(self) -> &'static str {
        EVENT_KINDS.iter().find(|(_, kind)| *kind == self).map_or("", |(name, _)| *name)
    }
}

fn kind(value: &Value) -> Result<EventKind, Flaw> {
    match value.as_str() {
        Some(name) if RESERVED.contains(&name) => {
            Err(Flaw::new("kind_reserved", format!("Events of kind {name} are not taken yet.")))
        }
        _ => word(EVENT_KINDS)(value),
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

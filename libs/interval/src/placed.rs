//! Events reduced to what due state rests on.

use std::borrow::Cow;

use model::{
    EventId, Hours, Instant, LocalDate, Zone,
    event::{Adoption, Component, ComponentAction, ComponentChange, Details, JobDone, ServiceEvent},
    time::When,
};

/// An event with the instant that stands for its time.
#[derive(Clone, Debug, PartialEq, Eq)]
pub(crate) struct Placed<'a> {
    pub(crate) id: EventId,
    pub(crate) instant: Instant,
    /// The day, where only that is known.
    pub(crate) day: Option<LocalDate>,
    pub(crate) what: What<'a>,
}

/// What happened.
#[derive(Clone, Debug, PartialEq, Eq)]
pub(crate) enum What<'a> {
    Commissioning {
        meter: Option<Hours>,
        engine: Option<Hours>,
    },
    /// A meter took the place of another.
    Swap {
        old: Option<Hours>,
        new: Hours,
    },
    /// An engine was fitted or rebuilt.
    Engine {
        meter: Option<Hours>,
    },
    Reading(Hours),
    Service {
        jobs: Cow<'a, [JobDone]>,
        meter: Option<Hours>,
    },
    Adoption(&'a Adoption),
}

impl<'a> Placed<'a> {
    /// Nothing for the kinds that only say where a unit stands or what counts.
    pub(crate) fn of(event: &'a ServiceEvent, instant: Instant) -> Option<Self> {
        let day = match event.occurred.when {
            When::At { .. } => None,
            When::On(date) => Some(date),
        };
        Some(Self { id: event.id, instant, day, what: What::of(&event.details)? })
    }

    /// Its place in canonical order: what is read at one instant comes before what is done then.
    pub(crate) fn key(&self) -> (Instant, u8, EventId) {
        (self.instant, self.what.rank(), self.id)
    }

    /// The calendar day in `zone`.
    pub(crate) fn date(&self, zone: &Zone) -> LocalDate {
        self.day.unwrap_or_else(|| zone.date(self.instant))
    }

    /// The same with its jobs lent.
    pub(crate) fn lent(&self) -> Placed<'_> {
        Placed { id: self.id, instant: self.instant, day: self.day, what: self.what.lent() }
    }

    /// The jobs done.
    pub(crate) fn jobs(&self) -> &[JobDone] {
        if let What::Service { jobs, .. } = &self.what { jobs } else { &[] }
    }
}

impl<'a> What<'a> {
    fn of(details: &'a Details) -> Option<Self> {
        Some(match details {
            Details::Commissioning(c) => Self::Commissioning { meter: c.meter_hours, engine: c.engine_hours },
            Details::Component(change) if swaps_meter(change) => {
                Self::Swap { old: change.old_meter_hours, new: change.new_meter_hours.unwrap_or(Hours::ZERO) }
            }
            Details::Component(change) => Self::Engine { meter: change.meter_hours },
            Details::Reading(reading) => Self::Reading(reading.meter_hours),
            Details::Service(done) => {
                Self::Service { jobs: Cow::Borrowed(&done.jobs), meter: done.meter_hours }
            }
            Details::Adoption(adoption) => Self::Adoption(adoption),
            // Kinds that due state does not rest on yet.
            Details::Run(_)
            | Details::Storage(_)
            | Details::Duty(_)
            | Details::Setting(_)
            | Details::Deferral(_)
            | Details::Tag(_)
            | Details::Placement(_)
            | Details::Correction(_) => return None,
        })
    }

    fn lent(&self) -> What<'_> {
        match self {
            Self::Service { jobs, meter } => What::Service { jobs: Cow::Borrowed(jobs), meter: *meter },
            Self::Commissioning { meter, engine } => What::Commissioning { meter: *meter, engine: *engine },
            Self::Swap { old, new } => What::Swap { old: *old, new: *new },
            Self::Engine { meter } => What::Engine { meter: *meter },
            Self::Reading(hours) => What::Reading(*hours),
            Self::Adoption(adoption) => What::Adoption(adoption),
        }
    }

    /// What the meter showed, of a swap the new one.
    pub(crate) fn meter(&self) -> Option<Hours> {
        match self {
            Self::Reading(hours) | Self::Swap { new: hours, .. } => Some(*hours),
            Self::Commissioning { meter, .. } | Self::Engine { meter } | Self::Service { meter, .. } => {
                *meter
            }
            Self::Adoption(_) => None,
        }
    }

    fn rank(&self) -> u8 {
        match self {
            Self::Commissioning { .. } => 0,
            Self::Swap { .. } | Self::Engine { .. } => 1,
            Self::Reading(_) => 2,
            Self::Service { .. } => 3,
            Self::Adoption(_) => 4,
        }
    }
}

fn swaps_meter(change: &ComponentChange) -> bool {
    change.component == Component::Meter && change.action == ComponentAction::Fitted
}

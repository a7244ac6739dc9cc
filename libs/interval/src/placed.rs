//! Events reduced to what due state rests on.

use std::borrow::Cow;

use model::{
    EventId, Hours, Instant, LocalDate, Zone,
    event::{
        Adoption, Component, ComponentAction, ComponentChange, Deferral, Details, Duty, JobDone, Run,
        RunPhase, RunReason, StorageAction, UnitSetting,
    },
    time::When,
};

use crate::{runs::Phase, standing::Said};

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
    /// A component was fitted or rebuilt.
    Fitted {
        component: Component,
        meter: Option<Hours>,
    },
    Storage(StorageAction),
    Duty(&'a Duty),
    Reading(Hours),
    Service {
        jobs: Cow<'a, [JobDone]>,
        meter: Option<Hours>,
    },
    /// The engine ran, started or stopped.
    Run {
        phase: Phase,
        meter: Option<Hours>,
        /// What the meter showed at the end of the whole of it.
        stop_meter: Option<Hours>,
        reason: Option<RunReason>,
    },
    Adoption(&'a Adoption),
    Setting(&'a UnitSetting),
    Deferral(&'a Deferral),
}

impl<'a> Placed<'a> {
    /// Nothing for the kinds that only say where a unit stands or what counts.
    pub(crate) fn of(said: Said<'a>, instant: Instant) -> Option<Self> {
        let day = match said.when {
            When::At { .. } => None,
            When::On(date) => Some(*date),
        };
        Some(Self { id: said.id, instant, day, what: What::of(said.details, instant)? })
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

    /// What the meter showed at the end of a run, as a reading of its own.
    pub(crate) fn stop_reading(&self) -> Option<Placed<'a>> {
        match self.what {
            What::Run { phase: Phase::Whole { end, .. }, stop_meter: Some(hours), .. } => {
                Some(Placed { id: self.id, instant: end, day: None, what: What::Reading(hours) })
            }
            _ => None,
        }
    }

    /// The jobs done.
    pub(crate) fn jobs(&self) -> &[JobDone] {
        if let What::Service { jobs, .. } = &self.what { jobs } else { &[] }
    }
}

impl<'a> What<'a> {
    fn of(details: &'a Details, instant: Instant) -> Option<Self> {
        Some(match details {
            Details::Commissioning(c) => Self::Commissioning { meter: c.meter_hours, engine: c.engine_hours },
            Details::Component(change) if swaps_meter(change) => {
                Self::Swap { old: change.old_meter_hours, new: change.new_meter_hours.unwrap_or(Hours::ZERO) }
            }
            Details::Component(change) => {
                Self::Fitted { component: change.component, meter: change.meter_hours }
            }
            Details::Storage(storage) => Self::Storage(storage.action),
            Details::Duty(duty) => Self::Duty(duty),
            Details::Reading(reading) => Self::Reading(reading.meter_hours),
            Details::Service(done) => {
                Self::Service { jobs: Cow::Borrowed(&done.jobs), meter: done.meter_hours }
            }
            Details::Adoption(adoption) => Self::Adoption(adoption),
            Details::Run(run) => return Self::run(run, instant),
            Details::Setting(setting) => Self::Setting(setting),
            Details::Deferral(deferral) => Self::Deferral(deferral),
            Details::Placement(_)
            | Details::Fuel(_)
            | Details::Battery(_)
            | Details::Finding(_)
            | Details::Tag(_)
            | Details::Correction(_) => return None,
        })
    }

    /// Nothing of one that did not start: no hour passed on the engine.
    fn run(run: &Run, instant: Instant) -> Option<Self> {
        let exactly = Hours::ZERO;
        let (phase, stop_meter) = match &run.phase {
            RunPhase::Until { stopped_at, stop_meter_hours } => {
                let end = stopped_at.instant.max(instant);
                (Phase::Whole { end, give_or_take: exactly, timed: true }, *stop_meter_hours)
            }
            RunPhase::For { run_hours, give_or_take_hours } => {
                let end = instant.plus_seconds(run_hours.seconds());
                let give_or_take = give_or_take_hours.unwrap_or(exactly);
                (Phase::Whole { end, give_or_take, timed: false }, None)
            }
            RunPhase::Start => (Phase::Start, None),
            RunPhase::Stop { run_id } => (Phase::Stop { of: *run_id }, None),
            RunPhase::NoStart => return None,
        };
        Some(Self::Run { phase, meter: run.meter_hours, stop_meter, reason: run.reason })
    }

    fn lent(&self) -> What<'_> {
        match self {
            Self::Service { jobs, meter } => What::Service { jobs: Cow::Borrowed(jobs), meter: *meter },
            Self::Commissioning { meter, engine } => What::Commissioning { meter: *meter, engine: *engine },
            Self::Swap { old, new } => What::Swap { old: *old, new: *new },
            Self::Fitted { component, meter } => What::Fitted { component: *component, meter: *meter },
            Self::Storage(action) => What::Storage(*action),
            Self::Duty(duty) => What::Duty(duty),
            Self::Reading(hours) => What::Reading(*hours),
            Self::Run { phase, meter, stop_meter, reason } => {
                What::Run { phase: *phase, meter: *meter, stop_meter: *stop_meter, reason: *reason }
            }
            Self::Adoption(adoption) => What::Adoption(adoption),
            Self::Setting(setting) => What::Setting(setting),
            Self::Deferral(deferral) => What::Deferral(deferral),
        }
    }

    /// What the meter showed, of a swap the new one.
    pub(crate) fn meter(&self) -> Option<Hours> {
        match self {
            Self::Reading(hours) | Self::Swap { new: hours, .. } => Some(*hours),
            Self::Commissioning { meter, .. }
            | Self::Fitted { meter, .. }
            | Self::Service { meter, .. }
            | Self::Run { meter, .. } => *meter,
            Self::Storage(_) | Self::Duty(_) | Self::Adoption(_) | Self::Setting(_) | Self::Deferral(_) => {
                None
            }
        }
    }

    fn rank(&self) -> u8 {
        match self {
            Self::Commissioning { .. } => 0,
            Self::Swap { .. } | Self::Fitted { .. } => 1,
            Self::Storage(_) | Self::Duty(_) => 2,
            Self::Reading(_) => 3,
            Self::Run { .. } => 4,
            Self::Service { .. } => 5,
            Self::Adoption(_) | Self::Setting(_) | Self::Deferral(_) => 6,
        }
    }

    /// Whether it says from when it holds, whenever it was recorded.
    pub(crate) fn is_decision(&self) -> bool {
        matches!(self, Self::Adoption(_) | Self::Setting(_) | Self::Duty(_))
    }
}

fn swaps_meter(change: &ComponentChange) -> bool {
    change.component == Component::Meter && change.action == ComponentAction::Fitted
}

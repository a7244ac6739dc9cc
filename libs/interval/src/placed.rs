//! Events reduced to what due state rests on.

use std::borrow::Cow;

use model::{
    EventId, Hours, Instant, LocalDate, Zone,
    event::{
        Adoption, Component, ComponentAction, ComponentChange, Details, JobDone, Run, RunPhase, RunReason,
        ServiceEvent,
    },
    time::When,
};

use crate::runs::Phase;

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
    /// The engine ran, started or stopped.
    Run {
        phase: Phase,
        meter: Option<Hours>,
        /// What the meter showed at the end of the whole of it.
        stop_meter: Option<Hours>,
        emergency: bool,
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
        Some(Self { id: event.id, instant, day, what: What::of(&event.details, instant)? })
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
            Details::Component(change) => Self::Engine { meter: change.meter_hours },
            Details::Reading(reading) => Self::Reading(reading.meter_hours),
            Details::Service(done) => {
                Self::Service { jobs: Cow::Borrowed(&done.jobs), meter: done.meter_hours }
            }
            Details::Adoption(adoption) => Self::Adoption(adoption),
            Details::Run(run) => Self::run(run, instant),
            // Kinds that due state does not rest on yet.
            Details::Storage(_)
            | Details::Duty(_)
            | Details::Setting(_)
            | Details::Deferral(_)
            | Details::Tag(_)
            | Details::Placement(_)
            | Details::Correction(_) => return None,
        })
    }

    fn run(run: &Run, instant: Instant) -> Self {
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
        };
        let emergency = run.reason == Some(RunReason::Emergency);
        Self::Run { phase, meter: run.meter_hours, stop_meter, emergency }
    }

    fn lent(&self) -> What<'_> {
        match self {
            Self::Service { jobs, meter } => What::Service { jobs: Cow::Borrowed(jobs), meter: *meter },
            Self::Commissioning { meter, engine } => What::Commissioning { meter: *meter, engine: *engine },
            Self::Swap { old, new } => What::Swap { old: *old, new: *new },
            Self::Engine { meter } => What::Engine { meter: *meter },
            Self::Reading(hours) => What::Reading(*hours),
            Self::Run { phase, meter, stop_meter, emergency } => {
                What::Run { phase: *phase, meter: *meter, stop_meter: *stop_meter, emergency: *emergency }
            }
            Self::Adoption(adoption) => What::Adoption(adoption),
        }
    }

    /// What the meter showed, of a swap the new one.
    pub(crate) fn meter(&self) -> Option<Hours> {
        match self {
            Self::Reading(hours) | Self::Swap { new: hours, .. } => Some(*hours),
            Self::Commissioning { meter, .. }
            | Self::Engine { meter }
            | Self::Service { meter, .. }
            | Self::Run { meter, .. } => *meter,
            Self::Adoption(_) => None,
        }
    }

    fn rank(&self) -> u8 {
        match self {
            Self::Commissioning { .. } => 0,
            Self::Swap { .. } | Self::Engine { .. } => 1,
            Self::Reading(_) => 2,
            Self::Run { .. } => 3,
            Self::Service { .. } => 4,
            Self::Adoption(_) => 5,
        }
    }
}

fn swaps_meter(change: &ComponentChange) -> bool {
    change.component == Component::Meter && change.action == ComponentAction::Fitted
}

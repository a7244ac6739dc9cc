//! Why an item is in its state, as codes with values; text is made from them elsewhere.

use model::{
    Code, EditionId, EventId, Hours, Instant, LocalDate, ScheduleId, schedule::Anchor as AnchorPolicy,
};
use serde::Serialize;
use utoipa::ToSchema;

use crate::{
    hours::EngineHours,
    item::ItemKey,
    judge::Decision,
    limit::{Anchor, HoursRule, Plan},
    state::UnitState,
    words::{Axis, DueState, Grade},
};

/// One thing that an answer rests on, or that it leaves out.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, ToSchema)]
#[serde(tag = "code", rename_all = "snake_case")]
pub enum TraceEntry {
    /// The edition in force.
    EditionUsed {
        /// Its schedule.
        #[schema(value_type = String, format = "uuid")]
        schedule_id: ScheduleId,
        /// Its id.
        #[schema(value_type = String, format = "uuid")]
        edition_id: EditionId,
        /// Its own label.
        edition: String,
        /// The adoption that put it in force.
        #[schema(value_type = String, format = "uuid")]
        event_id: EventId,
        /// Since when it holds.
        #[schema(value_type = String, format = DateTime)]
        from: Instant,
    },
    /// The policy applied.
    PolicyUsed {
        /// Its name.
        #[schema(value_type = String)]
        policy: &'static str,
        /// Its edition.
        #[schema(value_type = String)]
        edition: &'static str,
    },
    /// The work was done last then, and counts from there.
    CountsFromCompletion {
        /// The service.
        #[schema(value_type = String, format = "uuid")]
        event_id: EventId,
        /// Its day, where the unit stood.
        #[schema(value_type = String, format = Date)]
        date: LocalDate,
        /// Engine hours then.
        #[serde(flatten)]
        hours: EngineHours,
    },
    /// The work was never done; it counts from the commissioning.
    CountsFromCommissioning {
        /// The commissioning.
        #[schema(value_type = String, format = "uuid")]
        event_id: EventId,
        /// Its day, where the unit stood.
        #[schema(value_type = String, format = Date)]
        date: LocalDate,
        /// Engine hours then.
        #[serde(flatten)]
        hours: EngineHours,
    },
    /// There is nothing to count from.
    NothingToCountFrom {},
    /// The work was recorded, but a correction took that back.
    CompletionNotCounted {
        /// The service.
        #[schema(value_type = String, format = "uuid")]
        event_id: EventId,
        /// The correction.
        #[schema(value_type = String, format = "uuid")]
        correction_id: EventId,
    },
    /// A reading does not fit the others and is not used.
    ReadingSetAside {
        /// The event that carries it.
        #[schema(value_type = String, format = "uuid")]
        event_id: EventId,
        /// What was read.
        #[schema(value_type = f64)]
        meter_hours: Hours,
        /// What was probably meant.
        #[serde(skip_serializing_if = "Option::is_none")]
        #[schema(value_type = Option<f64>)]
        suggested_meter_hours: Option<Hours>,
    },
    /// Engine hours now.
    EngineHoursNow {
        /// The hours.
        #[serde(flatten)]
        hours: EngineHours,
    },
    /// The limit in engine hours.
    HoursLimit {
        /// The interval in use.
        #[schema(value_type = f64)]
        interval_hours: Hours,
        /// From where it counts.
        anchor: AnchorPolicy,
        /// The least that the limit can be.
        #[schema(value_type = f64)]
        limit_lower_hours: Hours,
        /// The likeliest value.
        #[schema(value_type = f64)]
        limit_hours: Hours,
        /// The most that it can be.
        #[schema(value_type = f64)]
        limit_upper_hours: Hours,
        /// How far past it the item is not yet overdue.
        #[schema(value_type = f64)]
        tolerance_hours: Hours,
        /// How long before it the item is coming due.
        #[schema(value_type = f64)]
        lead_hours: Hours,
    },
    /// The task has a limit in hours, but hours are not known.
    HoursLimitUnknown {},
    /// The limit by date.
    CalendarLimit {
        /// From where it counts.
        anchor: AnchorPolicy,
        /// The first day of coming due.
        #[schema(value_type = String, format = Date)]
        coming_due_date: LocalDate,
        /// The day it is due.
        #[schema(value_type = String, format = Date)]
        limit_date: LocalDate,
        /// The first day of overdue.
        #[schema(value_type = String, format = Date)]
        overdue_date: LocalDate,
    },
    /// The axis of which more is used up.
    Governing {
        /// Which.
        axis: Axis,
    },
    /// What decided the state.
    Decided {
        /// What.
        by: Decision,
        /// The state.
        state: DueState,
        /// How well the hours are known that it rests on.
        grade: Grade,
    },
}

/// A service that a correction took back.
#[derive(Clone, Debug)]
pub(crate) struct NotCounted {
    pub(crate) event: EventId,
    pub(crate) correction: EventId,
    pub(crate) jobs: Vec<Code>,
}

impl UnitState {
    /// Why the item is in its state at `at`; nothing if there is no such item then.
    pub fn trace_at(&self, key: &ItemKey, at: Instant) -> Vec<TraceEntry> {
        let mut rules = self.rules.iter().enumerate();
        let in_force = rules.find(|(_, rule)| rule.schedule == key.schedule && rule.holds(at));
        let Some((i, rule)) = in_force else { return Vec::new() };
        let Some((task, plan)) = rule.tasks().find(|(task, _)| task.task == key.task) else {
            return Vec::new();
        };
        let here = self.here(at);
        let mut trace = vec![
            TraceEntry::EditionUsed {
                schedule_id: rule.schedule,
                edition_id: rule.edition_id,
                edition: rule.edition.edition.to_string(),
                event_id: rule.adoption,
                from: rule.from,
            },
            TraceEntry::PolicyUsed { policy: self.policy.name, edition: self.policy.edition },
            plan.anchor.as_ref().map_or(TraceEntry::NothingToCountFrom {}, counts_from),
        ];
        let counts = |job: &Code| rule.edition.counts_as(job).contains(&&task.job);
        let taken_back = self.not_counted.iter().filter(|service| service.jobs.iter().any(counts));
        trace.extend(taken_back.map(|service| TraceEntry::CompletionNotCounted {
            event_id: service.event,
            correction_id: service.correction,
        }));
        if !matches!(plan.hours, HoursRule::None) {
            trace.extend(self.set_aside().iter().map(|reading| TraceEntry::ReadingSetAside {
                event_id: reading.event_id,
                meter_hours: reading.meter_hours,
                suggested_meter_hours: reading.suggested,
            }));
            trace.push(TraceEntry::EngineHoursNow { hours: here.now.hours });
        }
        trace.extend(limits(plan, task.anchor));
        let item = self.item(i, rule, task, plan, &here);
        trace.extend(item.governing.map(|axis| TraceEntry::Governing { axis }));
        let by = here.judge(self, plan);
        trace.push(TraceEntry::Decided { by, state: by.state(), grade: item.grade });
        trace
    }
}

fn counts_from(anchor: &Anchor) -> TraceEntry {
    let (event_id, date, hours) = (anchor.event, anchor.date, anchor.hours);
    if anchor.completed {
        TraceEntry::CountsFromCompletion { event_id, date, hours }
    } else {
        TraceEntry::CountsFromCommissioning { event_id, date, hours }
    }
}

fn limits(plan: &Plan, policy: AnchorPolicy) -> Vec<TraceEntry> {
    let anchor =
        if plan.anchor.is_some_and(|anchor| anchor.completed) { policy } else { AnchorPolicy::Actual };
    let hours = match &plan.hours {
        HoursRule::None => None,
        HoursRule::Unknown => Some(TraceEntry::HoursLimitUnknown {}),
        HoursRule::Limit(limit) => Some(TraceEntry::HoursLimit {
            interval_hours: limit.interval,
            anchor,
            limit_lower_hours: limit.limit.lower,
            limit_hours: limit.limit.nominal,
            limit_upper_hours: limit.limit.upper,
            tolerance_hours: limit.tolerance,
            lead_hours: limit.lead,
        }),
    };
    let calendar = plan.calendar.as_ref().map(|limit| TraceEntry::CalendarLimit {
        anchor,
        coming_due_date: limit.coming,
        limit_date: limit.limit,
        overdue_date: limit.overdue,
    });
    hours.into_iter().chain(calendar).collect()
}

//! Why an item is in its state, as codes with values; text is made from them elsewhere.

use model::{
    Code, EditionId, EventId, Hours, Instant, LocalDate, ScheduleId, schedule::Anchor as AnchorPolicy,
};
use serde::Serialize;
use utoipa::ToSchema;

use crate::{
    hours::EngineHours,
    item::{DeferralInForce, ItemKey, Late},
    judge::Decision,
    lasting::Held,
    limit::{Anchor, Counted, HoursRule, Plan},
    state::{Here, UnitState},
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
    /// The component that the task follows was fitted or rebuilt then, and the work was not done since.
    CountsFromComponent {
        /// The event.
        #[schema(value_type = String, format = "uuid")]
        event_id: EventId,
        /// Its day, where the unit stood.
        #[schema(value_type = String, format = Date)]
        date: LocalDate,
        /// Engine hours then.
        #[serde(flatten)]
        hours: EngineHours,
    },
    /// The task came to be for this unit then, and the work was not done since.
    CountsFromApplicable {
        /// The event that made it so.
        #[schema(value_type = String, format = "uuid")]
        event_id: EventId,
        /// The day, where the unit stood.
        #[schema(value_type = String, format = Date)]
        date: LocalDate,
        /// Engine hours then.
        #[serde(flatten)]
        hours: EngineHours,
    },
    /// The work is to be done once, and counts from when its edition was adopted.
    CountsFromAdoption {
        /// The adoption.
        #[schema(value_type = String, format = "uuid")]
        event_id: EventId,
        /// Its first day, where the unit stood.
        #[schema(value_type = String, format = Date)]
        date: LocalDate,
        /// Engine hours then.
        #[serde(flatten)]
        hours: EngineHours,
    },
    /// There is nothing to count from.
    NothingToCountFrom {},
    /// An event that this rests on was recorded for another unit, and a correction moved it here.
    EventReassigned {
        /// The event.
        #[schema(value_type = String, format = "uuid")]
        event_id: EventId,
        /// The correction.
        #[schema(value_type = String, format = "uuid")]
        correction_id: EventId,
    },
    /// An event that this rests on was recorded otherwise, and a correction amended it.
    EventAmended {
        /// The event.
        #[schema(value_type = String, format = "uuid")]
        event_id: EventId,
        /// The correction.
        #[schema(value_type = String, format = "uuid")]
        correction_id: EventId,
    },
    /// Another service tells of the same work, and is not counted.
    CompletionRepeats {
        /// The service that is not counted.
        #[schema(value_type = String, format = "uuid")]
        event_id: EventId,
        /// The service that is.
        #[schema(value_type = String, format = "uuid")]
        counts_from: EventId,
    },
    /// The work was done sooner than it may be; it counts all the same.
    CompletionTooEarly {
        /// The service.
        #[schema(value_type = String, format = "uuid")]
        event_id: EventId,
    },
    /// The work was done past its limits the last time.
    CompletionLate {
        /// By how much.
        #[serde(flatten)]
        late: Late,
    },
    /// The task is not for this unit: so it was decided.
    DecidedNotApplicable {
        /// The event.
        #[schema(value_type = String, format = "uuid")]
        event_id: EventId,
    },
    /// The task is not for this unit: it lacks a feature.
    FeatureMissing {
        /// The feature.
        #[schema(value_type = String)]
        feature: Code,
    },
    /// The task is not for this unit: it has a feature that rules it out.
    FeaturePresent {
        /// The feature.
        #[schema(value_type = String)]
        feature: Code,
    },
    /// The task is not for this unit: its serial number is not known to be one of those it is for.
    SerialOutside {},
    /// Other limits were decided for this unit.
    LimitsOfUnit {
        /// The event.
        #[schema(value_type = String, format = "uuid")]
        event_id: EventId,
    },
    /// A part was used that nobody approved, so only a share of the interval holds.
    SubstitutePart {
        /// The service.
        #[schema(value_type = String, format = "uuid")]
        event_id: EventId,
    },
    /// The edition shortened the interval when it was adopted, and lets the work wait a little.
    AdoptionGraceHours {
        /// The limit without that.
        #[schema(value_type = f64)]
        limit_hours: Hours,
    },
    /// The same by the calendar.
    AdoptionGraceDays {
        /// The limit without that.
        #[schema(value_type = String, format = Date)]
        limit_date: LocalDate,
    },
    /// Days in storage put the limit off.
    StorageNotCounted {
        /// How many.
        days: i64,
    },
    /// A check failed, after which the work is due.
    CheckFailed {
        /// The service.
        #[schema(value_type = String, format = "uuid")]
        event_id: EventId,
    },
    /// The unit is in storage.
    InStorage {
        /// Since when.
        #[schema(value_type = String, format = DateTime)]
        from: Instant,
    },
    /// Somebody with authority lets the work wait.
    DeferredUntil {
        /// Until when.
        #[serde(flatten)]
        deferral: DeferralInForce,
    },
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
                from: rule.begins,
            },
            TraceEntry::PolicyUsed { policy: self.policy.name, edition: self.policy.edition },
        ];
        if plan.fixed != Some(Decision::NotApplicable) {
            trace.push(plan.anchor.as_ref().map_or(TraceEntry::NothingToCountFrom {}, counts_from));
            trace.extend(self.altered_of(plan));
        }
        trace.extend(plan.notes.iter().cloned());
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
        trace.extend(plan.late.map(|late| TraceEntry::CompletionLate { late }));
        let held = Held { rule, task, plan };
        trace.extend(self.waiting(&held, &here));
        let by = self.decide(&held, here.judge(self, plan), &here.now, here.zone);
        trace.push(TraceEntry::Decided { by, state: by.state(), grade: item.grade });
        trace
    }
}

impl UnitState {
    /// The corrections of what the task counts from.
    fn altered_of(&self, plan: &Plan) -> impl Iterator<Item = TraceEntry> {
        let event = plan.anchor.map(|anchor| anchor.event);
        let altered = self.altered.iter().filter(move |altered| Some(altered.event) == event);
        altered.map(|altered| {
            let (event_id, correction_id) = (altered.event, altered.correction);
            if altered.is_moved {
                TraceEntry::EventReassigned { event_id, correction_id }
            } else {
                TraceEntry::EventAmended { event_id, correction_id }
            }
        })
    }

    /// What lets the task wait now.
    fn waiting(&self, held: &Held<'_>, here: &Here<'_>) -> Vec<TraceEntry> {
        let stored = self.lasting.storage.iter().find(|stored| stored.span.holds(here.now.at));
        let stored = stored.map(|stored| TraceEntry::InStorage { from: stored.span.from });
        let deferral = self.deferral(held, &here.now, here.zone);
        let deferral =
            deferral.map(|deferral| TraceEntry::DeferredUntil { deferral: deferral.item(&here.now) });
        stored.into_iter().chain(deferral).collect()
    }
}

fn counts_from(anchor: &Anchor) -> TraceEntry {
    let (event_id, date, hours) = (anchor.event, anchor.date, anchor.hours);
    match anchor.counted {
        Counted::Done | Counted::Failed => TraceEntry::CountsFromCompletion { event_id, date, hours },
        Counted::Commissioned => TraceEntry::CountsFromCommissioning { event_id, date, hours },
        Counted::Fitted => TraceEntry::CountsFromComponent { event_id, date, hours },
        Counted::Applicable => TraceEntry::CountsFromApplicable { event_id, date, hours },
        Counted::Adopted => TraceEntry::CountsFromAdoption { event_id, date, hours },
    }
}

fn limits(plan: &Plan, policy: AnchorPolicy) -> Vec<TraceEntry> {
    let anchor =
        if plan.anchor.is_some_and(|anchor| anchor.completed()) { policy } else { AnchorPolicy::Actual };
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
            lead_hours: limit.limit.lower - limit.coming,
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

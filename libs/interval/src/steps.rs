//! States as functions of time, while nothing new is recorded.

use std::collections::BTreeMap;

use model::{Code, Instant, ScheduleId, Zone};
use serde::Deserialize;

mod in_force;
mod row;

pub use self::in_force::{InForce, edition_in};
use self::row::Row;
use crate::{
    adoption::{Rule, within},
    hours::Curve,
    input::Policy,
    item::ItemKey,
    judge::{Now, judge, newest_evidence, stale_from},
    lasting::Held,
    limit::{Days, HoursRule, Plan},
    state::UnitState,
    words::{DueState, Reason},
};

/// A state that a due item keeps for a time.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Step {
    /// The state.
    pub state: DueState,
    /// Why it is unknown, if it is.
    pub reason: Option<Reason>,
    /// The first instant of it.
    pub from: Instant,
    /// The first instant after it; [`Instant::LAST`] for ever.
    pub until: Instant,
    /// The first instant at which the item is due or possibly due, as told during this step; may be past.
    /// [`Instant::LAST`] if never or unknown.
    pub due_at: Instant,
}

/// All steps of one due item, in order of time. It serializes as a short array for one column of a table.
#[derive(Clone, Debug, PartialEq, Eq, Deserialize)]
#[serde(try_from = "Row")]
pub struct ItemSteps {
    /// Which item.
    pub key: ItemKey,
    /// The steps; there are none while no edition with the task holds.
    pub steps: Vec<Step>,
}

impl Step {
    /// Whether `next` says nothing new.
    fn goes_on_as(&self, next: &Self) -> bool {
        self.until == next.from
            && self.state == next.state
            && self.reason == next.reason
            && self.due_at == next.due_at
    }
}

/// The step that holds at `at`, if there is one.
pub fn state_in(steps: &[Step], at: Instant) -> Option<&Step> {
    steps.iter().find(|step| within(step.from, step.until, at))
}

/// The first instant after `after` at which any of the items changes; [`Instant::LAST`] if none does.
pub fn next_at(items: &[ItemSteps], after: Instant) -> Instant {
    let breaks = items.iter().flat_map(|item| &item.steps).flat_map(|step| [step.from, step.until]);
    breaks.filter(|instant| *instant > after).min().unwrap_or(Instant::LAST)
}

impl UnitState {
    /// The steps of every item from `from` on, in order of schedule and task.
    ///
    /// At any instant from then on [`state_in`] gives what [`items_at`](Self::items_at) gives.
    pub fn steps_from(&self, from: Instant) -> Vec<ItemSteps> {
        let mut items: BTreeMap<(ScheduleId, &Code), ItemSteps> = BTreeMap::new();
        let leaps: Vec<Instant> = self.curve.leaps(from).collect();
        let ahead = |rule: &Rule| rule.until > from || rule.until == Instant::LAST;
        for (i, rule) in self.rules.iter().enumerate().filter(|(_, rule)| ahead(rule)) {
            let stays = self.stays.during(from.max(rule.from), rule.until);
            for (task, plan) in rule.tasks() {
                let item = items.entry((rule.schedule, &task.task)).or_insert_with(|| ItemSteps {
                    key: ItemKey { schedule: rule.schedule, task: task.task.clone() },
                    steps: Vec::new(),
                });
                for (stay, start, end) in &stays {
                    let days = plan.calendar.as_ref().map(|limit| limit.days(&stay.zone));
                    let due = plan.due_at(&self.curve, days.map(|days| days.limit));
                    let due_at = self.due_at(i, task, due, &stay.zone);
                    let held = Held { rule, task, plan };
                    let zone = &stay.zone;
                    let stay = Stretch { held, zone, days, due_at, start: *start, end: *end };
                    self.walk(&stay, &leaps, &mut item.steps);
                }
            }
        }
        items.into_values().collect()
    }

    /// Adds the steps of a plan while the unit stays at one place.
    fn walk(&self, stretch: &Stretch<'_>, leaps: &[Instant], steps: &mut Vec<Step>) {
        let Stretch { held, zone, days, due_at, start, end } = stretch;
        let plan = held.plan;
        let mut breaks = leaps.to_vec();
        self.lasting_breaks(held, zone, &mut breaks);
        plan.breaks(&self.curve, &self.policy, &mut breaks);
        breaks.extend(days.iter().flat_map(|days| [days.coming, days.limit, days.overdue]));
        breaks.retain(|at| start < at && at < end);
        breaks.push(*start);
        breaks.sort_unstable();
        breaks.dedup();
        let ends = breaks.iter().skip(1).copied().chain([*end]);
        for (at, until) in breaks.iter().copied().zip(ends) {
            let now = Now::of(at, &self.curve);
            let begun = days.map(|days| days.begun(at));
            let by_limits = judge(plan, begun, &now, &self.curve, &self.policy);
            let decision = self.decide(held, by_limits, &now, zone);
            let step =
                Step { state: decision.state(), reason: decision.reason(), from: at, until, due_at: *due_at };
            match steps.last_mut().filter(|last| last.goes_on_as(&step)) {
                Some(last) => last.until = until,
                None => steps.push(step),
            }
        }
    }
}

/// A plan while it holds and the unit stays at one place.
struct Stretch<'a> {
    held: Held<'a>,
    zone: &'a Zone,
    days: Option<Days>,
    due_at: Instant,
    start: Instant,
    end: Instant,
}

impl Plan {
    /// When the day of its limit on the calendar begins in `zone`.
    pub(crate) fn limit_day(&self, zone: &Zone) -> Option<Instant> {
        self.calendar.as_ref().map(|limit| zone.midnight(limit.limit))
    }

    /// The first instant at which it is due or possibly due, where its day begins at `limit_day`.
    pub(crate) fn due_at(&self, curve: &Curve, limit_day: Option<Instant>) -> Instant {
        let by_hours = match &self.hours {
            HoursRule::Limit(limit) => {
                let [by_curve, by_use] = limit.upper_reaches(curve, limit.limit.lower);
                by_curve.max(by_use)
            }
            HoursRule::None | HoursRule::Unknown => Instant::LAST,
        };
        limit_day.map_or(by_hours, |day| day.min(by_hours))
    }

    /// The instants at which hours, or the age of what they rest on, reach something.
    fn breaks(&self, curve: &Curve, policy: &Policy, breaks: &mut Vec<Instant>) {
        if let HoursRule::Limit(limit) = &self.hours {
            breaks.extend(limit.upper_reaches(curve, limit.coming));
            breaks.extend(limit.upper_reaches(curve, limit.limit.lower));
            breaks.extend(limit.lower_reaches(curve));
            breaks.push(stale_from(newest_evidence(self, curve), policy));
        }
    }
}

//! The state of a unit: its events folded once, to be asked about any instant.

use std::sync::Arc;

use model::{
    EditionId, EventId, Instant, LocalDate, SiteId, Zone,
    event::Details,
    schedule::{Edition, Task},
    time::When,
};

use crate::{
    adoption::{Rule, rules},
    calendar,
    conditions::Conditions,
    hours::{Built, Curve, EngineHours, SetAside, Settling, build},
    input::{Input, Policy, UnitFacts},
    item::{CalendarAxis, DueItem, Fraction, HoursAxis, greater_share},
    judge::{Decision, Now, judge},
    lasting::{Held, Lasting},
    limit::{CalendarLimit, Counted, Ground, HoursLimit, HoursRule, Plan},
    places::Stays,
    segments::cut,
    settled::Settled,
    standing::{Altered, Standing, Void},
    trace::NotCounted,
    words::{Action, Axis, Grade, Reason},
};

/// All that due state needs of a unit's events. It holds until another event is recorded.
///
/// Every event counts at every instant asked about, so the answer for an instant before the newest event is given
/// with hindsight. What was due then by what had happened until then is told by [`refold_until`].
#[derive(Clone, Debug)]
pub struct UnitState {
    pub(crate) facts: UnitFacts,
    pub(crate) policy: Policy,
    pub(crate) stays: Stays,
    pub(crate) curve: Curve,
    /// In order of schedule and time.
    pub(crate) rules: Vec<Rule>,
    pub(crate) lasting: Lasting,
    pub(crate) not_counted: Vec<NotCounted>,
    pub(crate) altered: Vec<Altered>,
    set_aside: Vec<SetAside>,
    exact_from: Instant,
    /// The newest event.
    pub(crate) newest: Option<(Instant, EventId)>,
}

/// Folds all events of a unit.
///
/// A pure function of the set of events: their order, and whether they came late, makes no difference.
pub fn refold(input: &Input<'_>) -> UnitState {
    refold_until(input, Instant::LAST)
}

/// Folds what had happened to a unit by `until`, for a question about that instant.
///
/// Corrections, adoptions and what was decided for the unit alone are decisions and count whenever they were taken; each
/// still holds only from its first day on.
pub fn refold_until(input: &Input<'_>, until: Instant) -> UnitState {
    let nothing = Settled::default();
    let standing = Standing::of(input, &nothing, until);
    let rules = rules(input, &standing);
    let mut state = fold(input, standing, rules, until, |_| ()).0;
    state.stays.forget_after(until);
    state
}

/// Where a unit stands at `at`; what [`UnitState::site_at`] says, without folding the rest.
pub fn standing_site(input: &Input<'_>, at: Instant) -> SiteId {
    Standing::of(input, &Settled::default(), Instant::LAST).stays.at(at).site
}

/// What a fold has come to, before what it rests on is let go.
pub(crate) struct Fold<'f> {
    pub(crate) standing: &'f Standing<'f>,
    pub(crate) ground: &'f Ground<'f>,
    pub(crate) curve: &'f Curve,
    pub(crate) settling: Option<Settling>,
    pub(crate) rules: &'f [Rule],
}

/// The one fold: the events that stand, on what is settled before them, by rules that have no plans yet. `keep`
/// takes from it what is to be kept beside the state.
pub(crate) fn fold<K>(
    input: &Input<'_>,
    standing: Standing<'_>,
    rules: Vec<Rule>,
    until: Instant,
    keep: impl FnOnce(&Fold<'_>) -> K,
) -> (UnitState, K) {
    let Built { curve, set_aside, settling } = build(input, &standing);
    let conditions = Conditions::of(&standing, until);
    let mut rules = cut(rules, &conditions, &standing);
    let ground = Ground::of(input, &standing, &conditions, &curve);
    let plans: Vec<Vec<Plan>> = (0..rules.len()).map(|place| ground.plans(&rules, place)).collect();
    for (rule, plans) in rules.iter_mut().zip(plans) {
        rule.plans = plans;
    }
    let kept = keep(&Fold { standing: &standing, ground: &ground, curve: &curve, settling, rules: &rules });
    let Conditions { storage, deferrals, .. } = conditions;
    let state = UnitState {
        facts: input.facts.clone(),
        lasting: Lasting { storage, deferrals },
        policy: *input.policy,
        exact_from: standing.settled.exact_from,
        not_counted: not_counted(&standing),
        newest: standing.newest(),
        altered: standing.altered,
        stays: standing.stays,
        curve,
        rules,
        set_aside,
    };
    (state, kept)
}

fn not_counted(standing: &Standing<'_>) -> Vec<NotCounted> {
    let of = |void: &Void<'_>| match &void.event.details {
        Details::Service(service) => Some(NotCounted {
            event: void.event.id,
            correction: void.correction,
            jobs: service.jobs.iter().map(|done| done.job.clone()).collect(),
        }),
        _ => None,
    };
    standing.voided.iter().filter_map(of).collect()
}

/// One instant, where the unit stands then.
pub(crate) struct Here<'a> {
    pub(crate) now: Now,
    pub(crate) zone: &'a Zone,
    pub(crate) today: LocalDate,
}

impl Here<'_> {
    /// By its limits alone.
    pub(crate) fn judge(&self, state: &UnitState, plan: &Plan) -> Decision {
        let begun = plan.calendar.as_ref().map(|limit| limit.begun(self.today, self.now.at));
        judge(plan, begun, &self.now, &state.curve, &state.policy)
    }
}

impl UnitState {
    /// Every due item at `at`, in order of schedule and task.
    pub fn items_at(&self, at: Instant) -> Vec<DueItem> {
        let here = self.here(at);
        self.tasks_at(at).map(|(i, rule, task, plan)| self.item(i, rule, task, plan, &here)).collect()
    }

    /// Every task that an edition asks for at `at`, with the place of its rule.
    pub(crate) fn tasks_at(&self, at: Instant) -> impl Iterator<Item = (usize, &Rule, &Task, &Plan)> {
        let in_force = self.rules.iter().enumerate().filter(move |(_, rule)| rule.holds(at));
        in_force.flat_map(|(i, rule)| rule.tasks().map(move |(task, plan)| (i, rule, task, plan)))
    }

    /// Hours of the engine since new at `at`.
    pub fn hours_at(&self, at: Instant) -> EngineHours {
        self.curve.at(at)
    }

    /// Since when the state answers as if folded afresh; [`Instant::FIRST`] unless it was
    /// applied.
    pub fn exact_from(&self) -> Instant {
        self.exact_from
    }

    /// Readings that the engine hours do not rest on, in the order in which they were taken. Of a state that was
    /// applied, those that are not settled.
    pub fn set_aside(&self) -> &[SetAside] {
        &self.set_aside
    }

    /// The policy that every answer goes by.
    pub fn policy(&self) -> &Policy {
        &self.policy
    }

    /// Where the unit stands at `at`.
    pub fn site_at(&self, at: Instant) -> SiteId {
        self.stays.at(at).site
    }

    /// The instant that stands for a stated time: of a day its first, where the unit stood.
    pub fn instant_of(&self, when: &When) -> Instant {
        self.stays.instant(when)
    }

    /// An edition that the unit has or had adopted.
    pub fn edition(&self, id: EditionId) -> Option<&Arc<Edition>> {
        self.rules.iter().find(|rule| rule.edition_id == id).map(|rule| &rule.edition)
    }

    pub(crate) fn here(&self, at: Instant) -> Here<'_> {
        let zone = &self.stays.at(at).zone;
        Here { now: Now::of(at, &self.curve), zone, today: calendar::day(at, zone) }
    }

    /// The first instant at which the task is due or possibly due: `due` by the rule at `i`, if that holds till
    /// then, or else by those that follow it; [`Instant::LAST`] if none. Days are counted in `zone`.
    pub(crate) fn due_at(&self, i: usize, task: &Task, due: Instant, zone: &Zone) -> Instant {
        let Some(rule) = self.rules.get(i).filter(|rule| due >= rule.until) else { return due };
        let following = self.rules.iter().skip(i + 1).take_while(|next| next.schedule == rule.schedule);
        let later = following.filter_map(|next| {
            let (_, plan) = next.tasks().find(|(same, _)| same.task == task.task)?;
            let due = plan.due_at(&self.curve, plan.limit_day(zone));
            (due < next.until).then_some(due.max(next.from))
        });
        later.min().unwrap_or(Instant::LAST)
    }

    pub(crate) fn item(&self, i: usize, rule: &Rule, task: &Task, plan: &Plan, here: &Here<'_>) -> DueItem {
        let now = &here.now;
        let held = Held { rule, task, plan };
        let by_limits = here.judge(self, plan);
        let decision = self.decide(&held, by_limits, now, here.zone);
        let hours = match &plan.hours {
            HoursRule::Limit(limit) => self.hours_axis(limit, now),
            HoursRule::None | HoursRule::Unknown => None,
        };
        let calendar = plan.calendar.as_ref().map(|limit| calendar_axis(limit, here.today));
        let due = plan.due_at(&self.curve, plan.limit_day(here.zone));
        let due_at = self.due_at(i, task, due, here.zone);
        let failed = plan.anchor.filter(|anchor| anchor.counted == Counted::Failed);
        let by_reason = decision.reason().and_then(|reason| self.action(reason));
        DueItem {
            schedule_id: rule.schedule,
            edition_id: rule.edition_id,
            pack: rule.edition.pack.clone(),
            task: task.task.clone(),
            job: task.job.clone(),
            title: task.title.clone(),
            state: decision.state(),
            reason: decision.reason(),
            action: by_reason.or(failed.map(|_| Action::RecordFinding)),
            governing: governing(hours.as_ref(), calendar.as_ref()),
            hours,
            calendar,
            component_hours: plan.component_from.zip(now.hours.range).map(|(from, now)| now.nominal - from),
            due_at: (due_at < Instant::LAST).then_some(due_at),
            deferral: self.deferral(&held, now, here.zone).map(|deferral| deferral.item(now)),
            recommission_gate: self.is_gate(&held, now.at),
            waited_for_emergency: self.waited(&held, now.at),
            late: plan.late,
            failed_event_id: failed.map(|anchor| anchor.event),
            grade: grade(plan, now),
        }
    }

    fn action(&self, reason: Reason) -> Option<Action> {
        match reason {
            Reason::NoHistory => Some(Action::BaselineService),
            Reason::NoHours | Reason::PossiblyDue => self.facts.meter_fitted.then_some(Action::ReadMeter),
            Reason::Emergency => None,
        }
    }

    fn hours_axis(&self, limit: &HoursLimit, now: &Now) -> Option<HoursAxis> {
        let hours = now.hours.range?;
        let used = hours.nominal - limit.anchor.nominal;
        let way = limit.limit.nominal - limit.anchor.nominal;
        Some(HoursAxis {
            interval_hours: limit.interval,
            anchor_hours: limit.anchor.nominal,
            limit_hours: limit.limit.nominal,
            limit_lower_hours: limit.limit.lower,
            limit_upper_hours: limit.limit.upper,
            limit_meter_hours: self.curve.on_meter(limit.limit.nominal, now.at),
            now_hours: hours.nominal,
            used_hours: used,
            left_hours: limit.limit.lower - limit.upper(&self.curve, hours.upper, now.at),
            used_fraction: Fraction::of(used.seconds(), way.seconds()),
        })
    }
}

fn calendar_axis(limit: &CalendarLimit, today: LocalDate) -> CalendarAxis {
    let interval_days = limit.limit.days_since(limit.anchor);
    let used_days = today.days_since(limit.anchor);
    CalendarAxis {
        anchor_date: limit.anchor,
        limit_date: limit.limit,
        interval_days,
        used_days,
        left_days: limit.limit.days_since(today),
        used_fraction: Fraction::of(used_days.into(), interval_days.into()),
    }
}

/// The axis of which the greater share is used; hours if both are alike.
fn governing(hours: Option<&HoursAxis>, calendar: Option<&CalendarAxis>) -> Option<Axis> {
    let by_hours =
        hours.map(|axis| (axis.used_hours.seconds(), (axis.limit_hours - axis.anchor_hours).seconds()));
    let by_date = calendar.map(|axis| (axis.used_days.into(), axis.interval_days.into()));
    match (by_hours, by_date) {
        (Some(hours), Some(date)) if greater_share(date, hours) => Some(Axis::Calendar),
        (Some(_), _) => Some(Axis::Hours),
        (None, Some(_)) => Some(Axis::Calendar),
        (None, None) => None,
    }
}

fn grade(plan: &Plan, now: &Now) -> Grade {
    match (plan.anchor, &plan.hours) {
        (_, HoursRule::Unknown) => Grade::D,
        (None, _) if plan.fixed == Some(Decision::NoHistory) => Grade::D,
        (_, HoursRule::None) | (None, _) => Grade::A,
        (Some(anchor), HoursRule::Limit(_)) => anchor.hours.grade.max(now.hours.grade),
    }
}

//! One plan for each task, from all that is known of the unit.

use std::borrow::Cow;

use model::{Code, Instant, event::Component, schedule::Task};

use super::{
    Anchor, CalendarLimit, Counted, Followed, HoursRule, Plan, points::is_planned, situation::Asked,
};
use crate::{
    adoption::Rule,
    completion::{Completion, Doings, Outcome, Window, Work},
    conditions::Conditions,
    hours::Curve,
    input::Input,
    judge::Decision,
    placed::What,
    standing::Standing,
    trace::TraceEntry,
};

/// What the limits of one unit rest on, whatever the edition.
pub(crate) struct Ground<'a> {
    pub(super) input: &'a Input<'a>,
    pub(super) curve: &'a Curve,
    pub(crate) commissioning: Option<Anchor>,
    pub(crate) work: Work<'a>,
    pub(crate) conditions: &'a Conditions<'a>,
    pub(super) standing: &'a Standing<'a>,
}

impl<'a> Ground<'a> {
    pub(crate) fn of(
        input: &'a Input<'a>,
        standing: &'a Standing<'a>,
        conditions: &'a Conditions<'a>,
        curve: &'a Curve,
    ) -> Self {
        let at = |placed| Anchor::at(placed, Counted::Commissioned, standing, curve);
        let commissioning = standing.commissioning().map(at).or(standing.settled.commissioning);
        Self { input, curve, commissioning, work: Work::of(standing, curve), conditions, standing }
    }

    /// One plan for each task of the edition that the rule at `place` puts in force, in order of code.
    pub(crate) fn plans(&self, rules: &[Rule], place: usize) -> Vec<Plan> {
        let Some(rule) = rules.get(place) else { return Vec::new() };
        let counting = self.counting(rule);
        let mut tasks: Vec<_> = rule.edition.tasks.iter().zip(&counting).enumerate().collect();
        tasks.sort_unstable_by_key(|(_, (task, _))| &task.task);
        let asked = |task| Asked { rules, place, rule, task, at: rule.from, alone: false };
        tasks.into_iter().map(|(at, (task, doings))| self.plan(&asked(task), at, doings)).collect()
    }

    /// For each task of the edition the work that counts for it.
    fn counting(&self, rule: &Rule) -> Vec<Vec<Cow<'_, Doings<'a>>>> {
        let tasks = &rule.edition.tasks;
        let mut counting: Vec<Vec<Cow<'_, Doings<'a>>>> = vec![Vec::new(); tasks.len()];
        for doings in &self.work.doings {
            // What failed was not put right, so it counts as nothing else.
            let as_jobs = if doings.failed { vec![doings.job] } else { rule.edition.counts_as(doings.job) };
            for (task, counting) in tasks.iter().zip(&mut counting) {
                if as_jobs.contains(&&task.job) {
                    counting.push(Cow::Borrowed(doings));
                } else if task.reset_by_passed.contains(doings.job) {
                    counting.push(Cow::Owned(doings.passed()));
                }
            }
        }
        counting
    }

    /// The work that counts for one task.
    pub(super) fn counting_for(&self, asked: &Asked<'_>) -> Vec<Cow<'_, Doings<'a>>> {
        let place = asked.rule.edition.tasks.iter().position(|task| task.task == asked.task.task);
        let mut counting = self.counting(asked.rule);
        place
            .filter(|place| *place < counting.len())
            .map_or_else(Vec::new, |place| counting.swap_remove(place))
    }

    fn plan(&self, asked: &Asked<'_>, at: usize, doings: &[Cow<'_, Doings<'a>>]) -> Plan {
        let mut plan = Plan {
            task: at,
            anchor: None,
            hours: HoursRule::None,
            calendar: None,
            fixed: None,
            component_from: None,
            late: None,
            notes: Vec::new(),
        };
        if let Some(why) = self.why_not(asked, asked.at) {
            plan.fixed = Some(Decision::NotApplicable);
            plan.notes.push(why);
            return plan;
        }
        plan.component_from = self.component_from(asked);
        let base = self.base(asked, Instant::LAST);
        let followed = self.followed(asked, base, doings, Instant::LAST);
        plan.anchor = followed.point.map(|point| point.anchor);
        self.note_last(asked, &followed, doings, &mut plan);
        let is_done = asked.task.once && plan.anchor.is_some_and(|anchor| anchor.completed());
        if !is_done {
            self.limit(asked, &followed, &mut plan);
        }
        plan
    }

    fn limit(&self, asked: &Asked<'_>, followed: &Followed, plan: &mut Plan) {
        if let Some(point) = &followed.point {
            let in_force = self.in_force(asked, &point.anchor);
            plan.notes.extend(in_force.setting.map(|event_id| TraceEntry::LimitsOfUnit { event_id }));
            plan.hours = self.hours_rule(asked, point, &in_force, &mut plan.notes);
            plan.calendar = self.calendar_limit(asked, point, &in_force, &mut plan.notes);
            if point.anchor.substitute && asked.task.substitute_factor.is_some() {
                plan.notes.push(TraceEntry::SubstitutePart { event_id: point.anchor.event });
            }
        }
        let limits = &asked.task.limits;
        let after = limits.on_failed.as_ref();
        let failure =
            after.and_then(|after| Some((after, self.failure(after, plan.anchor.as_ref(), asked.at)?)));
        if let Some((after, failure)) = &failure {
            let other = plan.calendar.map(|other: CalendarLimit| other.overdue);
            let limit =
                CalendarLimit { overdue_anyway: other, ..self.limit_after(failure, after.business_days) };
            if plan.calendar.is_none_or(|other| limit.limit <= other.limit) {
                plan.calendar = Some(limit);
                plan.notes.push(TraceEntry::CheckFailed { event_id: failure.anchor.event });
            }
        }
        let only_after_failure = after.is_some() && limits.hours.is_none() && limits.calendar.is_none();
        if plan.anchor.is_none() && failure.is_none() && !only_after_failure {
            plan.fixed = Some(Decision::NoHistory);
        }
    }

    /// What the task counts from before any work, by what happened before `until`.
    pub(super) fn base(&self, asked: &Asked<'_>, until: Instant) -> Option<Anchor> {
        let begun = if asked.task.once {
            Some(self.anchored(asked.rule.adoption, Counted::Adopted, asked.rule.begins))
        } else {
            let fitted = asked.task.component.and_then(|component| self.fitted(component, until));
            fitted.or(self.commissioning)
        };
        if self.conditions.settings.is_empty() {
            return begun;
        }
        let applicable = self.became_applicable(asked, asked.at);
        let later =
            applicable.filter(|applicable| begun.is_none_or(|begun| begun.instant < applicable.instant));
        later.or(begun)
    }

    /// The last time before `until` that a component was fitted or rebuilt.
    fn fitted(&self, component: Component, until: Instant) -> Option<Anchor> {
        let is_it =
            |what: &What<'_>| matches!(what, What::Fitted { component: fitted, .. } if *fitted == component);
        let mut before = self.standing.events.iter().rev().skip_while(|placed| placed.instant > until);
        let last = before.find(|placed| is_it(&placed.what))?;
        Some(Anchor::at(last, Counted::Fitted, self.standing, self.curve))
    }

    fn component_from(&self, asked: &Asked<'_>) -> Option<model::Hours> {
        let fitted = self.fitted(asked.task.component?, Instant::LAST);
        Some(fitted.and_then(|anchor| anchor.hours.range).map_or(model::Hours::ZERO, |range| range.nominal))
    }

    /// What has come of the work before `until`.
    pub(super) fn followed(
        &self,
        asked: &Asked<'_>,
        base: Option<Anchor>,
        doings: &[Cow<'_, Doings<'a>>],
        until: Instant,
    ) -> Followed {
        let all = is_planned(asked.task) || until < Instant::LAST;
        let most = if all { usize::MAX } else { 2 };
        let window = window(asked);
        let mut work: Vec<Completion> =
            doings.iter().flat_map(|doings| self.work.counting(doings, window, most)).collect();
        work.sort_unstable_by_key(|done| done.anchor.key());
        work.dedup_by_key(|done| done.anchor.event);
        if until < Instant::LAST {
            work.retain(|done| done.anchor.instant < until);
        }
        let anew = base.filter(Anchor::begins_anew);
        if let Some(anew) = anew {
            work.retain(|done| done.anchor.instant >= anew.instant);
        }
        let from = work.len().saturating_sub(most);
        self.follow(asked, base, work.get(from..).unwrap_or_default())
    }

    /// What there is to say of the last work.
    fn note_last(
        &self,
        asked: &Asked<'_>,
        followed: &Followed,
        doings: &[Cow<'_, Doings<'a>>],
        plan: &mut Plan,
    ) {
        let Some((done, before)) = &followed.last else { return };
        if let Some(before) = before {
            plan.late = self.late(asked, done, before);
            plan.notes.extend(self.too_early(asked, done, before));
        }
        if done.repeats > 0 {
            let counts_from = done.anchor.event;
            let repeats =
                doings.iter().flat_map(|doings| self.work.repeats(doings, window(asked), counts_from));
            plan.notes
                .extend(repeats.map(|event_id| TraceEntry::CompletionRepeats { event_id, counts_from }));
        }
    }
}

fn window(asked: &Asked<'_>) -> Window {
    Window::of(asked.task)
}

/// The tasks that may count from a job, however that comes out.
pub(crate) fn asking<'r>(rule: &'r Rule, job: &'r Code) -> impl Iterator<Item = &'r Task> {
    let as_jobs = rule.edition.counts_as(job);
    let asks = move |task: &&Task| as_jobs.contains(&&task.job) || task.reset_by_passed.contains(job);
    rule.edition.tasks.iter().filter(asks)
}

/// Whether a job that came out so counts as work on a task.
pub(crate) fn counts(rule: &Rule, task: &Task, job: &Code, outcome: Outcome) -> bool {
    match outcome {
        // What failed was not put right, so it counts as nothing else.
        Outcome::Failed => *job == task.job,
        Outcome::Passed if task.reset_by_passed.contains(job) => true,
        Outcome::Done | Outcome::Passed => rule.edition.counts_as(job).contains(&&task.job),
    }
}

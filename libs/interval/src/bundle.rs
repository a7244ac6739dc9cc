//! How much of what a service was for it did.

use std::borrow::Cow;

use model::{Code, EventId, Instant, ScheduleId, event::JobDone};
use serde::Serialize;
use utoipa::ToSchema;

use crate::{
    adoption::rules,
    completion::Outcome,
    input::Input,
    item::Fraction,
    limit::counts,
    placed::{Placed, What},
    settled::Settled,
    standing::Standing,
    state::fold,
    words::DueState,
};

/// What a service was for, and how much of it was done.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, ToSchema)]
pub struct Bundle {
    /// The tasks that were due when it was done and those that it names, in order of schedule and task.
    pub tasks: Vec<BundledTask>,
    /// How many of them it did.
    pub done: usize,
    /// Their share of all.
    #[schema(value_type = f64, minimum = 0, maximum = 1, example = 0.8333)]
    pub share: Fraction,
    /// Whether it did all.
    pub extent: Extent,
}

/// A task that a service was for.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, ToSchema)]
pub struct BundledTask {
    /// The schedule with the task.
    #[schema(value_type = String, format = "uuid")]
    pub schedule_id: ScheduleId,
    /// The task.
    #[schema(value_type = String, example = "valve_clearance")]
    pub task: Code,
    /// Whether it was due or overdue when the service was done.
    pub was_due: bool,
    /// Whether the service did it. A check that failed was done.
    pub done: bool,
}

/// How much of a bundle was done.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, ToSchema)]
#[serde(rename_all = "snake_case")]
pub enum Extent {
    /// All of it.
    Complete,
    /// Not all of it; what was left out goes on as before.
    Partial,
}

impl Bundle {
    fn of(tasks: Vec<BundledTask>) -> Option<Self> {
        let done = tasks.iter().filter(|task| task.done).count();
        let all = tasks.len();
        let number = |count: usize| i64::try_from(count).unwrap_or(i64::MAX);
        let extent = if done < all { Extent::Partial } else { Extent::Complete };
        let share = Fraction::of(number(done), number(all));
        (all > 0).then_some(Self { tasks, done, share, extent })
    }
}

/// How much a service did of what was due then, by its own reading, and of what it names. Nothing for an event that is no
/// service or does not count, and where no edition of then asks for anything of it.
pub fn bundle(input: &Input<'_>, service: EventId) -> Option<Bundle> {
    let nothing = Settled::default();
    let is_it = |placed: &&Placed<'_>| placed.id == service;
    let at = Standing::of(input, &nothing, Instant::LAST).services().find(is_it)?.instant;
    let mut standing = Standing::of(input, &nothing, at);
    let jobs = standing.events.iter_mut().find(|placed| placed.id == service).and_then(without_jobs)?;
    let did: Vec<Did<'_>> =
        jobs.iter().map(|done| (&done.job, Outcome::of(done, standing.ignition))).collect();
    let rules = rules(input, &standing);
    let before = fold(input, standing, rules, at, |_| ()).0;
    let here = before.here(at);
    let tasks = before.tasks_at(at).filter_map(|(i, rule, task, plan)| {
        let state = before.item(i, rule, task, plan, &here).state;
        let was_due = matches!(state, DueState::Due | DueState::Overdue);
        let is_done = did.iter().any(|(job, out)| out.is_some_and(|out| counts(rule, task, job, out)));
        let is_named = is_done || did.iter().any(|(job, _)| **job == task.job);
        let is_of_it = state != DueState::NotApplicable && (was_due || is_named);
        is_of_it.then(|| BundledTask {
            schedule_id: rule.schedule,
            task: task.task.clone(),
            was_due,
            done: is_done,
        })
    });
    Bundle::of(tasks.collect())
}

/// A job, and how it came out unless it was left out.
type Did<'a> = (&'a Code, Option<Outcome>);

/// Takes the jobs from a service, so that its reading alone counts.
fn without_jobs<'a>(placed: &mut Placed<'a>) -> Option<Cow<'a, [JobDone]>> {
    match &mut placed.what {
        What::Service { jobs, .. } => Some(std::mem::take(jobs)),
        _ => None,
    }
}

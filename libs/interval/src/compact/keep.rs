//! What is kept of a fold.

use std::{borrow::Cow, collections::BTreeSet};

use model::{
    Code, Hours, Instant,
    event::{Component, JobDone},
    schedule::{Anchor as AnchorPolicy, Task},
    unit::Ignition,
};

use super::{Compact, Held, MadeWith, UNSETTLED_MOST, moves};
use crate::{
    adoption::Rule,
    completion::Outcome,
    conditions::Conditions,
    hours::{Point, Settling},
    input::Input,
    limit::{Anchor, Counted, HoursRule, asking},
    placed::{Placed, What},
    rate,
    settled::{Begun, Done, Settled},
    state::Fold,
};

/// A job that some edition of the unit asks for, and the services that those to come are held against.
struct Asked<'f> {
    job: &'f Code,
    /// In canonical order.
    held: Vec<(Anchor, Outcome)>,
}

impl Compact {
    pub(super) fn of(input: &Input<'_>, fold: &Fold<'_>) -> Option<Self> {
        if !is_plain(input, fold) {
            return None;
        }
        let asked = asked(fold);
        let open = |placed: &&Placed<'_>| !is_settled(fold.settling.as_ref(), placed.instant);
        let unsettled = fold.standing.events.iter().filter(open);
        let ignition = fold.standing.ignition;
        let tail: Vec<Placed<'static>> =
            unsettled.filter_map(|placed| reduced(placed, &asked, ignition)).collect();
        let held = |rule: &Rule| Held {
            schedule: rule.schedule,
            edition: rule.edition_id,
            adoption: rule.adoption,
            from: rule.from,
            until: rule.until,
        };
        (tail.len() <= UNSETTLED_MOST).then(|| Self {
            made_with: MadeWith::of(input, &fold.standing.stays),
            moves: moves(&fold.standing.stays),
            rules: fold.rules.iter().map(held).collect(),
            settled: settled(fold, &asked),
            tail,
            voided_ahead: fold.standing.voided_ahead.clone(),
        })
    }
}

/// Whether nothing but the last work, the readings and the editions tells what is due.
fn is_plain(input: &Input<'_>, fold: &Fold<'_>) -> bool {
    let Conditions { storage, severe, deferrals, settings } = fold.ground.conditions;
    let unconditioned =
        storage.is_empty() && severe.is_empty() && deferrals.is_empty() && settings.is_empty();
    let as_recorded = fold.standing.corrections.are_only_voids() && !fold.standing.is_joined;
    let tasks = || fold.rules.iter().flat_map(|rule| &rule.edition.tasks);
    let substitutes = || fold.ground.work.doings.iter().flat_map(|doings| &doings.services);
    input.facts.meter_fitted
        && fold.curve.is_plain()
        && unconditioned
        && as_recorded
        // Which of two is told twice rests on what is not kept of them.
        && fold.duplicates.is_empty()
        && tasks().all(follows_last_work)
        && fold.ground.editions_count_alike(fold.rules)
        && !(tasks().any(|task| task.substitute_factor.is_some()) && substitutes().any(|did| did.substitute))
}

fn follows_last_work(task: &Task) -> bool {
    let by_last = matches!(task.anchor, AnchorPolicy::Actual | AnchorPolicy::Grid);
    let after_failure = task.limits.on_failed.is_some();
    by_last && !after_failure && !task.once && task.component.is_none() && task.severe.is_none()
}

/// A new adoption is refolded, so nobody will ask for other jobs before.
fn asked<'f>(fold: &Fold<'f>) -> Vec<Asked<'f>> {
    let tasks = fold.rules.iter().flat_map(|rule| &rule.edition.tasks);
    let clock = tasks.map(|task| task.duplicates.clock_hours).max().unwrap_or(Hours::ZERO);
    let work = &fold.ground.work;
    let asked = work.doings.iter().filter(|doings| asks_for(fold.rules, doings.job));
    let asked = asked.map(|doings| {
        let held = work.held_against(doings, clock).iter();
        Asked {
            job: doings.job,
            held: held.filter_map(|did| Some((work.anchor(did)?, did.outcome))).collect(),
        }
    });
    asked.collect()
}

fn asks_for(rules: &[Rule], job: &Code) -> bool {
    rules.iter().any(|rule| asking(rule, job).next().is_some())
}

fn is_settled(settling: Option<&Settling>, at: Instant) -> bool {
    settling.is_some_and(|settling| at <= settling.mark.instant)
}

/// What due state can still rest on of an event; of a service its reading, and the jobs that others are held against.
fn reduced(placed: &Placed<'_>, asked: &[Asked<'_>], ignition: Option<Ignition>) -> Option<Placed<'static>> {
    let what = match &placed.what {
        What::Service { jobs, meter } => {
            let jobs: Vec<JobDone> =
                jobs.iter().filter_map(|done| kept(done, placed, asked, ignition)).collect();
            if jobs.is_empty() && meter.is_none() {
                return None;
            }
            What::Service { jobs: Cow::Owned(jobs), meter: *meter }
        }
        // Nothing follows a component here, so of any only the reading is kept.
        What::Fitted { meter: Some(meter), .. } => {
            What::Fitted { component: Component::Engine, meter: Some(*meter) }
        }
        What::Commissioning { meter, engine } => What::Commissioning { meter: *meter, engine: *engine },
        What::Swap { old, new } => What::Swap { old: *old, new: *new },
        What::Reading(hours) => What::Reading(*hours),
        What::Fitted { meter: None, .. }
        | What::Storage(_)
        | What::Duty(_)
        | What::Run { .. }
        | What::Adoption(_)
        | What::Setting(_)
        | What::Deferral(_) => return None,
    };
    Some(Placed { id: placed.id, instant: placed.instant, day: placed.day, what })
}

fn kept(
    done: &JobDone,
    placed: &Placed<'_>,
    asked: &[Asked<'_>],
    ignition: Option<Ignition>,
) -> Option<JobDone> {
    let outcome = Outcome::of(done, ignition)?;
    let mut of_job = asked.iter().filter(|asked| *asked.job == done.job).flat_map(|asked| &asked.held);
    let is_held = of_job.any(|(anchor, held)| anchor.event == placed.id && *held == outcome);
    is_held.then(|| JobDone { result: outcome.result(), ..JobDone::plain(done.job.clone()) })
}

fn settled(fold: &Fold<'_>, asked: &[Asked<'_>]) -> Settled {
    let begun = if fold.ground.commissioning.is_some() { Vec::new() } else { begun(fold, asked) };
    let newest = fold.standing.newest();
    let Some(settling) = &fold.settling else { return Settled { begun, newest, ..Settled::default() } };
    let drawn = fold.curve.points.iter().take(settling.points);
    // The newest reading is the settled one or a later one, so use is looked at from here on at the earliest.
    let looked_at = settling.mark.instant.plus_seconds(-rate::LOOKED_BACK_SECONDS);
    let window = drawn.clone().take_while(|point| point.instant <= looked_at).count().saturating_sub(1);
    let reached = limits_reached(fold);
    let adopted = adopted(fold);
    let keeps = |(at, _): &(usize, &Point)| *at >= window || reached.contains(at) || adopted.contains(at);
    let exact = fold.curve.points.get(window).filter(|_| window > 0).map(|point| point.instant);
    Settled {
        newest,
        mark: Some(settling.mark),
        exact_from: exact.unwrap_or(fold.standing.settled.exact_from),
        points: drawn.enumerate().filter(keeps).map(|(_, point)| Point { event: None, ..*point }).collect(),
        first_reading: fold.curve.first_reading,
        meters: fold.curve.meters.iter().take(settling.meters).copied().collect(),
        grade: settling.grade,
        commissioning: fold.ground.commissioning,
        done: done(settling, asked),
        begun,
    }
}

/// The places of the points at which a limit was reached: they tell since when a task is due.
fn limits_reached(fold: &Fold<'_>) -> BTreeSet<usize> {
    let plans = fold.rules.iter().flat_map(|rule| &rule.plans);
    let limits = plans.filter_map(|plan| match &plan.hours {
        HoursRule::Limit(limit) => Some(limit.limit.lower),
        HoursRule::None | HoursRule::Unknown => None,
    });
    limits.map(|limit| fold.curve.reached(limit)).collect()
}

/// The places of the points around the instants at which an edition was adopted: hours of then decide how long work may
/// still wait, and how late it was.
fn adopted(fold: &Fold<'_>) -> BTreeSet<usize> {
    let around = |rule: &Rule| {
        let next = fold.curve.points.partition_point(|point| point.instant <= rule.begins);
        [next.saturating_sub(1), next]
    };
    fold.rules.iter().flat_map(around).collect()
}

fn done(settling: &Settling, asked: &[Asked<'_>]) -> Vec<Done> {
    let mut done: Vec<Done> = Vec::new();
    for Asked { job, held } in asked {
        for (anchor, outcome) in held.iter().filter(|(anchor, _)| is_settled(Some(settling), anchor.instant))
        {
            let job = ((*job).clone(), *outcome);
            match done.iter_mut().find(|done| done.anchor.event == anchor.event) {
                Some(done) => done.jobs.push(job),
                // As what it counts is told by each job.
                None => {
                    done.push(Done { anchor: Anchor { counted: Counted::Done, ..*anchor }, jobs: vec![job] })
                }
            }
        }
    }
    done.sort_unstable_by_key(|done| done.anchor.key());
    done
}

fn begun(fold: &Fold<'_>, asked: &[Asked<'_>]) -> Vec<Begun> {
    let ignition = fold.standing.ignition;
    let first = |job: &Code, outcome: Outcome| {
        let before = fold.standing.settled.begun.iter();
        let before = before.filter(|begun| begun.job == *job && begun.outcome == outcome);
        let before = before.map(|begun| (begun.instant, begun.date));
        let did = |done: &JobDone| done.job == *job && Outcome::of(done, ignition) == Some(outcome);
        let since = fold.standing.services().find(|placed| placed.jobs().iter().any(did));
        before.chain(since.map(|placed| (placed.instant, fold.standing.date(placed)))).min()
    };
    let asks = |job: &Code| asked.iter().any(|asked| asked.job == job);
    // What is settled may have come out in ways that nothing that is kept did.
    let settled = fold.standing.settled.begun.iter().map(|begun| (&begun.job, begun.outcome));
    let mut jobs: Vec<(&Code, Outcome)> = fold.ground.work.outcomes().chain(settled).collect();
    jobs.retain(|(job, _)| asks(job));
    jobs.sort_unstable();
    jobs.dedup();
    let begun = jobs.into_iter().filter_map(|(job, outcome)| {
        let (instant, date) = first(job, outcome)?;
        Some(Begun { job: job.clone(), outcome, instant, date })
    });
    begun.collect()
}

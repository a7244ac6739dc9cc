//! What is kept of a fold.

use std::{borrow::Cow, collections::BTreeSet};

use model::{Code, Instant, event::JobDone};

use super::{Compact, Held, MadeWith, UNSETTLED_MOST, moves};
use crate::{
    adoption::Rule,
    hours::{Point, Settling},
    input::Input,
    limit::{Anchor, HoursRule},
    placed::{Placed, What},
    rate,
    settled::{Begun, Done, Settled},
    state::Fold,
};

/// A job that some edition of the unit asks for, and the service that did it last.
type Asked<'f> = (&'f Code, Anchor);

impl Compact {
    pub(super) fn of(input: &Input<'_>, fold: &Fold<'_>) -> Option<Self> {
        // A new adoption is refolded, so nobody will ask for other jobs before.
        let asked: Vec<Asked<'_>> =
            fold.ground.done.iter().copied().filter(|(job, _)| asks_for(fold.rules, job)).collect();
        let open = |placed: &&Placed<'_>| !is_settled(fold.settling.as_ref(), placed.instant);
        let unsettled = fold.standing.events.iter().filter(open);
        let tail: Vec<Placed<'static>> = unsettled.filter_map(|placed| reduced(placed, &asked)).collect();
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

fn asks_for(rules: &[Rule], job: &Code) -> bool {
    rules.iter().any(|rule| {
        let counting = rule.edition.counts_as(job);
        rule.edition.tasks.iter().any(|task| counting.contains(&&task.job))
    })
}

fn is_settled(settling: Option<&Settling>, at: Instant) -> bool {
    settling.is_some_and(|settling| at <= settling.mark.instant)
}

/// What due state can still rest on of an event; of a service its reading, and the jobs that it did last.
fn reduced(placed: &Placed<'_>, asked: &[Asked<'_>]) -> Option<Placed<'static>> {
    let what = match &placed.what {
        What::Service { jobs, meter } => {
            let is_last = |job: &Code| asked.iter().any(|(last, by)| *last == job && by.event == placed.id);
            let done = |done: &JobDone| JobDone::plain(done.job.clone());
            let jobs: Vec<JobDone> = jobs.iter().filter(|done| is_last(&done.job)).map(done).collect();
            if jobs.is_empty() && meter.is_none() {
                return None;
            }
            What::Service { jobs: Cow::Owned(jobs), meter: *meter }
        }
        What::Engine { meter: None } | What::Adoption(_) | What::Run { .. } => return None,
        What::Engine { meter } => What::Engine { meter: *meter },
        What::Commissioning { meter, engine } => What::Commissioning { meter: *meter, engine: *engine },
        What::Swap { old, new } => What::Swap { old: *old, new: *new },
        What::Reading(hours) => What::Reading(*hours),
    };
    Some(Placed { id: placed.id, instant: placed.instant, day: placed.day, what })
}

fn settled(fold: &Fold<'_>, asked: &[Asked<'_>]) -> Settled {
    let begun = if fold.ground.commissioning.is_some() { Vec::new() } else { begun(fold, asked) };
    let Some(settling) = &fold.settling else { return Settled { begun, ..Settled::default() } };
    let drawn = fold.curve.points.iter().take(settling.points);
    // The newest reading is the settled one or a later one, so use is looked at from here on at the earliest.
    let looked_at = settling.mark.instant.plus_seconds(-rate::LOOKED_BACK_SECONDS);
    let window = drawn.clone().take_while(|point| point.instant <= looked_at).count().saturating_sub(1);
    let reached = limits_reached(fold);
    let keeps = |(at, _): &(usize, &Point)| *at >= window || reached.contains(at);
    let exact = fold.curve.points.get(window).filter(|_| window > 0).map(|point| point.instant);
    Settled {
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

fn done(settling: &Settling, asked: &[Asked<'_>]) -> Vec<Done> {
    let mut done: Vec<Done> = Vec::new();
    for (job, anchor) in asked.iter().filter(|(_, anchor)| is_settled(Some(settling), anchor.instant)) {
        match done.iter_mut().find(|done| done.anchor.event == anchor.event) {
            Some(done) => done.jobs.push((*job).clone()),
            None => done.push(Done { anchor: *anchor, jobs: vec![(*job).clone()] }),
        }
    }
    done
}

fn begun(fold: &Fold<'_>, asked: &[Asked<'_>]) -> Vec<Begun> {
    let first = |job: &Code| {
        let before = fold.standing.settled.begun.iter().filter(|begun| begun.job == *job);
        let before = before.map(|begun| (begun.instant, begun.date));
        let did = |placed: &&Placed<'_>| placed.jobs().iter().any(|done| done.job == *job);
        let since = fold.standing.services().find(did);
        before.chain(since.map(|placed| (placed.instant, fold.standing.date(placed)))).min()
    };
    let begun = asked.iter().filter_map(|(job, _)| {
        let (instant, date) = first(job)?;
        Some(Begun { job: (*job).clone(), instant, date })
    });
    begun.collect()
}

//! Which services count as work done, one by one; of several that tell of the same work, the first.

use std::cell::OnceCell;

use model::{
    Code, EventId, Hours, Instant, LocalDate,
    event::{JobDone, JobResult},
    unit::Ignition,
};

use crate::{
    analysis::condemned,
    corrections::pair,
    hours::Curve,
    limit::{Anchor, Counted},
    placed::Placed,
    standing::Standing,
};

/// How a job came out.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub(crate) enum Outcome {
    Done,
    Passed,
    Failed,
}

impl Outcome {
    /// How a job came out; of an analysis, by its figures: one that tells nothing passes nothing. Nothing where it was
    /// left out.
    pub(crate) fn of(done: &JobDone, ignition: Option<Ignition>) -> Option<Self> {
        let condemned = done.analysis.as_ref().map(|analysis| condemned(analysis, ignition));
        match (condemned, done.result) {
            (_, JobResult::Skipped) => None,
            (Some(Some(true)), _) | (None, JobResult::Failed) => Some(Self::Failed),
            (Some(Some(false)), _) | (None, JobResult::Passed) => Some(Self::Passed),
            (Some(None), _) | (None, JobResult::Done) => Some(Self::Done),
        }
    }

    /// The result that says so without figures.
    pub(crate) fn result(self) -> JobResult {
        match self {
            Self::Done => JobResult::Done,
            Self::Passed => JobResult::Passed,
            Self::Failed => JobResult::Failed,
        }
    }
}

/// A service, with what is asked of it only where it matters.
struct Service<'a> {
    event: EventId,
    instant: Instant,
    placed: Option<&'a Placed<'a>>,
    anchor: OnceCell<Anchor>,
}

/// One job of one service.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Did {
    service: usize,
    pub(crate) outcome: Outcome,
    pub(crate) substitute: bool,
}

/// All services that did a job, or all that found what it checks not fit, in canonical order. To find it fit after it was
/// not is never the same work told twice.
#[derive(Clone)]
pub(crate) struct Doings<'a> {
    pub(crate) job: &'a Code,
    pub(crate) failed: bool,
    pub(crate) services: Vec<Did>,
}

/// How close two services of the same job tell of the same work.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) struct Window {
    pub(crate) hours: Hours,
    pub(crate) clock: Hours,
}

/// Work that counts once.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Completion {
    pub(crate) anchor: Anchor,
    /// How many services after it tell of the same work.
    pub(crate) repeats: usize,
}

/// A check that failed.
#[derive(Clone, Copy)]
pub(crate) struct Failed {
    pub(crate) anchor: Anchor,
    /// The day the result was known.
    pub(crate) on: LocalDate,
    /// Its first instant.
    pub(crate) known: Instant,
    /// Whether the engine was in operation then.
    pub(crate) running: bool,
}

/// All work on a unit.
pub(crate) struct Work<'a> {
    services: Vec<Service<'a>>,
    pub(crate) doings: Vec<Doings<'a>>,
    standing: &'a Standing<'a>,
    curve: &'a Curve,
}

impl Doings<'_> {
    /// Those of them by which a check was passed.
    pub(crate) fn passed(&self) -> Self {
        let passed = self.services.iter().filter(|did| did.outcome == Outcome::Passed);
        Self { services: passed.copied().collect(), ..*self }
    }
}

impl<'a> Work<'a> {
    pub(crate) fn of(standing: &'a Standing<'a>, curve: &'a Curve) -> Self {
        let services = standing.services().count() + standing.settled.done.len();
        let mut work =
            Self { services: Vec::with_capacity(services), doings: Vec::with_capacity(16), standing, curve };
        for settled in &standing.settled.done {
            let service = work.services.len();
            work.services.push(Service {
                event: settled.anchor.event,
                instant: settled.anchor.instant,
                placed: None,
                anchor: OnceCell::from(settled.anchor),
            });
            for (job, outcome) in &settled.jobs {
                work.add(job, Did { service, outcome: *outcome, substitute: false });
            }
        }
        for placed in standing.services() {
            let service = work.services.len();
            work.services.push(Service {
                event: placed.id,
                instant: placed.instant,
                placed: Some(placed),
                anchor: OnceCell::new(),
            });
            for done in placed.jobs() {
                if let Some(outcome) = Outcome::of(done, standing.ignition) {
                    work.add(&done.job, Did { service, outcome, substitute: done.substitute });
                }
            }
        }
        work
    }

    fn add(&mut self, job: &'a Code, did: Did) {
        let failed = did.outcome == Outcome::Failed;
        match self.doings.iter_mut().find(|doings| doings.job == job && doings.failed == failed) {
            // A service may name a job twice.
            Some(doings) if doings.services.last().is_some_and(|last| last.service == did.service) => {}
            Some(doings) => doings.services.push(did),
            None => self.doings.push(Doings { job, failed, services: vec![did] }),
        }
    }

    /// The services of some doings that count, with how many repeat each, in canonical order. Of the last ones only as
    /// many as are asked for.
    pub(crate) fn counting(&self, doings: &Doings<'a>, window: Window, most: usize) -> Vec<Completion> {
        let of = |did: &Did, repeats: usize| Some(Completion { anchor: self.anchor(did)?, repeats });
        let services = doings.services.as_slice();
        if self.has_no_repeats(services, window) {
            let from = services.len().saturating_sub(most);
            return services.iter().skip(from).filter_map(|did| of(did, 0)).collect();
        }
        let heads = self.heads(services, window);
        let from = heads.len().saturating_sub(most);
        heads.iter().skip(from).filter_map(|(did, members)| of(did, members.len())).collect()
    }

    /// Which jobs were done, and how they came out.
    pub(crate) fn outcomes(&self) -> impl Iterator<Item = (&'a Code, Outcome)> {
        let all = [Outcome::Done, Outcome::Passed, Outcome::Failed];
        self.doings.iter().flat_map(move |doings| {
            let came_out = move |outcome: &Outcome| doings.services.iter().any(|did| did.outcome == *outcome);
            all.into_iter().filter(came_out).map(|outcome| (doings.job, outcome))
        })
    }

    /// Of the checks that are known at `at` to have failed, in canonical order those since the last that did not.
    pub(crate) fn failed(&self, job: &Code, at: Instant) -> Vec<Failed> {
        let of_job = self.doings.iter().filter(|doings| doings.job == job);
        let mut known: Vec<(bool, Failed)> = of_job
            .flat_map(|doings| doings.services.iter().map(|did| (doings.failed, did)))
            .filter_map(|(failed, did)| Some((failed, self.check(job, did)?)))
            .filter(|(_, check)| check.known <= at)
            .collect();
        known.sort_unstable_by_key(|(_, check)| check.anchor.key());
        let last_fit = known.iter().rposition(|(failed, _)| !failed).map_or(0, |fit| fit + 1);
        known.into_iter().skip(last_fit).map(|(_, check)| check).collect()
    }

    fn check(&self, job: &Code, did: &Did) -> Option<Failed> {
        let placed = self.services.get(did.service)?.placed?;
        let done = placed.jobs().iter().rfind(|done| done.job == *job)?;
        Some(Failed {
            anchor: self.anchor(did)?,
            on: self.standing.known_on(placed, done),
            known: self.standing.known_from(placed, done),
            running: done.analysis.is_none_or(|analysis| analysis.running),
        })
    }

    /// The services that only repeat the one that counts last.
    pub(crate) fn repeats(&self, doings: &Doings<'a>, window: Window, of: EventId) -> Vec<EventId> {
        let heads = self.heads(&doings.services, window);
        let event = |did: &Did| self.services.get(did.service).map(|service| service.event);
        let found = heads.iter().find(|(head, _)| event(head) == Some(of));
        found.into_iter().flat_map(|(_, members)| members).filter_map(event).collect()
    }

    /// Whether each lies farther than the window from the one before, and nobody linked any.
    fn has_no_repeats(&self, services: &[Did], window: Window) -> bool {
        let instant = |did: &Did| self.services.get(did.service).map(|service| service.instant);
        let apart = |pair: &[Did]| match pair {
            [one, other] => instant(one)
                .zip(instant(other))
                .is_some_and(|(one, other)| other.seconds_since(one) > window.clock.seconds()),
            _ => true,
        };
        self.standing.corrections.links.is_empty() && services.windows(2).all(apart)
    }

    /// Each service that counts, with those that only repeat it.
    fn heads(&self, services: &[Did], window: Window) -> Vec<(Did, Vec<Did>)> {
        let mut heads: Vec<(Did, Vec<Did>)> = Vec::new();
        for did in services {
            let linked =
                heads.iter().rposition(|(head, members)| self.said(head, members, did) == Some(true));
            let near = || {
                let last = heads.len().checked_sub(1)?;
                heads.get(last).is_some_and(|head| self.is_near(head, did, window)).then_some(last)
            };
            let same = linked.or_else(near);
            match same.and_then(|at| heads.get_mut(at)) {
                Some((_, members)) => members.push(*did),
                None => heads.push((*did, Vec::new())),
            }
        }
        heads
    }

    /// Whether somebody said that a service tells of the same work as an earlier one or those that repeat it.
    fn said(&self, head: &Did, members: &[Did], did: &Did) -> Option<bool> {
        let links = &self.standing.corrections.links;
        if links.is_empty() {
            return None;
        }
        let event = |did: &Did| self.services.get(did.service).map(|service| service.event);
        let said = |one: &Did| links.get(&pair(event(one)?, event(did)?)).copied();
        said(head).or_else(|| members.iter().any(|member| said(member) == Some(true)).then_some(true))
    }

    /// Whether a service lies so near to an earlier one that it must tell of the same work.
    fn is_near(&self, (head, members): &(Did, Vec<Did>), did: &Did, window: Window) -> bool {
        let service = |did: &Did| self.services.get(did.service);
        let (Some(first), Some(later)) = (service(head), service(did)) else { return false };
        let read = || self.read(first).zip(self.read(later));
        later.instant.seconds_since(first.instant) <= window.clock.seconds()
            && self.said(head, members, did).is_none()
            && read().is_some_and(|(one, other)| distance(one, other) <= window.hours)
    }

    /// Engine hours by the service's own reading, if that is used.
    fn read(&self, service: &Service<'a>) -> Option<Hours> {
        let anchor = self.anchor_of(service)?;
        anchor.hours.range.filter(|_| anchor.read).map(|range| range.nominal)
    }

    fn anchor_of(&self, service: &Service<'a>) -> Option<Anchor> {
        let found = service.anchor.get().copied();
        found.or_else(|| {
            let placed = service.placed?;
            Some(*service.anchor.get_or_init(|| Anchor::at(placed, Counted::Done, self.standing, self.curve)))
        })
    }

    pub(crate) fn anchor(&self, did: &Did) -> Option<Anchor> {
        let anchor = self.anchor_of(self.services.get(did.service)?)?;
        let counted = if did.outcome == Outcome::Failed { Counted::Failed } else { Counted::Done };
        Some(Anchor { counted, substitute: did.substitute, ..anchor })
    }

    /// The services of some doings from the second last on that lies farther than `clock` from the one before: what a
    /// service that comes later can be held against.
    pub(crate) fn held_against<'d>(&self, doings: &'d Doings<'a>, clock: Hours) -> &'d [Did] {
        let instant = |did: &Did| self.services.get(did.service).map(|service| service.instant);
        let services = doings.services.as_slice();
        let mut left = 2;
        let mut from = services.len();
        while left > 0 && from > 0 {
            from -= 1;
            let here = services.get(from).and_then(instant);
            let before = from.checked_sub(1).and_then(|at| services.get(at)).and_then(instant);
            let apart = match (before, here) {
                (Some(before), Some(here)) => here.seconds_since(before) > clock.seconds(),
                _ => true,
            };
            left -= i32::from(apart);
        }
        services.get(from..).unwrap_or_default()
    }
}

fn distance(one: Hours, other: Hours) -> Hours {
    if one <= other { other - one } else { one - other }
}

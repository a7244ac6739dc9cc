//! Which edition of each schedule holds when.

use std::sync::Arc;

use model::{
    EditionId, EventId, Instant, ScheduleId,
    event::Adoption,
    schedule::{Edition, Task},
};

use crate::{
    input::Input,
    limit::Plan,
    placed::{Placed, What},
    places::Stays,
    standing::Standing,
};

/// An edition that holds for a time, with what it asks for.
#[derive(Clone, Debug)]
pub(crate) struct Rule {
    pub(crate) schedule: ScheduleId,
    pub(crate) edition_id: EditionId,
    pub(crate) edition: Arc<Edition>,
    pub(crate) adoption: EventId,
    /// Since when the adoption holds; [`from`](Self::from) may be later, where conditions changed since.
    pub(crate) begins: Instant,
    pub(crate) from: Instant,
    /// When it holds no more; [`Instant::LAST`] for ever.
    pub(crate) until: Instant,
    /// One for each task, in order of code.
    pub(crate) plans: Vec<Plan>,
}

impl Rule {
    pub(crate) fn holds(&self, at: Instant) -> bool {
        within(self.from, self.until, at)
    }

    /// Tasks and plans, in order of code.
    pub(crate) fn tasks(&self) -> impl Iterator<Item = (&Task, &Plan)> {
        self.plans.iter().filter_map(|plan| Some((self.edition.tasks.get(plan.task)?, plan)))
    }
}

/// Whether `at` lies in a span of time whose end is not part of it, unless it is the end of time.
pub(crate) fn within(from: Instant, until: Instant, at: Instant) -> bool {
    from <= at && (at < until || until == Instant::LAST)
}

/// The rules of a unit without their plans, in order of schedule and time; those of one schedule never overlap.
pub(crate) fn rules(input: &Input<'_>, standing: &Standing<'_>) -> Vec<Rule> {
    let mut adoptions: Vec<_> = standing
        .events
        .iter()
        .filter_map(|placed| match &placed.what {
            What::Adoption(adoption) => Some(decided(placed, adoption, &standing.stays)),
            _ => None,
        })
        .collect();
    adoptions.sort_unstable_by_key(|a| (a.adoption.schedule_id, a.from, a.instant, a.event));
    let mut rules = Vec::with_capacity(adoptions.len());
    for (i, decided) in adoptions.iter().enumerate() {
        let next = adoptions.get(i + 1).filter(|n| n.adoption.schedule_id == decided.adoption.schedule_id);
        let until = next.map_or(decided.until, |next| next.from.min(decided.until));
        let edition = input.editions.get(&decided.adoption.edition_id);
        if let Some(edition) = edition.filter(|_| decided.from < until) {
            rules.push(Rule {
                schedule: decided.adoption.schedule_id,
                edition_id: decided.adoption.edition_id,
                edition: Arc::clone(edition),
                adoption: decided.event,
                begins: decided.from,
                from: decided.from,
                until,
                plans: Vec::new(),
            });
        }
    }
    rules
}

struct Decided<'a> {
    adoption: &'a Adoption,
    event: EventId,
    /// When it was decided.
    instant: Instant,
    from: Instant,
    until: Instant,
}

/// An adoption with its days as instants, where the unit stood when it was decided.
fn decided<'a>(placed: &Placed<'a>, adoption: &'a Adoption, stays: &Stays) -> Decided<'a> {
    let midnight = |date| stays.at(placed.instant).zone.midnight(date);
    Decided {
        adoption,
        event: placed.id,
        instant: placed.instant,
        from: adoption.effective_from.map_or(placed.instant, midnight),
        until: adoption.effective_until.map_or(Instant::LAST, midnight),
    }
}

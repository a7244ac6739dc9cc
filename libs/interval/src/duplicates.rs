//! Events that may tell of the same work twice, where no reading says whether they do: a suggestion, for somebody to
//! settle.

use std::collections::BTreeSet;

use model::{Code, EventId, Instant};

use crate::{
    adoption::Rule,
    completion::{Window, Work},
    corrections::pair,
    doubts,
    limit::asking,
    standing::Standing,
};

/// Two events that may be one, ordered by when the later happened.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub(crate) struct Pair {
    pub(crate) later_at: Instant,
    pub(crate) earlier: EventId,
    pub(crate) later: EventId,
}

/// The pairs that nobody has settled: by taking one out, or by saying that they are the same or not.
pub(crate) fn duplicates(standing: &Standing<'_>, work: &Work<'_>, rules: &[Rule]) -> Vec<Pair> {
    let several = work.doings.iter().filter(|doings| doings.services.len() > 1);
    let asked = several.filter_map(|doings| Some((doings, window(rules, doings.job)?)));
    let services = asked.flat_map(|(doings, window)| work.unread_pairs(doings, window));
    let unsettled = |two: &Pair| !standing.corrections.links.contains_key(&pair(two.earlier, two.later));
    let components = doubts::fitted_soon(&standing.events).into_iter().filter(unsettled);
    // A service may do several jobs.
    let all: BTreeSet<Pair> = services.chain(components).collect();
    all.into_iter().collect()
}

/// The widest window of the tasks that a job counts for.
fn window(rules: &[Rule], job: &Code) -> Option<Window> {
    let windows = rules.iter().flat_map(|rule| asking(rule, job)).map(Window::of);
    windows
        .reduce(|one, other| Window { hours: one.hours.max(other.hours), clock: one.clock.max(other.clock) })
}

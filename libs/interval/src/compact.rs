//! What to keep of a unit so that an event in order needs no earlier one.

mod keep;
mod rows;

use std::sync::Arc;

use model::{EditionId, EventId, Instant, ScheduleId, SiteId};
use thiserror::Error;

use crate::{
    adoption::{Rule, rules},
    hours::SetAside,
    input::{Input, UnitFacts},
    placed::{Placed, What},
    places::Stays,
    settled::Settled,
    standing::{Said, Standing},
    state::{UnitState, fold},
};

/// Of a unit with more entries than this after what is settled nothing is kept.
const UNSETTLED_MOST: usize = 64;

/// All that the fold of a unit needs of the events so far, to fold those that come in order.
///
/// [`apply`](Self::apply) of new events comes to what [`refold`](crate::refold) of all events comes to, for every
/// instant from [`UnitState::exact_from`] on: more than 52 weeks before the last settled reading. Only
/// [traces](UnitState::trace_at) tell less: they leave out services that were taken back and readings that are set
/// aside for good.
///
/// Only a plain record is kept: of a unit with a meter, without runs, storage, severe duty, deferrals or anything else
/// decided for it alone, corrected by nothing but voids, without two events that may be the same, and without tasks that
/// follow more than the last work.
///
/// It holds what the events up to the last settled reading come to, and those after it reduced to what due state
/// rests on; no text that anybody wrote. It serializes as arrays, with instants as microseconds since 1970 and hours
/// as seconds, under a format number: what is of another format is refused, and the unit is to be refolded.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Compact {
    made_with: MadeWith,
    moves: Vec<Move>,
    rules: Vec<Held>,
    settled: Settled,
    /// In canonical order.
    tail: Vec<Placed<'static>>,
    /// Events that were taken out before they came.
    voided_ahead: Vec<EventId>,
}

/// A unit's state, and what to keep of it.
#[derive(Clone, Debug)]
pub struct Folded {
    /// The state.
    pub state: UnitState,
    /// What to keep; nothing of a unit whose record is not plain, or where more than 64 events are not settled. The unit
    /// is then to be refolded next time too.
    pub compact: Option<Compact>,
}

/// Why events cannot be applied to what was kept; all events of the unit are to be refolded.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Error)]
pub enum NeedsRefold {
    /// It changes what earlier events mean, or is of a kind of which nothing is kept.
    #[error("an event of its kind changes what earlier ones mean")]
    Kind,
    /// It happened before something that is settled, was read before another reading, or did a job that was done
    /// later too.
    #[error("an event came late")]
    Late,
    /// It was taken out by a correction that came before it.
    #[error("an event was corrected before it came")]
    Corrected,
    /// The unit's fields, the zone of a site or the policy are others than those it was kept with, or an edition is
    /// missing.
    #[error("what the events were folded with is another by now")]
    Surroundings,
}

/// What the fold rested on beside events and editions.
#[derive(Clone, Debug, PartialEq, Eq)]
struct MadeWith {
    facts: UnitFacts,
    home_zone: Box<str>,
    policy: [Box<str>; 2],
}

/// That the unit stood at a site from an instant on.
#[derive(Clone, Debug, PartialEq, Eq)]
struct Move {
    from: Instant,
    site: SiteId,
    zone: Box<str>,
}

/// That an edition holds for a time.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
struct Held {
    schedule: ScheduleId,
    edition: EditionId,
    adoption: EventId,
    from: Instant,
    until: Instant,
}

/// Folds all events of a unit, as [`refold`](crate::refold) does, and says what to keep of them.
pub fn refold_compact(input: &Input<'_>) -> Folded {
    let nothing = Settled::default();
    let standing = Standing::of(input, &nothing, Instant::LAST);
    let rules = rules(input, &standing);
    let (state, compact) = fold(input, standing, rules, Instant::LAST, |fold| Compact::of(input, fold));
    Folded { state, compact }
}

impl Compact {
    /// Folds the input's events, which are those that are new, on what was kept. Without any it gives the state.
    ///
    /// Services and readings can be applied. They are in order if they happened after
    /// everything that is settled and, where a meter was read, after every other reading, and where a job was done, after
    /// it was done any other time. A reading by which that of a service is set aside cannot be: without one, the service
    /// may be the same work as another.
    pub fn apply(&self, input: &Input<'_>) -> Result<Folded, NeedsRefold> {
        let stays = self.stays(input)?;
        let rules = self.rules(input)?;
        let newest_reading = self.tail.iter().rev().find(|placed| placed.what.meter().is_some());
        let newest_reading = newest_reading.map(Placed::key);
        let mut events: Vec<Placed<'_>> = self.tail.iter().map(Placed::lent).collect();
        for event in input.events {
            if self.voided_ahead.contains(&event.id) {
                return Err(NeedsRefold::Corrected);
            }
            let placed = Placed::of(Said::of(event), stays.instant(&event.occurred.when));
            let placed = placed.filter(|placed| event.unit_id == input.unit && can_be_applied(&placed.what));
            let placed = placed.ok_or(NeedsRefold::Kind)?;
            let after_settled = self.settled.mark.is_none_or(|mark| mark.instant < placed.instant);
            let after_read = newest_reading.is_none_or(|newest| newest < placed.key());
            let read_late = placed.what.meter().is_some() && !after_read;
            if !after_settled || read_late || self.was_done_after(&placed) {
                return Err(NeedsRefold::Late);
            }
            events.push(placed);
        }
        let voided_ahead = self.voided_ahead.clone();
        let standing = Standing { voided_ahead, ..Standing::after(input, &self.settled, events, stays) };
        let (state, compact) = fold(input, standing, rules, Instant::LAST, |fold| Self::of(input, fold));
        // By what is kept the service was judged without its reading already; only by something new is it judged anew.
        if !input.events.is_empty() && self.has_service_of(state.set_aside()) {
            return Err(NeedsRefold::Kind);
        }
        Ok(Folded { state, compact })
    }

    /// Whether what is kept has a service whose reading is set aside.
    fn has_service_of(&self, set_aside: &[SetAside]) -> bool {
        let mut services = self.tail.iter().filter(|placed| matches!(placed.what, What::Service { .. }));
        !set_aside.is_empty()
            && services.any(|placed| set_aside.iter().any(|aside| aside.event_id == placed.id))
    }

    /// Whether one of its jobs was done later too: which of them tell of the same work is then told from the first on.
    fn was_done_after(&self, service: &Placed<'_>) -> bool {
        service.jobs().iter().any(|done| {
            let in_tail = self.tail.iter().rev().take_while(|later| later.key() > service.key());
            in_tail.flat_map(Placed::jobs).any(|later| later.job == done.job)
        })
    }

    /// The sites whose zones [`apply`](Self::apply) needs, the home site first.
    pub fn sites(&self) -> impl Iterator<Item = SiteId> {
        [self.made_with.facts.home_site].into_iter().chain(self.moves.iter().map(|to| to.site))
    }

    /// The editions that [`apply`](Self::apply) needs.
    pub fn editions(&self) -> impl Iterator<Item = EditionId> {
        self.rules.iter().map(|held| held.edition)
    }

    fn stays(&self, input: &Input<'_>) -> Result<Stays, NeedsRefold> {
        let stays = Stays::moved(input, self.moves.iter().map(|to| (to.from, to.site)));
        let same = MadeWith::of(input, &stays) == self.made_with && moves(&stays) == self.moves;
        same.then_some(stays).ok_or(NeedsRefold::Surroundings)
    }

    fn rules(&self, input: &Input<'_>) -> Result<Vec<Rule>, NeedsRefold> {
        let rule = |held: &Held| {
            let edition = input.editions.get(&held.edition).ok_or(NeedsRefold::Surroundings)?;
            Ok(Rule {
                schedule: held.schedule,
                edition_id: held.edition,
                edition: Arc::clone(edition),
                adoption: held.adoption,
                begins: held.from,
                from: held.from,
                until: held.until,
                plans: Vec::new(),
            })
        };
        self.rules.iter().map(rule).collect()
    }
}

/// A tag changes nothing here, but is not worth a way of its own; nor is a change of a component, which may be told twice.
fn can_be_applied(what: &What<'_>) -> bool {
    matches!(what, What::Reading(_) | What::Service { .. })
}

impl MadeWith {
    fn of(input: &Input<'_>, stays: &Stays) -> Self {
        Self {
            facts: input.facts.clone(),
            home_zone: stays.parts().0.zone.name().into(),
            policy: [input.policy.name.into(), input.policy.edition.into()],
        }
    }
}

fn moves(stays: &Stays) -> Vec<Move> {
    let to =
        |stay: &crate::places::Stay| Move { from: stay.from, site: stay.site, zone: stay.zone.name().into() };
    stays.parts().1.iter().map(to).collect()
}

//! Which edition of each schedule holds when, while nothing new is recorded.

use model::{EditionId, Instant, ScheduleId};
use serde::{Deserialize, Serialize};

use crate::{adoption::within, state::UnitState};

/// An edition that holds for a unit for a time. It serializes as a short array for one column of a table.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(into = "Row", from = "Row")]
pub struct InForce {
    /// The schedule.
    pub schedule: ScheduleId,
    /// The edition of it.
    pub edition: EditionId,
    /// The first instant at which it holds.
    pub from: Instant,
    /// The first instant at which it holds no more; [`Instant::LAST`] for ever.
    pub until: Instant,
}

/// Schedule, edition, and the two instants in microseconds since 1970.
type Row = (ScheduleId, EditionId, i64, i64);

/// The edition of a schedule that holds at `at`, if one does.
pub fn edition_in(editions: &[InForce], schedule: ScheduleId, at: Instant) -> Option<EditionId> {
    let holds = |one: &&InForce| one.schedule == schedule && within(one.from, one.until, at);
    editions.iter().find(holds).map(|one| one.edition)
}

impl UnitState {
    /// The editions that hold at `from` or later, in order of schedule and time.
    ///
    /// At any instant from then on [`edition_in`] gives the edition that [`items_at`](Self::items_at) goes by.
    pub fn in_force_from(&self, from: Instant) -> Vec<InForce> {
        let ahead = self.rules.iter().filter(|rule| rule.until > from || rule.until == Instant::LAST);
        let mut found: Vec<InForce> = ahead
            .map(|rule| InForce {
                schedule: rule.schedule,
                edition: rule.edition_id,
                from: rule.begins.min(rule.from),
                until: rule.until,
            })
            .collect();
        found.sort_by_key(|one| (one.schedule, one.until));
        // A rule is cut where conditions change; the edition goes on.
        found.dedup_by(|next, one| {
            let same = one.schedule == next.schedule && one.edition == next.edition && next.from <= one.until;
            if same {
                one.until = next.until;
            }
            same
        });
        found
    }
}

impl From<InForce> for Row {
    fn from(one: InForce) -> Self {
        (one.schedule, one.edition, one.from.micros(), one.until.micros())
    }
}

impl From<Row> for InForce {
    fn from((schedule, edition, from, until): Row) -> Self {
        Self { schedule, edition, from: Instant::from_micros(from), until: Instant::from_micros(until) }
    }
}

//! What is wrong with a unit's record, or missing from it.

use model::{EventId, Instant};
use serde::Serialize;
use utoipa::ToSchema;

use crate::{
    adoption::Rule,
    judge::{Decision, stale_from},
    state::UnitState,
};

/// A unit of which nothing was recorded for so many days is quiet.
const QUIET_DAYS: i64 = 180;

/// Something to put right in the record of a unit.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, ToSchema)]
pub struct QualityEntry {
    /// What.
    pub code: QualityCode,
    /// Since when.
    #[schema(value_type = String, format = DateTime)]
    pub from: Instant,
    /// Until when; absent until something new is recorded.
    #[serde(skip_serializing_if = "Option::is_none")]
    #[schema(value_type = Option<String>, format = DateTime)]
    pub until: Option<Instant>,
    /// The events that show it; none for an age.
    #[schema(value_type = Vec<String>)]
    pub event_ids: Vec<EventId>,
}

/// What may be wrong with a record.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Serialize, ToSchema)]
#[serde(rename_all = "snake_case")]
pub enum QualityCode {
    /// The newest reading is too old to tell that a limit is reached.
    StaleReading,
    /// A reading does not fit the others.
    ReadingSetAside,
    /// Readings agree with each other but lie below those before: another meter?
    SwapNotRecorded,
    /// A run was started, and its stop never recorded.
    StopMissing,
    /// A task was never done, nor the unit commissioned.
    NoHistory,
    /// Two services may be the same work, without readings to tell by; or a component was changed twice within a day.
    PossibleDuplicate,
    /// Nothing at all was recorded for half a year.
    Quiet,
}

impl QualityEntry {
    /// Something that lasts until something new is recorded.
    pub(crate) fn since(code: QualityCode, from: Instant, event_ids: Vec<EventId>) -> Self {
        Self { code, from, until: None, event_ids }
    }

    /// Whether it holds at `at`.
    pub fn holds(&self, at: Instant) -> bool {
        self.from <= at && self.until.is_none_or(|until| at < until)
    }
}

impl UnitState {
    /// All that is to be put right, in order of time; what begins after an instant is not yet so then. Of a state
    /// that was applied, readings that are settled are left out, and what rests on them.
    pub fn quality(&self) -> Vec<QualityEntry> {
        let mut entries: Vec<QualityEntry> = self.stale().into_iter().chain(self.quiet()).collect();
        entries.extend(self.set_aside().iter().map(|aside| {
            QualityEntry::since(QualityCode::ReadingSetAside, aside.read_at, vec![aside.event_id])
        }));
        entries.extend(self.curve.other_meter.as_ref().map(|other| {
            QualityEntry::since(QualityCode::SwapNotRecorded, other.from, other.events.to_vec())
        }));
        let missing = self.curve.runs.iter().filter_map(|run| run.stop_missing());
        entries.extend(
            missing
                .map(|stop| QualityEntry::since(QualityCode::StopMissing, stop.until, vec![stop.event_id])),
        );
        entries.extend(self.rules.iter().filter_map(no_history));
        entries.extend(self.duplicates.iter().map(|two| {
            QualityEntry::since(QualityCode::PossibleDuplicate, two.later_at, vec![two.earlier, two.later])
        }));
        entries.sort_by_key(|entry| (entry.from, entry.code));
        entries
    }

    fn stale(&self) -> Option<QualityEntry> {
        let from = stale_from(self.curve.newest_reading()?, &self.policy);
        (from < Instant::LAST).then(|| QualityEntry::since(QualityCode::StaleReading, from, Vec::new()))
    }

    fn quiet(&self) -> Option<QualityEntry> {
        let (newest, event) = self.newest?;
        let from = newest.plus_seconds(QUIET_DAYS * 86_400);
        (from < Instant::LAST).then(|| QualityEntry::since(QualityCode::Quiet, from, vec![event]))
    }
}

/// That a task of an edition has nothing to count from while that holds.
fn no_history(rule: &Rule) -> Option<QualityEntry> {
    let until = Some(rule.until).filter(|until| *until < Instant::LAST);
    // What is not for the unit, or is done only after a check has failed, counts from nothing and misses nothing.
    let has_none = rule.plans.iter().any(|plan| plan.fixed == Some(Decision::NoHistory));
    has_none.then(|| QualityEntry {
        until,
        ..QualityEntry::since(QualityCode::NoHistory, rule.from, vec![rule.adoption])
    })
}

//! What is to be put right in the records of units.

use interval::QualityCode;
use model::{EventId, Instant, SiteId, UnitId};

use super::DueFilter;

/// The words for [`QualityCode`], in the order of the words.
pub const QUALITY_CODES: &[(&str, QualityCode)] = &[
    ("no_history", QualityCode::NoHistory),
    ("possible_duplicate", QualityCode::PossibleDuplicate),
    ("quiet", QualityCode::Quiet),
    ("reading_set_aside", QualityCode::ReadingSetAside),
    ("stale_reading", QualityCode::StaleReading),
    ("stop_missing", QualityCode::StopMissing),
    ("swap_not_recorded", QualityCode::SwapNotRecorded),
];

/// Which page of what is to be put right is asked for.
#[derive(Clone, Debug)]
pub struct QualityQuery {
    /// Of which units.
    pub of: DueFilter,
    /// Only these; empty means all.
    pub codes: Vec<QualityCode>,
    /// What has begun by then, and not ended.
    pub at: Instant,
    /// The last line of the page before.
    pub after: Option<QualityPlace>,
    /// At most so many.
    pub limit: usize,
}

/// The place of a line: what has lasted longest comes first.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub struct QualityPlace {
    /// Since when.
    pub from: Instant,
    /// Then by unit,
    pub unit: UnitId,
    /// and by number within the unit.
    pub n: i64,
}

/// One thing that is to be put right.
#[derive(Clone, Debug)]
pub struct QualityLine {
    /// Its place.
    pub place: QualityPlace,
    /// What it is.
    pub code: QualityCode,
    /// The unit's home site.
    pub home_site: SiteId,
    /// Where the unit stands.
    pub standing_site: SiteId,
    /// Until when; [`Instant::LAST`] until something new is recorded.
    pub until: Instant,
    /// The events that show it.
    pub events: Vec<EventId>,
}

//! How long portable engines have done one job at one place: after twelve months there they count as stationary, and have counted
//! so since the first was placed (40 CFR 1068.30, 1068.31).
//!
//! The clock belongs to the place and the job, not to the unit: a replacement that does the same job continues it. A unit that
//! stays and changes its job takes its own time along. What the rule
//! leaves open (how long an absence ends it, whether storage counts, and whether twelve months to the day are enough) is data
//! of a policy that a person confirms for the place, and is named in the answer for review.
//!
//! ```
//! use model::LocalDate;
//! use standby::residence::{Asked, Placement, ResidencePolicy, residence};
//!
//! let day = |text| LocalDate::parse(text).unwrap();
//! let place = |unit, from, until| Placement::new(unit, "PS-2", "pump", from, until).unwrap();
//! let first = place("U1", day("2025-01-10"), Some(day("2025-06-01")));
//! let replacement = place("U2", day("2025-06-15"), None);
//! let asked = Asked { placements: &[first, replacement], storage: &[], seasonal: &[], today: day("2026-01-05") };
//! let clock = &residence(&asked, &ResidencePolicy::standard()).unwrap().clocks[0];
//! assert_eq!((clock.days, clock.days_left), (360, Some(5)));
//! ```

mod answer;
mod clock;
mod days;
mod judge;
mod policy;
mod season;
mod spell;

use model::LocalDate;

pub use self::{
    answer::{Clock, ClockState, OwnStay, Passed, PassedBy, Reading, Residence, ResidenceTrace, Review},
    judge::residence,
    policy::{Boundary, ResidencePolicy},
};

/// A unit at a place, doing a job there.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Placement {
    unit: String,
    location: String,
    function: String,
    from: LocalDate,
    until: Option<LocalDate>,
}

impl Placement {
    /// From the day on which it was placed until the day on which it left or will leave, if that is known. Units that do the
    /// same or a similar job have the same function.
    ///
    /// # Errors
    ///
    /// Where it left before it came.
    pub fn new(
        unit: impl Into<String>,
        location: impl Into<String>,
        function: impl Into<String>,
        from: LocalDate,
        until: Option<LocalDate>,
    ) -> Result<Self, ResidenceError> {
        if until.is_some_and(|until| until < from) {
            return Err(ResidenceError::LeftBeforePlaced);
        }
        Ok(Self { unit: unit.into(), location: location.into(), function: function.into(), from, until })
    }
}

/// A time that a unit was in storage.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Storage {
    unit: String,
    from: LocalDate,
    until: Option<LocalDate>,
}

impl Storage {
    /// From its first day until the day on which it ended, if it has.
    ///
    /// # Errors
    ///
    /// Where it ended before it began.
    pub fn new(
        unit: impl Into<String>,
        from: LocalDate,
        until: Option<LocalDate>,
    ) -> Result<Self, ResidenceError> {
        if until.is_some_and(|until| until < from) {
            return Err(ResidenceError::StorageEndedBeforeItBegan);
        }
        Ok(Self { unit: unit.into(), from, until })
    }
}

/// A season of a place that works only part of the year.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Season {
    location: String,
    opens: LocalDate,
    closes: LocalDate,
    permanent_months: Option<u16>,
}

impl Season {
    /// From the day on which it opens until the first day on which it is closed again, and for how many months in all the place
    /// is meant to work, if that is known.
    ///
    /// # Errors
    ///
    /// Where it closes no later than it opens.
    pub fn new(
        location: impl Into<String>,
        opens: LocalDate,
        closes: LocalDate,
        permanent_months: Option<u16>,
    ) -> Result<Self, ResidenceError> {
        if closes <= opens {
            return Err(ResidenceError::ClosesBeforeItOpens);
        }
        Ok(Self { location: location.into(), opens, closes, permanent_months })
    }
}

/// What the clocks are made of.
#[derive(Clone, Copy, Debug)]
pub struct Asked<'a> {
    /// Where units were placed, of any number of places and jobs.
    pub placements: &'a [Placement],
    /// When units were in storage.
    pub storage: &'a [Storage],
    /// Seasons of places that work only part of the year.
    pub seasonal: &'a [Season],
    /// The day at the site for which it is asked.
    pub today: LocalDate,
}

/// Why there are no clocks.
#[derive(Clone, Copy, Debug, PartialEq, Eq, thiserror::Error)]
pub enum ResidenceError {
    /// A unit left before it came.
    #[error("A unit leaves no sooner than it was placed.")]
    LeftBeforePlaced,
    /// Storage ended before it began.
    #[error("Storage ends no sooner than it began.")]
    StorageEndedBeforeItBegan,
    /// A season closes no later than it opens.
    #[error("A season closes after it opens.")]
    ClosesBeforeItOpens,
    /// A unit is in two places at once.
    #[error("A unit stands in one place at a time: this placement begins before the one before it ends.")]
    InTwoPlaces(usize),
    /// A limit of no months.
    #[error("The limit is more than 0 months.")]
    NoMonths,
}

impl ResidenceError {
    /// The code.
    #[must_use]
    pub const fn code(self) -> &'static str {
        match self {
            Self::LeftBeforePlaced | Self::StorageEndedBeforeItBegan | Self::ClosesBeforeItOpens => {
                "ends_before_it_begins"
            }
            Self::InTwoPlaces(_) => "in_two_places",
            Self::NoMonths => "out_of_range",
        }
    }

    /// The member that is wrong: below the placement, storage, season or policy, else below the whole input.
    #[must_use]
    pub fn pointer(self) -> String {
        match self {
            Self::LeftBeforePlaced | Self::StorageEndedBeforeItBegan => "/until".to_owned(),
            Self::ClosesBeforeItOpens => "/closes".to_owned(),
            Self::InTwoPlaces(at) => format!("/placements/{at}/from"),
            Self::NoMonths => "/months".to_owned(),
        }
    }
}

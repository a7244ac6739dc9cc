//! What is known of a set at an instant; each fact with the events that it rests on.

use interval::{DueState, Fraction};
use model::{Code, Hours, Instant, Kilowatts, LocalDate, Metres, UnitId, id::EventId};

use super::binomial::Trials;

/// A fact, or that nobody entered it, or that it has no meaning for this set.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub enum Fact<T> {
    /// Nobody entered it.
    #[default]
    NotKnown,
    /// It has no meaning for this set: no battery, no tank of its own, a fixed place.
    DoesNotApply,
    /// It is known.
    Known(Known<T>),
}

/// Something that is known.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Known<T> {
    /// What.
    pub value: T,
    /// The service events that it rests on.
    pub evidence: Vec<EventId>,
    /// When it becomes another by time alone; none where only a new record changes it.
    pub changes_at: Option<Instant>,
}

impl<T> Known<T> {
    /// Something that only a new record changes.
    pub const fn lasting(value: T) -> Self {
        Self { value, evidence: Vec::new(), changes_at: None }
    }
}

/// All that rules ask about one set; what nobody entered stays [`Fact::NotKnown`].
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Facts {
    /// The set.
    pub unit: UnitId,
    /// Critical findings that are open; none where none was recorded.
    pub critical_findings: Vec<EventId>,
    /// Tags and locks that hang on it and put it out of service; none where none was recorded.
    pub tags: Vec<EventId>,
    /// What is due on it; not known where no schedule is adopted.
    pub due: Fact<Vec<DueFact>>,
    /// Its last start.
    pub last_start: Fact<StartOutcome>,
    /// Its starting battery.
    pub battery: Fact<BatteryFact>,
    /// Whether it was brought back into use after storage or repair.
    pub recommission: Fact<Recommission>,
    /// How long it lasts on what it has.
    pub endurance: Fact<EnduranceFact>,
    /// The share of its fuel that is past its limit.
    pub stale_fuel: Fact<Fraction>,
    /// The day of its last test that counted.
    pub last_test: Fact<LocalDate>,
    /// How many of its demands to start it followed.
    pub starts: Fact<Trials>,
    /// What it has to carry, and what it can.
    pub load: Fact<LoadFact>,
    /// When its meter was last read.
    pub newest_reading: Fact<Instant>,
    /// Whether an alarm for carbon monoxide is there and works.
    pub co_alarm_works: Fact<bool>,
    /// How far it stands from openings of buildings.
    pub from_openings: Fact<Metres>,
}

impl Facts {
    /// A set of which nothing is known.
    #[must_use]
    pub const fn nothing(unit: UnitId) -> Self {
        Self {
            unit,
            critical_findings: Vec::new(),
            tags: Vec::new(),
            due: Fact::NotKnown,
            last_start: Fact::NotKnown,
            battery: Fact::NotKnown,
            recommission: Fact::NotKnown,
            endurance: Fact::NotKnown,
            stale_fuel: Fact::NotKnown,
            last_test: Fact::NotKnown,
            starts: Fact::NotKnown,
            load: Fact::NotKnown,
            newest_reading: Fact::NotKnown,
            co_alarm_works: Fact::NotKnown,
            from_openings: Fact::NotKnown,
        }
    }
}

/// What is due on a set.
#[derive(Clone, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub struct DueFact {
    /// The job.
    pub job: Code,
    /// Its state.
    pub state: DueState,
    /// How far past its limit, where it has one in hours.
    pub past_hours: Option<Hours>,
    /// How far past its limit, where it has one in days.
    pub past_days: Option<i64>,
    /// How far past its limit it may go.
    pub tolerance_hours: Option<Hours>,
    /// How many days it may go past its limit.
    pub tolerance_days: Option<i64>,
    /// The service events that it rests on.
    pub evidence: Vec<EventId>,
    /// When its state becomes another by time alone.
    pub changes_at: Option<Instant>,
}

/// How the last demand to start went.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum StartOutcome {
    /// It started at the first try.
    FirstTry,
    /// It started, but only at a later try.
    LaterTry,
    /// It did not start.
    Failed,
    /// It did not start, and was put right and started since.
    FailedThenRecovered,
}

/// How a starting battery stands.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct BatteryFact {
    /// Whether its last test was passed; none where it was never tested.
    pub passed: Option<bool>,
    /// The day on which its next check is due; none where that is not known.
    pub check_due_on: Option<LocalDate>,
}

/// Whether a set may be used again after storage or repair.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Recommission {
    /// It was in use all along, or all was done that had to be.
    Closed,
    /// Something is still to be done.
    Open,
}

/// How long a set lasts.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct EnduranceFact {
    /// Hours until it stops.
    pub hours: Hours,
    /// Hours that its site asks for; none leaves it to the policy.
    pub needed: Option<Hours>,
}

/// The load of a set.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct LoadFact {
    /// What it has to carry.
    pub load: Kilowatts,
    /// What it can carry where it stands.
    pub capacity: Kilowatts,
}

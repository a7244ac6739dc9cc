//! What has to be known of an outage and of a set to run it through.

use interval::Grade;
use model::{Code, Hours, Instant, Label, LocalDate, Zone, quantity::Litres};

use super::OutagePolicy;
use crate::{
    amount::BurnRate,
    burn::BurnFacts,
    load::{Profile, Share},
};

/// An outage at a place.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Outage {
    /// When it begins; while it is on, now.
    pub start: Instant,
    /// How long it lasts from then on.
    pub duration: Hours,
    /// The zone of the site.
    pub zone: Zone,
    /// The rules that are applied.
    pub policy: OutagePolicy,
}

/// A set as it goes into an outage.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Set {
    /// How it burns fuel, its fuel and its rating.
    pub burn: BurnFacts,
    /// What it has to carry.
    pub load: Option<Profile>,
    /// Where its fuel comes from.
    pub supply: Supply,
    /// Fuel beside the tank, for this set.
    pub on_site: OnSite,
    /// Engine hours at the start.
    pub engine_hours: Option<EngineHours>,
    /// Whether it runs at the start already; if not, what is due at once is done before it is started.
    pub running: bool,
    /// Hours that it ran since the last oil check.
    pub since_check: Hours,
    /// Running hours from one oil check to the next; absent means those of the policy, unless a task is the check.
    pub check_every: Option<Hours>,
    /// What is due on it.
    pub tasks: Vec<Task>,
    /// What may be due on it, and is not known.
    pub not_told: Vec<NotTold>,
    /// Its oil.
    pub oil: Oil,
    /// How long a stop lasts at which no work is done; absent means that of the policy.
    pub plain_stop: Option<Hours>,
}

/// Work of which it is not known when it is due.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum NotTold {
    /// A task that nobody recorded as done, or hours without a reading.
    Task {
        /// The task.
        task: Code,
        /// Whether it takes oil.
        changes_oil: bool,
    },
    /// Any: it follows no schedule.
    Schedule,
}

/// Where the fuel of a set comes from.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Supply {
    /// A tank of its own. Natural gas from the main needs none, whatever stands here.
    OwnTank {
        /// What the tank holds.
        capacity: Option<Litres>,
        /// What is in it at the start.
        start: Option<Litres>,
        /// What is never to be burned.
        reserve: Litres,
    },
    /// The tank of the site, without one of its own.
    SiteTank,
}

/// Fuel on the site beside the tank.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct OnSite {
    /// How much.
    pub litres: Litres,
    /// The size of the cans that it is in and comes in; absent where it is in bulk.
    pub can_size: Option<Litres>,
}

/// Engine hours, the likeliest value and the most that they may be.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct EngineHours {
    /// The likeliest value: what is told.
    pub nominal: Hours,
    /// The most that they may be: what work is due by.
    pub upper: Hours,
    /// How well they are known.
    pub grade: Grade,
}

impl EngineHours {
    /// After so many hours of running.
    #[must_use]
    pub fn after(self, ran: Hours) -> Self {
        Self { nominal: self.nominal + ran, upper: self.upper + ran, ..self }
    }

    /// Hours that were measured.
    #[must_use]
    pub const fn measured(hours: Hours) -> Self {
        Self { nominal: hours, upper: hours, grade: Grade::A }
    }
}

/// A task that may fall due in an outage.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Task {
    /// Its code.
    pub task: Code,
    /// Its limit in hours.
    pub hours: Option<HourLimit>,
    /// The date on which it is due.
    pub due_date: Option<LocalDate>,
    /// How long a stop lasts at which it is done; absent means that of the policy for work.
    pub stop: Option<Hours>,
    /// What it takes each time: parts and how many of each.
    pub parts: Vec<(Label, u32)>,
    /// Whether the oil is changed with it.
    pub changes_oil: bool,
    /// Whether it is the oil check, so that its interval is what stops keep to.
    pub is_check: bool,
}

/// A limit in engine hours.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct HourLimit {
    /// Engine hours at which it is due next.
    pub due_at: Hours,
    /// Hours from one time to the next.
    pub interval: Hours,
    /// By how much it may be late.
    pub tolerance: Hours,
}

/// The oil of a set.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Oil {
    /// How much it burns.
    pub use_: Option<OilUse>,
    /// How much a change takes.
    pub capacity: Option<Litres>,
}

/// How much oil a set burns.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum OilUse {
    /// So much in each hour.
    PerHour(BurnRate),
    /// A share of the fuel by volume; 0.1 to 0.5 % is common practice.
    OfFuel(Share),
}

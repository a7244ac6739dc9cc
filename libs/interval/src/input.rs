//! What due state is worked out from.

use std::{collections::BTreeMap, sync::Arc};

use model::{EditionId, Hours, SiteId, Zone, event::ServiceEvent, schedule::Edition};

/// The fields of a unit that bear on due state.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct UnitFacts {
    /// Whether it has an hour meter.
    pub meter_fitted: bool,
    /// The smallest step of its meter.
    pub tick: Hours,
    /// Where it belongs; its place until the first placement.
    pub home_site: SiteId,
}

/// Limits that the schedules leave open, under a name that every answer can be traced to.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Policy {
    /// Its name.
    pub name: &'static str,
    /// Its edition.
    pub edition: &'static str,
    /// Days after which the newest reading no longer decides that an hour limit is reached.
    pub reading_age_days: i64,
    /// The least use to reckon with since the newest reading, in hundredths of an hour per day.
    pub least_rate_hundredths_per_day: i64,
    /// How long before its limit a task is coming due, in percent of the interval, unless the task says.
    pub lead_percent: i64,
}

impl Policy {
    /// The policy in use where nobody chose another: 60 days, half an hour per day, a tenth.
    pub const fn standard() -> Self {
        Self {
            name: "standard",
            edition: "1",
            reading_age_days: 60,
            least_rate_hundredths_per_day: 50,
            lead_percent: 10,
        }
    }
}

/// Everything that due state is worked out from, for one unit.
#[derive(Clone, Copy, Debug)]
pub struct Input<'a> {
    /// The unit's own fields.
    pub facts: &'a UnitFacts,
    /// All events of the unit, corrections included, in any order.
    pub events: &'a [ServiceEvent],
    /// The zone of each site that the events name, and of the home site. A site without one has the home
    /// site's zone, and that failing UTC.
    pub zones: &'a BTreeMap<SiteId, Zone>,
    /// Each edition that the events adopt; one that is missing yields no due items.
    pub editions: &'a BTreeMap<EditionId, Arc<Edition>>,
    /// The policy.
    pub policy: &'a Policy,
}

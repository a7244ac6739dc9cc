//! Whether a site has enough sets that are ready for what it needs at least.

use model::{Instant, Kilowatts, SiteId, UnitId};
use serde::Serialize;
use utoipa::ToSchema;

use super::reason::Verdict;
use crate::asked::Asked;

/// A set of a site.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct SiteUnit {
    /// The set.
    pub unit: UnitId,
    /// Whether it is ready.
    pub verdict: Verdict,
    /// What it can carry where it stands.
    pub capacity: Option<Kilowatts>,
    /// When its verdict may change by time alone.
    pub until: Option<Instant>,
}

/// Whether a site can carry its least load.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, ToSchema)]
pub struct SiteReadiness {
    /// The site.
    #[schema(value_type = String, format = "uuid")]
    pub site_id: SiteId,
    /// The worst verdict among the best sets that carry the load together.
    pub verdict: Verdict,
    /// How many sets that takes; absent where all of them are too few, or the load is not known.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub needed: Option<usize>,
    /// How many sets the site has.
    pub of: usize,
    /// The sets that count, the best first; of equally good ones the biggest.
    #[schema(value_type = Vec<String>)]
    pub counted: Vec<UnitId>,
    /// By how much all sets of known capacity are too weak.
    #[serde(skip_serializing_if = "Option::is_none")]
    #[schema(value_type = Option<f64>)]
    pub short_kw: Option<Kilowatts>,
    /// What to enter where something is not known.
    pub missing: Vec<Asked>,
    /// The next instant at which the verdict may change by time alone.
    #[serde(skip_serializing_if = "Option::is_none")]
    #[schema(value_type = Option<String>, format = DateTime)]
    pub until: Option<Instant>,
    /// What it rests on.
    pub trace: Vec<SiteTrace>,
}

/// One thing that a site's verdict rests on, or that was left out.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, ToSchema)]
#[serde(tag = "code", rename_all = "snake_case")]
pub enum SiteTrace {
    /// The least load of the site.
    LeastLoad {
        /// Kilowatts.
        #[schema(value_type = f64)]
        kilowatts: Kilowatts,
    },
    /// Capacities were added up: each set carries loads of its own, or they run in parallel.
    CapacitiesAdded,
    /// A set was left out, since what it can carry is not known.
    CapacityNotKnown {
        /// The set.
        #[schema(value_type = String, format = "uuid")]
        unit_id: UnitId,
    },
    /// A set was counted.
    Counted {
        /// The set.
        #[schema(value_type = String, format = "uuid")]
        unit_id: UnitId,
        /// Its verdict.
        verdict: Verdict,
        /// What it adds.
        #[schema(value_type = f64)]
        kilowatts: Kilowatts,
    },
}

/// Judges a site: the best sets are taken until they carry its least load, and the worst of them decides.
///
/// A site without sets, or one whose least load nobody entered, is unknown. A set of unknown capacity adds nothing; where it
/// could make the verdict better, the verdict is unknown.
#[must_use]
pub fn site_readiness(site: SiteId, needs: Option<Kilowatts>, units: &[SiteUnit]) -> SiteReadiness {
    let mut answer = SiteReadiness {
        site_id: site,
        verdict: Verdict::Unknown,
        needed: None,
        of: units.len(),
        counted: Vec::new(),
        short_kw: None,
        missing: Vec::new(),
        until: units.iter().filter_map(|unit| unit.until).min(),
        trace: Vec::new(),
    };
    if units.is_empty() {
        answer
            .missing
            .push(Asked::at("/units", "The sets that stand at the site, or that are promised to it."));
    }
    let Some(needs) = needs else {
        answer.missing.push(Asked::at("/needs_kw", "The least power that the site needs in an outage."));
        return answer;
    };
    answer.trace.push(SiteTrace::LeastLoad { kilowatts: needs });
    if !units.is_empty() {
        answer.count(needs, units);
    }
    answer
}

impl SiteReadiness {
    fn count(&mut self, needs: Kilowatts, units: &[SiteUnit]) {
        let left = self.take_best(needs, units);
        let worst = self.trace.iter().filter_map(|entry| match entry {
            SiteTrace::Counted { verdict, .. } => Some(*verdict),
            _ => None,
        });
        let reached = if left > 0 { Verdict::NotReady } else { worst.max().unwrap_or(Verdict::Ready) };
        self.verdict = reached;
        if left > 0 {
            self.short_kw = Some(Kilowatts::from_hundredths(left));
        } else {
            self.needed = Some(self.counted.len());
        }
        if self.counted.len() > 1 {
            self.trace.push(SiteTrace::CapacitiesAdded);
        }
        self.leave_out(reached, units);
    }

    /// Takes the best sets until they carry the load; gives what is left of it.
    fn take_best(&mut self, needs: Kilowatts, units: &[SiteUnit]) -> i64 {
        let mut best: Vec<(&SiteUnit, Kilowatts)> =
            units.iter().filter_map(|unit| Some((unit, unit.capacity?))).collect();
        best.sort_by_key(|(unit, capacity)| (unit.verdict, std::cmp::Reverse(*capacity), unit.unit));
        let mut left = needs.hundredths();
        for (unit, kilowatts) in best {
            if left <= 0 {
                break;
            }
            left = left.saturating_sub(kilowatts.hundredths().max(0));
            self.counted.push(unit.unit);
            self.trace.push(SiteTrace::Counted { unit_id: unit.unit, verdict: unit.verdict, kilowatts });
        }
        left
    }

    /// Names sets of unknown capacity; where one is better than what was reached, it might have been enough.
    fn leave_out(&mut self, reached: Verdict, units: &[SiteUnit]) {
        let mut not_known: Vec<&SiteUnit> = units.iter().filter(|unit| unit.capacity.is_none()).collect();
        not_known.sort_by_key(|unit| unit.unit);
        for unit in not_known {
            self.trace.push(SiteTrace::CapacityNotKnown { unit_id: unit.unit });
            if reached > Verdict::ReadyWithLimits && unit.verdict < reached {
                let pointer = format!("/units/{}/rated_kw", unit.unit);
                self.missing.push(Asked::at(pointer, "What the set can carry."));
                self.verdict = Verdict::Unknown;
            }
        }
    }
}

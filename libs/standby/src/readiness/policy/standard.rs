//! The policy that is used where no pack brings its own.

use std::collections::BTreeSet;

use model::Code;

use super::{Bound, Check, Found, NotKnown, Percent, ReadinessPolicy, Rule, Text};

/// A value that others may set differently.
const PRACTICE: &str = "common practice";

impl ReadinessPolicy {
    /// Limits that are common practice, where no source is named.
    #[must_use]
    pub fn standard() -> Self {
        let rules = work().into_iter().chain(proof()).chain(use_of_it()).collect();
        Self { policy: Text::Borrowed("readiness_standard"), edition: Text::Borrowed("1"), rules }
    }
}

fn rule(rule: &'static str, check: Check, not_known: NotKnown, source: &'static str) -> Rule {
    Rule { rule: Text::Borrowed(rule), check, not_known, source: Text::Borrowed(source) }
}

/// What has to be done on a set.
fn work() -> [Rule; 6] {
    let oil =
        ["oil_and_filter_change", "oil_change"].into_iter().filter_map(|job| Code::parse(job).ok()).collect();
    let oil = Check::DueItems { jobs: oil, overdue: Found::Block, due: Found::Limit };
    let others = Check::DueItems { jobs: BTreeSet::new(), overdue: Found::Limit, due: Found::Info };
    let recommission = Check::Recommission { open: Found::Block };
    [
        rule(
            "critical_findings",
            Check::CriticalFindings { open: Found::Block },
            NotKnown::Unknown,
            PRACTICE,
        ),
        rule(
            "tags",
            Check::Tags { hung: Found::Block },
            NotKnown::Unknown,
            "29 CFR 1910.147: it is not started before whoever hung the lock or tag took it off",
        ),
        rule(
            "oil",
            oil,
            NotKnown::Unknown,
            "the unit's schedule; that an overdue oil change blocks is common practice",
        ),
        rule(
            "other_jobs",
            others,
            NotKnown::LeaveOut,
            "the unit's schedule; how grave it is, is common practice",
        ),
        rule("recommission", recommission, NotKnown::Unknown, PRACTICE),
        rule(
            "battery",
            Check::Battery { failed: Found::Block, due: Found::Limit },
            NotKnown::Unknown,
            PRACTICE,
        ),
    ]
}

/// What proves that it starts and carries a load.
fn proof() -> [Rule; 4] {
    let test = Check::LastTest { most_days: 40, told_from_days: 36, longer: Found::Limit };
    let starts =
        Check::StartRate { least_percent: Percent(80), bound: Bound::ClopperPearson95, less: Found::Limit };
    [
        rule("last_start", Check::LastStart { failed: Found::Block }, NotKnown::Unknown, PRACTICE),
        rule(
            "last_test",
            test,
            NotKnown::Unknown,
            "a monthly test from 20 to 40 days after the last (common practice)",
        ),
        rule(
            "start_rate",
            starts,
            NotKnown::LeaveOut,
            "the bound of Clopper and Pearson (1934); 80 % is common practice",
        ),
        rule("reading", Check::Reading { most_days: 60 }, NotKnown::Unknown, "the reading age of due items"),
    ]
}

/// What an outage asks of it, and what could hurt somebody.
fn use_of_it() -> [Rule; 5] {
    let endurance =
        Check::Endurance { needed_hours: 72, short: Found::Limit, empty_below_hours: 1, empty: Found::Block };
    let placement = Check::Placement { least_centimetres: 610, nearer: Found::Block };
    [
        rule(
            "endurance",
            endurance,
            NotKnown::Unknown,
            "72 h as in 47 CFR 9.19; that less than 1 h is empty is common practice",
        ),
        rule(
            "stale_fuel",
            Check::StaleFuel { most_percent: Percent(25), more: Found::Limit },
            NotKnown::Unknown,
            PRACTICE,
        ),
        rule("load", Check::Load { more: Found::Limit }, NotKnown::Unknown, PRACTICE),
        rule("co_alarm", Check::CoAlarm { none: Found::Limit }, NotKnown::LeaveOut, PRACTICE),
        rule(
            "placement",
            placement,
            NotKnown::LeaveOut,
            "published safety advice: at least 20 ft from openings, told to the centimetre",
        ),
    ]
}

//! Whether a set is ready, with every reason for it, and whether a site has enough sets that are.
//!
//! Each rule of a policy looks at one fact and gives reasons: `block`, `unknown`, `limit` or `info`. The gravest decides; there
//! is no score. A fact that a rule needs and nobody entered makes the verdict unknown and says what to enter.
//!
//! ```
//! use model::{Instant, UnitId, Zone};
//! use standby::readiness::{Facts, ReadinessPolicy, Verdict, judge};
//!
//! let unit = UnitId::parse("019a0b5e-7c00-7000-8000-00000000000b").unwrap();
//! let policy = ReadinessPolicy::standard();
//! let answer = judge(&policy, &Facts::nothing(unit), Instant::FIRST, &Zone::utc());
//! assert_eq!(answer.verdict, Verdict::Unknown);
//! assert!(answer.reasons.iter().all(|reason| reason.enter.is_some()));
//! ```

pub mod binomial;
mod cautions;
mod checks;
mod due;
mod facts;
mod judge;
mod policy;
mod reason;
mod site;

pub use self::{
    facts::{BatteryFact, DueFact, EnduranceFact, Fact, Facts, Known, LoadFact, Recommission, StartOutcome},
    judge::{Readiness, judge, judge_record},
    policy::{Bound, Check, Found, NotKnown, Percent, PolicyError, ReadinessPolicy, Rule, Text},
    reason::{Measure, Reason, ReasonCode, Severity, Trace, VERDICTS, Verdict},
    site::{SiteReadiness, SiteTrace, SiteUnit, site_readiness},
};

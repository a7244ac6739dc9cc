//! The rules by which readiness is judged, as data: a policy pack can bring its own.

mod check;
mod error;
mod standard;

use std::borrow::Cow;

use model::{Code, Hours};
use serde::Deserialize;

pub use self::{
    check::{Bound, Check, Found, NotKnown, Percent},
    error::PolicyError,
};

/// A name or a source as a policy gives it.
pub type Text = Cow<'static, str>;

/// The rules of one edition of a policy, as they were read and found sound.
#[derive(Clone, Debug, PartialEq, Eq, Deserialize)]
#[serde(try_from = "Draft")]
pub struct ReadinessPolicy {
    policy: Text,
    edition: Text,
    rules: Vec<Rule>,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct Draft {
    policy: Text,
    edition: Text,
    rules: Vec<Rule>,
}

/// One rule.
#[derive(Clone, Debug, PartialEq, Eq, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Rule {
    /// Its name, a code that is there once in a policy.
    pub rule: Text,
    /// What it looks at.
    pub check: Check,
    /// What comes of it where the fact is not known.
    pub not_known: NotKnown,
    /// Where it comes from.
    pub source: Text,
}

impl TryFrom<Draft> for ReadinessPolicy {
    type Error = PolicyError;
    fn try_from(draft: Draft) -> Result<Self, PolicyError> {
        Self::new(draft.policy, draft.edition, draft.rules)
    }
}

impl ReadinessPolicy {
    /// From rules.
    ///
    /// # Errors
    /// Where there are none, where one has no proper name or no source, where two have one name or look at the same, or where a rule contradicts itself.
    pub fn new(policy: Text, edition: Text, rules: Vec<Rule>) -> Result<Self, PolicyError> {
        if rules.is_empty() {
            return Err(PolicyError::NoRules);
        }
        for (place, rule) in rules.iter().enumerate() {
            if Code::parse(&rule.rule).is_err() {
                return Err(PolicyError::NameNotCode { place });
            }
            if rule.source.trim().is_empty() {
                return Err(PolicyError::NoSource { place });
            }
            let before = rules.iter().take(place);
            if before.clone().any(|other| other.rule == rule.rule) {
                return Err(PolicyError::NameTwice { place });
            }
            if before.clone().any(|other| other.check.overlaps(&rule.check)) {
                return Err(PolicyError::CheckTwice { place });
            }
            rule.check.sound(place)?;
        }
        Ok(Self { policy, edition, rules })
    }

    /// Its name.
    #[must_use]
    pub const fn policy(&self) -> &Text {
        &self.policy
    }

    /// Its edition.
    #[must_use]
    pub const fn edition(&self) -> &Text {
        &self.edition
    }

    /// Its rules.
    #[must_use]
    pub fn rules(&self) -> &[Rule] {
        &self.rules
    }

    /// Whether a rule names the job.
    pub(super) fn names(&self, job: &Code) -> bool {
        self.rules
            .iter()
            .any(|rule| matches!(&rule.check, Check::DueItems { jobs, .. } if jobs.contains(job)))
    }
}

/// Whole hours.
pub(super) const fn whole_hours(hours: u16) -> Hours {
    Hours::from_hundredths(hours as i64 * 100)
}

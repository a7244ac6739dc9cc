//! Why rules cannot be a policy.

/// Why a set of rules cannot be one.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
pub enum PolicyError {
    /// Nothing would ever be looked at, so everything would be ready.
    #[error("A policy has at least one rule: without any, every set would be ready.")]
    NoRules,
    /// A name cannot be told in an answer.
    #[error("A rule's name has 1 to 64 lower-case letters, digits and underscores and begins with a letter.")]
    NameNotCode {
        /// The place of the rule.
        place: usize,
    },
    /// Nobody could look it up.
    #[error("A rule names its source.")]
    NoSource {
        /// The place of the rule.
        place: usize,
    },
    /// Two rules have one name.
    #[error("Two rules have the same name.")]
    NameTwice {
        /// The place of the second.
        place: usize,
    },
    /// Two rules look at the same thing.
    #[error("Another rule looks at the same already.")]
    CheckTwice {
        /// The place of the second.
        place: usize,
    },
    /// It would be told only after it is too late.
    #[error("It is told beforehand, so after fewer days than the limit has.")]
    ToldTooLate {
        /// The place of the rule.
        place: usize,
    },
    /// As good as empty would be more than enough.
    #[error("As good as empty is less than what is needed.")]
    EmptyAboveNeeded {
        /// The place of the rule.
        place: usize,
    },
}

impl PolicyError {
    /// The code.
    #[must_use]
    pub const fn code(&self) -> &'static str {
        match self {
            Self::NoRules => "no_rules",
            Self::NameNotCode { .. } => "invalid_code",
            Self::NoSource { .. } => "no_source",
            Self::NameTwice { .. } => "name_twice",
            Self::CheckTwice { .. } => "check_twice",
            Self::ToldTooLate { .. } => "told_too_late",
            Self::EmptyAboveNeeded { .. } => "empty_above_needed",
        }
    }

    /// Where, as a JSON pointer.
    #[must_use]
    pub fn pointer(&self) -> String {
        match self {
            Self::NoRules => "/rules".to_owned(),
            Self::NoSource { place } => format!("/rules/{place}/source"),
            Self::NameNotCode { place } | Self::NameTwice { place } => format!("/rules/{place}/rule"),
            Self::CheckTwice { place } => format!("/rules/{place}/check"),
            Self::ToldTooLate { place } => format!("/rules/{place}/check/last_test/told_from_days"),
            Self::EmptyAboveNeeded { place } => {
                format!("/rules/{place}/check/endurance/empty_below_hours")
            }
        }
    }
}

//! Whether a season is one that makes a unit stationary.

use super::{ResidencePolicy, Season};

/// What a season counts for.
pub(super) enum Counts {
    Yes,
    /// It is not known how long the place is meant to work.
    NotKnown,
    No(&'static str),
}

pub(super) fn counts(season: &Season, policy: &ResidencePolicy) -> Counts {
    if !policy.seasonal {
        Counts::No("seasons_not_in_policy")
    } else if season.opens.plus_months(policy.season_months_min.into()) > season.closes {
        Counts::No("too_short")
    } else {
        match season.permanent_months {
            None => Counts::NotKnown,
            Some(months) if months < policy.permanent_months_min => Counts::No("not_permanent"),
            Some(_) => Counts::Yes,
        }
    }
}

//! Codes by which handsets are enrolled: how they are made and read, and how often somebody may try one.

use std::{num::NonZeroU32, sync::Arc};

use governor::{
    DefaultDirectRateLimiter, Quota, RateLimiter,
    clock::{Clock, DefaultClock},
};
use model::{OrganizationId, PersonId};
use moka::sync::Cache;
use proof::Hash;

use crate::{
    problem::{ApiError, ApiResult},
    random,
};

/// How long a code is good.
pub(crate) const GOOD_FOR_SECONDS: i64 = 15 * 60;

/// The symbols of Crockford's base32: none of them is taken for another.
const SYMBOLS: [char; 32] = [
    '0', '1', '2', '3', '4', '5', '6', '7', '8', '9', 'A', 'B', 'C', 'D', 'E', 'F', 'G', 'H', 'J', 'K', 'M',
    'N', 'P', 'Q', 'R', 'S', 'T', 'V', 'W', 'X', 'Y', 'Z',
];
/// Symbols of a code, five bits each.
const LENGTH: usize = 12;
/// Symbols between hyphens.
const GROUP: usize = 4;

/// A fresh code, such as `K7QM-2XWP-90TD`.
pub(crate) fn fresh() -> ApiResult<String> {
    let drawn: [u8; LENGTH] = random::bytes()?;
    let symbols: Vec<char> =
        drawn.iter().filter_map(|byte| SYMBOLS.get(usize::from(byte % 32)).copied()).collect();
    let groups: Vec<String> = symbols.chunks(GROUP).map(|group| group.iter().collect()).collect();
    Ok(groups.join("-"))
}

/// What is kept of a code, and looked for when somebody types it: in small letters, without hyphens, or with letters
/// that are taken for digits it is the same code.
pub(crate) fn hash(typed: &str) -> Hash {
    let meant = |symbol: char| match symbol.to_ascii_uppercase() {
        '-' | ' ' => None,
        'O' => Some('0'),
        'I' | 'L' => Some('1'),
        other => Some(other),
    };
    let code: String = typed.chars().filter_map(meant).collect();
    proof::sha256(format!("enrolment code {code}"))
}

/// Wrong codes that somebody may send in a minute: five.
const TRIES: NonZeroU32 = NonZeroU32::MIN.saturating_add(4);

/// Counts who sends wrong codes.
///
/// Each instance of the service counts for itself. A code is one of 2^60, so that it does not matter.
#[derive(Clone)]
pub(crate) struct Tries(Cache<(OrganizationId, PersonId), Arc<DefaultDirectRateLimiter>>);

impl Default for Tries {
    fn default() -> Self {
        Self(Cache::new(10_000))
    }
}

impl Tries {
    /// Counts a try before it is known whether the code is good.
    pub(crate) fn count(&self, organization: OrganizationId, person: PersonId) -> ApiResult<()> {
        let fresh = || Arc::new(RateLimiter::direct(Quota::per_minute(TRIES)));
        let limiter = self.0.get_with((organization, person), fresh);
        limiter.check().map_err(|until| {
            let wait = until.wait_time_from(DefaultClock::default().now());
            ApiError::too_many(wait.as_secs().saturating_add(1))
        })
    }

    /// The code was good: whoever enrols many handsets is no guesser.
    pub(crate) fn forgive(&self, organization: OrganizationId, person: PersonId) {
        self.0.invalidate(&(organization, person));
    }
}

impl std::fmt::Debug for Tries {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.write_str("Tries(..)")
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_code_is_twelve_plain_symbols_in_groups() {
        for _ in 0..100 {
            let code = fresh().unwrap();
            let groups: Vec<&str> = code.split('-').collect();
            assert!(groups.iter().all(|group| group.len() == GROUP) && groups.len() == 3, "{code}");
            assert!(code.chars().all(|symbol| symbol == '-' || SYMBOLS.contains(&symbol)), "{code}");
            assert!(!code.contains(['I', 'L', 'O', 'U']), "{code}");
        }
        assert_ne!(fresh().unwrap(), fresh().unwrap());
    }

    #[test]
    fn what_people_type_for_a_code_is_that_code() {
        let cases = [
            ("as it stands", "K0QM-1XWP-90TD", true),
            ("small letters", "k0qm-1xwp-90td", true),
            ("no hyphens", "K0QM1XWP90TD", true),
            ("blanks", " K0QM 1XWP 90TD ", true),
            ("letters like digits", "KOQM-lXWP-9oTD", true),
            ("another like digits", "KOQM-iXWP-9OTD", true),
            ("one symbol off", "K0QM-1XWP-90TE", false),
            ("one too few", "K0QM-1XWP-90T", false),
            ("one too many", "K0QM-1XWP-90TDD", false),
            ("nothing", "", false),
        ];
        for (name, typed, same) in cases {
            assert_eq!(hash(typed) == hash("K0QM-1XWP-90TD"), same, "{name}");
        }
    }

    #[test]
    fn after_five_wrong_codes_one_has_to_wait() {
        let (tries, town) = (Tries::default(), random::id(model::Instant::FIRST));
        let (guesser, other) = (random::id(model::Instant::FIRST), random::id(model::Instant::FIRST));
        let counted = (0..50).take_while(|_| tries.count(town, guesser).is_ok()).count();
        assert!((5..50).contains(&counted), "{counted}");
        assert!(tries.count(town, other).is_ok(), "others may");
        tries.forgive(town, guesser);
        assert!(tries.count(town, guesser).is_ok(), "a good code makes good");
    }
}

//! Access tokens that were verified before, so that a signature is checked once and not with every request.
//!
//! What a token says and who signed it never changes; whether it is in force is asked anew each time. The ring of keys is
//! fixed for the life of the process.

use access::{Claims, KeyRing, token};
use model::Instant;
use moka::sync::Cache;
use proof::Hash;

/// How many are kept; those not used for long go first.
const MOST: u64 = 10_000;

/// Verified tokens by the hash of their text.
#[derive(Clone, Debug)]
pub(crate) struct Tokens(Cache<Hash, token::Verified>);

impl Default for Tokens {
    fn default() -> Self {
        Self(Cache::new(MOST))
    }
}

impl Tokens {
    /// As [`token::verify`].
    pub(crate) fn verify(
        &self,
        ring: &KeyRing,
        text: &str,
        now: Instant,
    ) -> Result<Claims, token::TokenError> {
        let hash = proof::sha256(text);
        if let Some(known) = self.0.get(&hash) {
            return known.at(now);
        }
        let verified = token::verify_source(ring, text)?;
        let claims = verified.at(now)?;
        self.0.insert(hash, verified);
        Ok(claims)
    }
}

//! Editions that were parsed before, by their very text.
//!
//! Parsing is a pure function of the text, so that what is kept here can be neither stale nor foreign; instances that
//! keep different ones give the same answers.

use std::sync::{Arc, LazyLock};

use model::schedule::Edition;
use moka::sync::Cache;
use proof::Hash;

use crate::error::Result;

/// How many are kept; a fleet has some dozens.
const MOST: u64 = 1000;

static EDITIONS: LazyLock<Cache<Hash, Arc<Edition>>> = LazyLock::new(|| Cache::new(MOST));

/// The edition that `read` makes of a text.
pub(crate) fn edition(text: &str, read: impl FnOnce(&str) -> Result<Edition>) -> Result<Arc<Edition>> {
    let hash = proof::sha256(text);
    if let Some(edition) = EDITIONS.get(&hash) {
        return Ok(edition);
    }
    let edition = Arc::new(read(text)?);
    EDITIONS.insert(hash, Arc::clone(&edition));
    Ok(edition)
}

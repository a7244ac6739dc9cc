//! Queries and transactions: one source text, compiled once for each database.

pub(crate) mod advance;
pub(crate) mod baseline;
pub(crate) mod blobs;
pub(crate) mod chores;
pub(crate) mod contested;
pub(crate) mod contexts;
pub(crate) mod digests;
pub(crate) mod due;
pub(crate) mod editions;
pub(crate) mod enrolment;
pub(crate) mod events;
pub(crate) mod external_ids;
pub(crate) mod feed;
pub(crate) mod fingerprints;
pub(crate) mod folds;
pub(crate) mod handsets;
pub(crate) mod held;
pub(crate) mod imports;
pub(crate) mod inbox;
pub(crate) mod inserts;
pub(crate) mod kept;
mod kin;
pub(crate) mod log;
pub(crate) mod model_adoptions;
pub(crate) mod organizations;
pub(crate) mod other_content;
pub(crate) mod others;
pub(crate) mod outages;
pub(crate) mod private_texts;
pub(crate) mod quality;
pub(crate) mod readiness;
pub(crate) mod rebuild;
pub(crate) mod records;
pub(crate) mod replay;
pub(crate) mod schema;
pub(crate) mod scope;
pub(crate) mod story;
pub(crate) mod then;
pub(crate) mod told;
pub(crate) mod units;
pub(crate) mod write;

/// So many ids are asked for in one statement. SQLite takes 32,766 bound values.
const IDS_AT_ONCE: usize = 1000;

//! Files with metadata and without: what is left of each, and what is refused.

#![allow(clippy::unwrap_used, clippy::indexing_slicing, reason = "helpers of tests")]

mod files;
mod laws;
mod table;

//! Black-box tests: one binary, one module for each matter, every test on both databases.

#![allow(
    clippy::unwrap_used,
    clippy::expect_used,
    clippy::panic,
    clippy::indexing_slicing,
    reason = "a test fails by panicking; its functions stand outside #[test] so that both databases share them"
)]

mod access;
mod answers;
mod as_of;
mod bad_input;
mod batch;
mod blobs;
mod bundle;
mod changes;
mod codings;
mod commands;
mod conditional;
mod config;
mod data_quality;
mod demo;
mod description;
mod device;
mod dry_run;
mod due_changes;
mod due_summary;
mod external_ids;
mod fence;
mod frame;
mod groups;
mod handsets;
mod held;
mod imports;
mod instances;
mod kinds;
mod limits;
mod main_job;
mod mass_changes;
mod nights;
mod oracle;
mod outages;
mod outbox;
mod paging;
mod plans;
mod policy_packs;
mod prefix;
mod projection;
mod protocol;
mod pushed;
mod readiness;
mod repeats;
mod sessions;
mod standby;
mod storage;
mod sync;
mod visits;

//! The rules of the repository as tests. Each failure says what to do about it.

#![allow(
    clippy::unwrap_used,
    clippy::expect_used,
    clippy::panic,
    clippy::indexing_slicing,
    reason = "a rule that cannot be checked has to fail"
)]

mod crates;
mod data;
mod dependencies;
mod documents;
mod migrations;
mod repository;
mod sources;

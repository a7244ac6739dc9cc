//! Handsets and the service that was built, over HTTP, on both databases.

#![allow(
    clippy::unwrap_used,
    clippy::expect_used,
    clippy::panic,
    clippy::indexing_slicing,
    reason = "a test fails by panicking; its functions stand outside #[test] so that both databases share them"
)]

mod day;
mod killed;
mod mending;
mod photos;
mod program;
mod random;
mod round;
mod trouble;
mod van;
mod vectors;
mod week;

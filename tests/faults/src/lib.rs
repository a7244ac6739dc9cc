//! Faults of real processes: the service killed, PostgreSQL ended at once, connections cut. Devices push all the while;
//! afterwards nothing that was acknowledged is missing, and nothing is there twice.

#![allow(
    clippy::unwrap_used,
    clippy::expect_used,
    clippy::panic,
    clippy::indexing_slicing,
    reason = "a harness fails by panicking, and says so"
)]

pub mod cycle;
pub mod device;
pub mod fill;
pub mod judge;
pub mod push;

pub use cycle::{Fault, Ground, Tally};
pub use device::{Device, Made};
pub use push::{Batches, NoAnswer, Push, Route};

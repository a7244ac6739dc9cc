//! Harness of the black-box tests: databases, running services, a client, and a small world to test in.
//!
//! Tests start the built binary and talk HTTP to it. Only people and grants, which have no routes yet, are recorded
//! through the store, as the service's own commands do.

#![allow(
    clippy::unwrap_used,
    clippy::expect_used,
    clippy::panic,
    clippy::indexing_slicing,
    clippy::print_stdout,
    reason = "a harness fails by panicking, and says so"
)]

pub mod bucket;
pub mod captured;
pub mod client;
pub mod contract;
pub mod database;
pub mod direct;
pub mod instances;
pub mod nightly;
pub mod relay;
pub mod roles;
pub mod service;
pub mod smtp;
pub mod statements;
pub mod wire;
pub mod world;

pub use bucket::Bucket;
pub use client::{Client, Reply};
pub use database::{Backend, Database};
pub use direct::Direct;
pub use instances::OneProcess;
pub use relay::{Cut, Relay};
pub use service::Service;
pub use smtp::Smtp;
pub use world::{Town, World};

/// Fails naming every case that went wrong, so that one run shows them all.
#[track_caller]
pub fn none_failed(failures: &[String]) {
    assert!(failures.is_empty(), "{} failed:\n{}", failures.len(), failures.join("\n"));
}

/// Makes one test for each database out of a function that takes a [`Backend`].
#[macro_export]
macro_rules! on_both {
    ($($name:ident),+ $(,)?) => {$(
        mod $name {
            #[test]
            fn sqlite() {
                super::$name($crate::Backend::Sqlite);
            }
            #[test]
            fn postgres() {
                super::$name($crate::Backend::Postgres);
            }
        }
    )+};
}

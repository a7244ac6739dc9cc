//! What every process of the service has in common: its clock, its log, its database, its settings, how it stops, by whom
//! readiness is judged, and where photos and papers lie.
//!
//! ```
//! use process::Clock;
//!
//! let clock = Clock::parse("2026-11-02T08:00:00-07:00").unwrap();
//! assert!(clock.now().to_string().starts_with("2026-11-02T15:00:00"));
//! ```

pub mod blobs;
mod clock;
pub mod config;
mod database;
mod log;
pub mod readiness;
mod rules;
mod say;
mod stop;

pub use self::{
    clock::Clock,
    config::ConfigFile,
    database::{DEFAULT_DATABASE, Database},
    log::{Log, LogFormat},
    rules::ReadinessRules,
    say::{say, say_wrong},
    stop::stop_signal,
};

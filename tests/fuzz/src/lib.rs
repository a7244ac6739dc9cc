//! What a handset sends, and what an office has in its files, read from whatever bytes: each target takes some, and fails by a panic.
//!
//! A target asks for more than that nothing crashes: what was read has to be what was sent, and what is wrong has to be
//! told where it stands. `tests/fuzz/run` has them driven by libFuzzer; the ordinary tests play the seeds.

#![allow(clippy::panic, reason = "a panic is how a target fails")]

mod cursor;
mod import;
mod mutate;
mod planted;
mod stamp;
mod sync;

pub use self::import::import;
pub use cursor::cursor;
pub use mutate::mutate;
pub use planted::planted;
pub use stamp::stamp;
pub use sync::sync;

/// A target.
pub type Target = fn(&[u8]);

/// The targets, by the names of their seeds' folders.
pub const TARGETS: [(&str, Target); 4] =
    [("sync", sync), ("cursor", cursor), ("stamp", stamp), ("import", import)];

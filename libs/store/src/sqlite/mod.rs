//! SQLite: the connection type, its dialect, and the doors to a transaction.

mod ahead;
mod among;
mod bulk;

#[path = "../ops/mod.rs"]
pub(crate) mod ops;

pub(crate) mod dialect;
mod door;
mod taken;
mod writer;

pub(crate) use door::{Pool, existing};

pub(crate) type Conn = diesel::SqliteConnection;

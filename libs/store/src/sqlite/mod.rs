//! SQLite: the connection type, its dialect, and the doors to a transaction.

#[path = "../ops/mod.rs"]
pub(crate) mod ops;

pub(crate) mod dialect;
mod door;

pub(crate) use door::{Pool, existing};

pub(crate) type Conn = diesel::SqliteConnection;

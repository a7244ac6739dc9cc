//! PostgreSQL: the connection type, its dialect, and the doors to a transaction.

#[path = "../ops/mod.rs"]
pub(crate) mod ops;

pub(crate) mod dialect;
mod door;
mod unnest;

pub(crate) use door::Pool;

pub(crate) type Conn = diesel::PgConnection;

//! Randomness, at the edge where it belongs.

use model::{
    Instant,
    id::{Id, Kind},
    private::Salt,
};
use uuid::{NoContext, Timestamp, Uuid};

use crate::problem::{ApiError, ApiResult};

/// Fills an array with random bytes.
pub(crate) fn bytes<const N: usize>() -> ApiResult<[u8; N]> {
    let mut bytes = [0; N];
    aws_lc_rs::rand::fill(&mut bytes).map_err(|_| ApiError::internal("no randomness"))?;
    Ok(bytes)
}

/// A fresh id, ordered by the clock.
pub(crate) fn id<K: Kind>(now: Instant) -> Id<K> {
    let micros = now.micros().unsigned_abs();
    let nanos = u32::try_from(micros % 1_000_000).unwrap_or(0) * 1000;
    Id::from_uuid(Uuid::new_v7(Timestamp::from_unix(NoContext, micros / 1_000_000, nanos)))
}

/// Salts for the private text of one edit: no edit holds more than three.
pub(crate) fn salts() -> ApiResult<Vec<Salt>> {
    Ok(vec![bytes()?, bytes()?, bytes()?])
}

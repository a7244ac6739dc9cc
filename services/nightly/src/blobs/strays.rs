//! Bytes that no table knows: of somebody who was killed between writing them and noting it, or from after the backup of which
//! the database came back.

use model::{Instant, OrganizationId};
use process::blobs::{Blobs, Place};
use store::Store;

use super::{DAY_SECONDS, NotCleared};

/// How long nothing must have been written in a place.
const STRAY_SECONDS: i64 = 7 * DAY_SECONDS;
/// So many places are dropped in a night at most.
const PLACES_MOST: usize = 1000;
/// So many are looked up at a time.
const SOME: usize = 100;
const DAY_MICROS: i64 = DAY_SECONDS * 1_000_000;

/// Drops such bytes among those whose turn it is.
pub(super) async fn drop_some(
    store: &Store,
    blobs: &Blobs,
    organization: OrganizationId,
    now: Instant,
) -> Result<(), NotCleared> {
    let old = now.plus_seconds(-STRAY_SECONDS);
    let mut dropped = 0;
    for first in turn(now) {
        let mut lying = blobs.lying(organization, first).await?;
        lying.retain(|lying| lying.last_at <= old);
        for some in lying.chunks(SOME) {
            let places = some.iter().map(|lying| (lying.place.sha256, lying.place.id)).collect();
            for (sha256, id) in store.strays(organization, places).await? {
                if dropped < PLACES_MOST {
                    blobs.drop_all(Place { organization, sha256, id }).await?;
                    dropped += 1;
                }
            }
        }
    }
    if dropped > 0 {
        tracing::warn!(organization.id = %organization, dropped, "bytes that no table knows were dropped");
    }
    Ok(())
}

/// With which bytes the names begin whose turn it is: another digit on each of 16 dates, so that no night goes through all there
/// is.
fn turn(at: Instant) -> impl Iterator<Item = u8> {
    let digit = u8::try_from(at.micros().div_euclid(DAY_MICROS).rem_euclid(16)).unwrap_or_default();
    (0..16).map(move |second| digit * 16 + second)
}

#[cfg(test)]
mod tests {
    use std::collections::BTreeSet;

    use super::*;

    #[test]
    fn each_name_has_its_turn_within_sixteen_dates() {
        let begin = Instant::parse("2026-06-20T03:00:00Z").unwrap();
        let dates = (0..16).map(|day| begin.plus_seconds(day * DAY_SECONDS));
        let all: BTreeSet<u8> = dates.flat_map(turn).collect();
        assert_eq!(all.len(), 256);
        assert_eq!(turn(begin).collect::<Vec<_>>(), (0..16).collect::<Vec<_>>());
    }
}

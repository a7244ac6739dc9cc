//! How often handsets may ask, and how much they may send: a token bucket for each handset and for each organization.
//!
//! What is counted is a guard of this process and no state: no answer but 429 depends on it, it is lost with the process,
//! and of several instances each counts what comes to it. Organizations share no bucket, so that the flood of one takes
//! nothing from another; and what its own bucket refuses a handset takes nothing from its organization.

use std::{
    fmt,
    hash::Hash,
    num::NonZeroU32,
    sync::atomic::{AtomicU32, Ordering},
    time::Duration,
};

use governor::{
    Quota, RateLimiter,
    clock::{Clock, DefaultClock},
    middleware::NoOpMiddleware,
    state::keyed::DashMapStateStore,
};
use model::{HandsetId, OrganizationId};

use crate::{
    limits::Rates,
    problem::{ApiError, ApiResult},
    random,
};

/// After so many requests, buckets that are full again are forgotten.
const SWEEP: u32 = 4096;

/// Seconds over which those who were refused together come back at least.
const SPREAD: u64 = 4;

/// Counts what handsets do.
pub(crate) struct Throttle<C: Clock + Clone = DefaultClock> {
    handsets: Buckets<(OrganizationId, HandsetId), C>,
    organizations: Buckets<OrganizationId, C>,
    asked: AtomicU32,
}

impl Throttle {
    /// By the machine's clock, whatever the service's says.
    pub(crate) fn new(rates: Rates) -> Self {
        Self::with_clock(rates, &DefaultClock::default())
    }
}

impl<C: Clock + Clone> Throttle<C> {
    fn with_clock(rates: Rates, clock: &C) -> Self {
        Self {
            handsets: Buckets::new(rates.handset_requests_per_minute, rates.handset_edits_per_minute, clock),
            organizations: Buckets::new(
                rates.organization_requests_per_minute,
                rates.organization_edits_per_minute,
                clock,
            ),
            asked: AtomicU32::new(0),
        }
    }

    /// Lets a request with so many edits through, or says when to come again. Ask it of a handset that is enrolled, so that
    /// nobody fills the table with handsets that there are not.
    pub(crate) fn admit(
        &self,
        organization: OrganizationId,
        handset: HandsetId,
        edits: usize,
    ) -> ApiResult<()> {
        match self.judge(organization, handset, edits) {
            Ok(()) => Ok(()),
            Err(wait) => Err(ApiError::too_many(spread(wait, u64::from_be_bytes(random::bytes()?)))),
        }
    }

    /// The same, with the least wait until it could be let through.
    fn judge(&self, organization: OrganizationId, handset: HandsetId, edits: usize) -> Result<(), Duration> {
        if self.asked.fetch_add(1, Ordering::Relaxed) % SWEEP == SWEEP - 1 {
            self.handsets.sweep();
            self.organizations.sweep();
        }
        self.handsets.take(&(organization, handset), edits)?;
        self.organizations.take(&organization, edits)
    }
}

impl<C: Clock + Clone> fmt::Debug for Throttle<C> {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str("Throttle(..)")
    }
}

type Bucket<K, C> = RateLimiter<K, DashMapStateStore<K>, C, NoOpMiddleware<<C as Clock>::Instant>>;

/// What each may still do.
struct Buckets<K: Hash + Eq + Clone, C: Clock + Clone> {
    requests: Bucket<K, C>,
    edits: Bucket<K, C>,
}

impl<K: Hash + Eq + Clone, C: Clock + Clone> Buckets<K, C> {
    fn new(requests: u32, edits: u32, clock: &C) -> Self {
        let bucket = |a_minute: u32| {
            let quota = Quota::per_minute(NonZeroU32::new(a_minute).unwrap_or(NonZeroU32::MIN));
            RateLimiter::dashmap_with_clock(quota, clock.clone())
        };
        Self { requests: bucket(requests), edits: bucket(edits) }
    }

    fn take(&self, key: &K, edits: usize) -> Result<(), Duration> {
        take(&self.requests, key, 1)?;
        take(&self.edits, key, edits)
    }

    fn sweep(&self) {
        for bucket in [&self.requests, &self.edits] {
            bucket.retain_recent();
            bucket.shrink_to_fit();
        }
    }
}

fn take<K: Hash + Eq + Clone, C: Clock + Clone>(
    bucket: &Bucket<K, C>,
    key: &K,
    n: usize,
) -> Result<(), Duration> {
    let Some(n) = NonZeroU32::new(u32::try_from(n).unwrap_or(u32::MAX)) else { return Ok(()) };
    match bucket.check_key_n(key, n) {
        Ok(Ok(())) => Ok(()),
        Ok(Err(refused)) => Err(refused.wait_time_from(bucket.clock().now())),
        // More than the bucket holds: whoever sends more than a push may have is told so before.
        Err(_) => Err(Duration::from_secs(60)),
    }
}

/// The whole seconds after which to come again: never before the wait is over, and those who wait are spread over half as
/// long again, so that they do not all come back at once.
fn spread(wait: Duration, random: u64) -> u64 {
    let seconds = wait.as_secs() + u64::from(wait.subsec_nanos() > 0);
    seconds.max(1) + random % ((seconds / 2).max(SPREAD) + 1)
}

#[cfg(test)]
mod tests {
    use governor::clock::FakeRelativeClock;
    use uuid::Uuid;

    use super::*;

    const RATES: Rates = Rates {
        handset_requests_per_minute: 6,
        handset_edits_per_minute: 1200,
        organization_requests_per_minute: 12,
        organization_edits_per_minute: 3000,
    };

    struct Case {
        clock: FakeRelativeClock,
        throttle: Throttle<FakeRelativeClock>,
    }

    impl Case {
        fn new(rates: Rates) -> Self {
            let clock = FakeRelativeClock::default();
            Self { throttle: Throttle::with_clock(rates, &clock), clock }
        }

        /// The wait in seconds of a handset of an organization; none if it is let through.
        fn ask(&self, organization: u128, handset: u128, edits: usize) -> Option<f64> {
            let organization = OrganizationId::from_uuid(Uuid::from_u128(organization));
            let handset = HandsetId::from_uuid(Uuid::from_u128(handset));
            self.throttle.judge(organization, handset, edits).err().map(|wait| wait.as_secs_f64())
        }

        fn pass(&self, seconds: u64) {
            self.clock.advance(Duration::from_secs(seconds));
        }
    }

    #[test]
    fn a_handset_has_its_requests_of_a_minute_and_then_one_in_ten_seconds() {
        let case = Case::new(RATES);
        assert_eq!([0; 6].map(|edits| case.ask(1, 1, edits)), [None; 6]);
        assert_eq!(case.ask(1, 1, 0), Some(10.0));
        case.pass(9);
        assert_eq!(case.ask(1, 1, 0), Some(1.0));
        case.pass(1);
        assert_eq!((case.ask(1, 1, 0), case.ask(1, 1, 0)), (None, Some(10.0)));
    }

    #[test]
    fn a_handset_has_its_edits_of_a_minute() {
        let case = Case::new(RATES);
        assert_eq!((case.ask(1, 1, 1000), case.ask(1, 1, 200)), (None, None));
        assert_eq!(case.ask(1, 1, 100), Some(5.0));
        case.pass(5);
        assert_eq!(case.ask(1, 1, 100), None);
    }

    #[test]
    fn an_organization_has_its_own_however_many_handsets_it_sends() {
        let case = Case::new(RATES);
        let first: Vec<_> = (0..12).map(|handset| case.ask(1, handset, 1)).collect();
        assert_eq!(first, [None; 12]);
        assert_eq!(case.ask(1, 99, 1), Some(5.0));
        assert_eq!(case.ask(2, 1, 1), None, "another organization is not touched by it");
        let edits = Case::new(RATES);
        assert_eq!([1, 2, 3].map(|handset| edits.ask(1, handset, 1000)), [None; 3]);
        assert_eq!((edits.ask(1, 4, 1000), edits.ask(2, 4, 1000)), (Some(20.0), None));
    }

    #[test]
    fn a_handset_that_storms_takes_nothing_more_from_its_organization() {
        let case = Case::new(RATES);
        let storm = (0..1000).filter(|_| case.ask(1, 1, 0).is_none()).count();
        assert_eq!(storm, 6);
        assert_eq!([2, 3, 4, 5, 6, 7].map(|handset| case.ask(1, handset, 0)), [None; 6]);
    }

    #[test]
    fn the_same_handset_of_another_organization_is_another() {
        let case = Case::new(RATES);
        let refused = (0..7).filter_map(|_| case.ask(1, 1, 0)).count();
        assert_eq!((refused, case.ask(2, 1, 0)), (1, None));
    }

    #[test]
    fn buckets_that_are_full_again_are_forgotten() {
        let case = Case::new(Rates { organization_requests_per_minute: 1_000_000, ..RATES });
        for handset in 0..u128::from(SWEEP) - 2 {
            case.ask(1, handset, 0);
        }
        assert!(case.throttle.handsets.requests.len() > 4000);
        case.pass(3600);
        for handset in 0..3 {
            case.ask(1, handset, 0);
        }
        assert!(case.throttle.handsets.requests.len() <= 3);
    }

    /// 500 handsets that come back within a minute with 200 edits each, as the defaults are.
    #[test]
    fn a_storm_of_the_size_that_is_promised_is_let_through() {
        let case = Case::new(Rates::DEFAULT);
        for handset in 0..500 {
            let pages = (0..100).filter_map(|_| case.ask(1, handset, 0)).count();
            assert_eq!((case.ask(1, handset, 200), pages), (None, 0), "handset {handset}");
        }
    }

    #[test]
    fn those_who_were_refused_are_spread_and_come_never_too_early() {
        for (millis, earliest, latest) in [(0, 1, 5), (1, 1, 5), (1000, 1, 5), (1001, 2, 6), (60_000, 60, 90)]
        {
            let seconds: Vec<u64> =
                (0..1000).map(|random| spread(Duration::from_millis(millis), random)).collect();
            let found = (seconds.iter().min().copied(), seconds.iter().max().copied());
            assert_eq!(found, (Some(earliest), Some(latest)), "{millis} ms");
        }
    }
}

//! What every request can reach; nothing that an answer depends on is kept here from one request to the next.

use std::sync::Arc;

use access::{KeyRing, Leaving};
use process::{Clock, blobs::Blobs, readiness::PolicyJudge};
use store::Store;
use tokio::sync::{Notify, Semaphore};

use crate::{
    cursor::Cursors, enrolment::Tries, limits::Limits, sync::streams::Streams, throttle::Throttle,
    tokens::Tokens,
};

/// The service's parts.
#[derive(Clone, Debug)]
pub(crate) struct State {
    /// The database.
    pub store: Store,
    /// Who is trusted to sign access tokens.
    pub keys: Arc<KeyRing>,
    /// Tokens that were verified before.
    pub tokens: Tokens,
    /// The time.
    pub clock: Clock,
    /// Who judges readiness.
    pub judge: Arc<PolicyJudge>,
    /// Texts with which people leave mail lists.
    pub leaving: Leaving,
    /// Places in lists.
    pub cursors: Cursors,
    /// The streams of changes that are open here.
    pub streams: Streams,
    /// Who has sent wrong codes.
    pub tries: Tries,
    /// How much handsets may send.
    pub limits: Limits,
    /// Whether one sends too much.
    pub throttle: Arc<Throttle>,
    /// The bytes of photos and papers.
    pub blobs: Blobs,
    /// Places for those that are put together and judged.
    pub judging: Arc<Semaphore>,
    /// Told when a file was brought in here.
    pub imports_wait: Arc<Notify>,
}

impl std::fmt::Debug for Cursors {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.write_str("Cursors(..)")
    }
}

//! What both doors share.

use std::{
    collections::HashMap,
    sync::{Arc, Mutex, PoisonError, Weak},
    time::Duration,
};

use tokio::sync::{OwnedSemaphorePermit, Semaphore};

use crate::{
    error::{Result, StoreError},
    key::Key,
};

/// How long a request waits for its turn before it is told to come back.
const WAIT: Duration = Duration::from_secs(5);

/// Waits for a place in a fair queue, for a bounded time.
pub(crate) async fn place(places: &Arc<Semaphore>) -> Result<OwnedSemaphorePermit> {
    let waiting = Arc::clone(places).acquire_owned();
    tokio::time::timeout(WAIT, waiting).await.map_err(|_| StoreError::Busy)?.map_err(|_| StoreError::Stopped)
}

/// The places of those who write, of which one organization gets half at most.
#[derive(Clone)]
pub(crate) struct Writers {
    all: Arc<Semaphore>,
    share: usize,
    shares: Arc<Mutex<HashMap<Key, Weak<Semaphore>>>>,
}

/// A writer's turn; over when it is dropped.
pub(crate) struct Turn(
    #[allow(dead_code, reason = "held, not read")]
    (OwnedSemaphorePermit, OwnedSemaphorePermit, Arc<Semaphore>),
);

impl Writers {
    pub(crate) fn new(places: usize) -> Self {
        let places = places.max(1);
        Self { all: Arc::new(Semaphore::new(places)), share: places.div_ceil(2), shares: Arc::default() }
    }

    /// Waits for a turn: first among one's own, then among all.
    pub(crate) async fn turn(&self, organization: Key) -> Result<Turn> {
        let own = self.share_of(organization);
        let among_own = place(&own).await?;
        let among_all = place(&self.all).await?;
        Ok(Turn((among_own, among_all, own)))
    }

    fn share_of(&self, organization: Key) -> Arc<Semaphore> {
        let mut shares = self.shares.lock().unwrap_or_else(PoisonError::into_inner);
        if let Some(share) = shares.get(&organization).and_then(Weak::upgrade) {
            return share;
        }
        // Those of whom nobody writes any more are forgotten, so that the map stays as small as the crowd.
        shares.retain(|_, share| share.strong_count() > 0);
        let share = Arc::new(Semaphore::new(self.share));
        shares.insert(organization, Arc::downgrade(&share));
        share
    }
}

/// Runs synchronous work off the asynchronous threads, within the caller's span.
pub(crate) async fn on_a_blocking_thread<T: Send + 'static>(
    work: impl FnOnce() -> Result<T> + Send + 'static,
) -> Result<T> {
    let span = tracing::Span::current();
    tokio::task::spawn_blocking(move || span.in_scope(work)).await.map_err(|_| StoreError::Stopped)?
}

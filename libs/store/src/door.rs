//! What both doors share.

use std::time::Duration;

use crate::error::{Result, StoreError};

/// How long a request waits for a connection before it is told to come back.
pub(crate) const WAIT: Duration = Duration::from_secs(5);

/// Runs synchronous work off the asynchronous threads, within the caller's span.
pub(crate) async fn on_a_blocking_thread<T: Send + 'static>(
    work: impl FnOnce() -> Result<T> + Send + 'static,
) -> Result<T> {
    let span = tracing::Span::current();
    tokio::task::spawn_blocking(move || span.in_scope(work)).await.map_err(|_| StoreError::Stopped)?
}

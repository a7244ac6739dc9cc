//! How many streams of changes are open: each holds memory and asks the database again and again, so an organization has only
//! so many at once.

use std::{
    collections::HashMap,
    sync::{
        Arc, Mutex, PoisonError,
        atomic::{AtomicBool, Ordering},
    },
};

use model::OrganizationId;

use crate::problem::{ApiError, ApiResult, Kind};

/// So many an organization may have open at this instance.
pub(crate) const STREAMS_MOST: usize = 20;

/// The open streams of each organization, and whether all of them are to end because the service stops.
#[derive(Clone, Debug, Default)]
pub(crate) struct Streams {
    open: Arc<Mutex<HashMap<OrganizationId, usize>>>,
    ended: Arc<AtomicBool>,
}

/// An open stream; over when it is dropped.
#[derive(Debug)]
pub(crate) struct Open {
    streams: Streams,
    organization: OrganizationId,
}

impl Streams {
    /// Opens a stream, if the organization may have another one.
    pub(crate) fn open(&self, organization: OrganizationId) -> ApiResult<Open> {
        let mut all = self.open.lock().unwrap_or_else(PoisonError::into_inner);
        let open = all.entry(organization).or_default();
        if *open >= STREAMS_MOST {
            let detail = format!("There are {STREAMS_MOST} streams open already.");
            return Err(ApiError::new(Kind::Busy).detail(detail));
        }
        *open += 1;
        Ok(Open { streams: self.clone(), organization })
    }

    /// Lets all streams end, so that none holds up a stop.
    pub(crate) fn end(&self) {
        self.ended.store(true, Ordering::Relaxed);
    }

    /// Whether a stream is to end.
    pub(crate) fn are_ended(&self) -> bool {
        self.ended.load(Ordering::Relaxed)
    }
}

impl Drop for Open {
    fn drop(&mut self) {
        let mut all = self.streams.open.lock().unwrap_or_else(PoisonError::into_inner);
        if let Some(open) = all.get_mut(&self.organization) {
            *open = open.saturating_sub(1);
            if *open == 0 {
                all.remove(&self.organization);
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn an_organization_has_so_many_at_once() {
        let streams = Streams::default();
        let [ours, theirs] = [1, 2].map(|n| OrganizationId::from_uuid(uuid::Uuid::from_u128(n)));
        let mut open: Vec<Open> = (0..STREAMS_MOST).map(|_| streams.open(ours).unwrap()).collect();
        assert_eq!(streams.open(ours).unwrap_err().kind(), Kind::Busy);
        streams.open(theirs).unwrap();
        open.pop();
        open.push(streams.open(ours).unwrap());
        drop(open);
        assert!(streams.open.lock().unwrap().is_empty());
    }
}

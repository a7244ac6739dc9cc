//! A stored file as a stream of bytes.

use std::io::{self, Read};

use model::OrganizationId;
use store::Store;
use tokio::runtime::Handle;
use uuid::Uuid;

/// The bytes of a file, piece by piece; to be read on a thread that may wait.
pub(super) struct Pieces {
    store: Store,
    organization: OrganizationId,
    file: Uuid,
    runtime: Handle,
    next: i64,
    piece: Vec<u8>,
    at: usize,
}

impl Pieces {
    /// The file from its beginning.
    pub(super) fn of(store: Store, organization: OrganizationId, file: Uuid, runtime: Handle) -> Self {
        Self { store, organization, file, runtime, next: 0, piece: Vec::new(), at: 0 }
    }
}

impl Read for Pieces {
    fn read(&mut self, into: &mut [u8]) -> io::Result<usize> {
        if self.at >= self.piece.len() {
            let asked = self.store.piece(self.organization, self.file, self.next);
            self.piece = self.runtime.block_on(asked).map_err(io::Error::other)?.unwrap_or_default();
            (self.next, self.at) = (self.next + 1, 0);
        }
        let rest = self.piece.get(self.at..).unwrap_or_default();
        let count = rest.len().min(into.len());
        if let (Some(to), Some(from)) = (into.get_mut(..count), rest.get(..count)) {
            to.copy_from_slice(from);
        }
        self.at += count;
        Ok(count)
    }
}

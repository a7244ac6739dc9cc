//! Reading the rows of a stored file on a thread of its own.

use import::{FileError, Mapping, Row};
use model::OrganizationId;
use tokio::{runtime::Handle, sync::mpsc};
use uuid::Uuid;

use super::{
    super::{Bench, pieces::Pieces},
    Source,
};
use crate::problem::{ApiError, ApiResult};

/// Slices that are read ahead.
const AHEAD: usize = 2;
/// A slice ends after so many bytes of its file, however few rows it has.
const SLICE_BYTES: u64 = 2 << 20;

/// How many rows there are, and the first of them.
pub(super) struct Counted {
    /// How many.
    pub rows: i64,
    /// As many of the first as were asked for.
    pub kept: Vec<Row>,
}

fn pieces(bench: &Bench, organization: OrganizationId, file: Uuid) -> Pieces {
    Pieces::of(bench.store.clone(), organization, file, Handle::current())
}

/// Reads a file to its end, keeping the first `kept` rows.
pub(super) async fn count(
    bench: &Bench,
    organization: OrganizationId,
    source: &Source,
    kept: usize,
) -> ApiResult<Result<Counted, FileError>> {
    let (pieces, mapping) = (pieces(bench, organization, source.file), source.mapping.clone());
    let counted = tokio::task::spawn_blocking(move || {
        let mut counted = Counted { rows: 0, kept: Vec::new() };
        for row in import::read(&mapping, organization, pieces)? {
            let row = row?;
            counted.rows += 1;
            if counted.kept.len() < kept {
                counted.kept.push(row);
            }
        }
        Ok(counted)
    });
    counted.await.map_err(ApiError::internal)
}

/// The rows of a file, so many at a time.
pub(super) fn slices(
    bench: &Bench,
    organization: OrganizationId,
    source: &Source,
    most: usize,
) -> mpsc::Receiver<Result<Vec<Row>, FileError>> {
    let (sender, receiver) = mpsc::channel(AHEAD);
    let (pieces, mapping) = (pieces(bench, organization, source.file), source.mapping.clone());
    tokio::task::spawn_blocking(move || {
        // Whoever has stopped listening wants no more.
        if let Err(error) = send(&mapping, organization, pieces, most, &sender) {
            let _ = sender.blocking_send(Err(error));
        }
    });
    receiver
}

fn send(
    mapping: &Mapping,
    organization: OrganizationId,
    pieces: Pieces,
    most: usize,
    sender: &mpsc::Sender<Result<Vec<Row>, FileError>>,
) -> Result<(), FileError> {
    let mut rows = import::read(mapping, organization, pieces)?;
    let (mut slice, mut begun_at) = (Vec::new(), 0);
    while let Some(row) = rows.next() {
        slice.push(row?);
        if slice.len() >= most || rows.bytes() - begun_at >= SLICE_BYTES {
            begun_at = rows.bytes();
            if sender.blocking_send(Ok(std::mem::take(&mut slice))).is_err() {
                return Ok(());
            }
        }
    }
    if !slice.is_empty() {
        let _ = sender.blocking_send(Ok(slice));
    }
    Ok(())
}

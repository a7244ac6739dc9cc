//! What becomes of a blob when all of it has come.

use std::io;

use blob::{Refused, judge, name_of};
use model::{
    MediaType,
    read::{FieldError, Flaw},
};
use process::blobs::Place;
use store::blobs::{Blob, Sender, Upload};

use super::{is_there, out_of_reach, reached};
use crate::{
    problem::{ApiError, ApiResult, Kind},
    state::State,
};

/// Puts an upload together, holds it against its name, and keeps it; or throws it away and says why.
pub(crate) async fn finish(
    state: &State,
    sender: &Sender,
    upload: Upload,
    now: model::Instant,
) -> ApiResult<Blob> {
    let place = super::place(sender, &upload);
    // Few at a time: each is in memory as a whole, and has nothing to wait for.
    let turn = state.judging.acquire().await.map_err(ApiError::internal)?;
    let (media_type, bytes) = match judged(state, place, upload.bytes).await {
        Ok(judged) => judged,
        Err(error) => {
            // Another connection of the same sender may have ended it meanwhile.
            if let Some(blob) = state.store.blob_for(sender, upload.sha256).await?
                && is_there(state, sender.organization, &blob).await?
            {
                return Ok(blob);
            }
            if error.kind() == Kind::BlobRefused {
                give_up(state, sender, upload).await?;
            }
            return Err(error);
        }
    };
    state.blobs.keep(place, bytes).await.map_err(out_of_reach)?;
    drop(turn);
    let new =
        Blob { sha256: upload.sha256, media_type, bytes: upload.bytes, place: upload.place, kept_at: now };
    let lost = match state.store.blob(sender.organization, upload.sha256).await? {
        Some(known) if !is_there(state, sender.organization, &known).await? => Some(known.place),
        _ => None,
    };
    let Some(kept) = state.store.keep_blob(sender, new, lost).await? else {
        // Another connection brought something else under the name, with which all of it went.
        return Err(ApiError::upload_at(Kind::UploadOffset, 0));
    };
    let cleared = if kept == place.id {
        state.blobs.drop_pieces(place).await
    } else {
        state.blobs.drop_all(place).await
    };
    if let Err(error) = cleared {
        // It is kept all the same, and what is too much goes with it.
        tracing::warn!(%error, "pieces of a blob could not be dropped");
    }
    Ok(Blob { place: kept, ..new })
}

/// What has come, and what it is, if it is taken.
async fn judged(state: &State, place: Place, total: u64) -> ApiResult<(MediaType, Vec<u8>)> {
    let bytes = whole(state, place).await.map_err(out_of_reach)?;
    let length = u64::try_from(bytes.len()).unwrap_or_default();
    if length != total {
        // Another connection has dropped or brought some meanwhile; what is there is no worse for it.
        return Err(ApiError::upload_at(Kind::UploadOffset, if length < total { length } else { 0 }));
    }
    let judging = move || {
        if name_of(&bytes) != place.sha256 {
            return Err(wrong_hash(&bytes));
        }
        judge(&bytes).map(|media_type| (media_type, bytes)).map_err(refused)
    };
    tokio::task::spawn_blocking(judging).await.map_err(ApiError::internal)?
}

/// Throws away what has come of an upload.
pub(crate) async fn give_up(state: &State, sender: &Sender, upload: Upload) -> ApiResult<()> {
    if state.store.end_upload(sender.organization, upload).await? {
        state.blobs.drop_all(super::place(sender, &upload)).await.map_err(out_of_reach)?;
    }
    Ok(())
}

/// What has come of an upload.
pub(crate) async fn whole(state: &State, place: Place) -> io::Result<Vec<u8>> {
    let (pieces, length) = reached(&state.blobs.pieces(place).await?);
    let mut bytes = Vec::with_capacity(usize::try_from(length).unwrap_or_default());
    for (piece, skip) in pieces {
        let brought = state.blobs.piece(place, piece).await?;
        bytes.extend(brought.get(usize::try_from(skip).unwrap_or(usize::MAX)..).unwrap_or_default());
    }
    Ok(bytes)
}

/// The bytes are not those of the name.
fn wrong_hash(bytes: &[u8]) -> ApiError {
    let detail = format!("The SHA-256 of what came is {}. It was thrown away.", name_of(bytes));
    problem("wrong_hash", detail)
}

/// What is refused, in the words of a problem.
pub(crate) fn refused(why: Refused) -> ApiError {
    let code = match &why {
        Refused::OtherType => "other_type",
        Refused::TooLarge => "content_too_large",
        Refused::TooManyPixels { .. } => "too_many_pixels",
        Refused::Broken(_) => "damaged",
        Refused::Metadata { .. } => "has_metadata",
    };
    let detail = match &why {
        Refused::Metadata { stripped, .. } => {
            format!("{why} Take that out before you name it; what is left then is {stripped}.")
        }
        _ => why.to_string(),
    };
    problem(code, detail)
}

fn problem(code: &'static str, detail: String) -> ApiError {
    let error = FieldError::at("", Flaw::new(code, detail.clone()));
    ApiError::new(Kind::BlobRefused).detail(detail).errors(vec![error])
}

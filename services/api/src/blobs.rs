//! Photos and papers: how they come in, piece by piece, and how they are given out.

mod incoming;
mod judged;
mod range;

use std::io;

use model::{BlobHash, MediaType, OrganizationId};
use process::blobs::{Place, is_away};
use serde::Serialize;
use store::blobs::{Blob, Sender, Upload};
use utoipa::ToSchema;

pub(crate) use self::{
    incoming::{Incoming, Unkept, reached},
    judged::{finish, give_up, refused, whole},
    range::{Part, part, wanted},
};
use crate::{
    extract::Caller,
    problem::{ApiError, ApiResult},
    state::State,
};

/// What is said of a blob to whoever sends it.
#[derive(Debug, Serialize, ToSchema)]
pub(crate) struct BlobState {
    /// Its SHA-256.
    #[schema(value_type = String, pattern = "^[0-9a-f]{64}$")]
    pub sha256: BlobHash,
    /// How many bytes it has.
    pub bytes: u64,
    /// How many of them have come, from the first one on: with which one to go on.
    pub received: u64,
    /// What it is, once all have come.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub media_type: Option<MediaType>,
}

/// Somebody as one who sends and reads blobs.
pub(crate) fn sender(caller: &Caller) -> Sender {
    let sites = caller.visible_sites().map(|sites| sites.into_iter().collect());
    Sender { organization: caller.organization(), person: caller.person(), sites }
}

/// That bytes could not be had or kept: later, where what holds them is out of reach. Records go on flowing.
pub(crate) fn out_of_reach(error: io::Error) -> ApiError {
    if is_away(&error) { ApiError::away(error) } else { ApiError::internal(error) }
}

/// Whether the bytes of a blob are where they should be. If they are not (a folder came back from an older backup than the
/// database, or somebody tidied up), it counts as not there, so that whoever still has it sends it again.
pub(crate) async fn is_there(state: &State, organization: OrganizationId, blob: &Blob) -> ApiResult<bool> {
    let place = Place { organization, sha256: blob.sha256, id: blob.place };
    let there = state.blobs.length(place).await.map_err(out_of_reach)? == Some(blob.bytes);
    if !there {
        tracing::error!(%organization, blob = %blob.sha256, "the bytes of a photo are gone; it has to be sent again");
    }
    Ok(there)
}

/// Where what has come of an upload is.
pub(crate) fn place(sender: &Sender, upload: &Upload) -> Place {
    Place { organization: sender.organization, sha256: upload.sha256, id: upload.place }
}

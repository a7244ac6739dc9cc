//! Places in which something lies that no blob and no upload has.

use diesel::prelude::*;
use model::BlobHash;
use uuid::Uuid;

use super::super::super::Conn;
use super::super::schema::{blob, blob_upload};
use crate::{error::Result, key::Key};

/// Whether there is any blob.
pub(crate) fn has_any(conn: &mut Conn, organization: Key) -> Result<bool> {
    let found: Option<Key> = blob::table
        .filter(blob::organization.eq(organization))
        .order((blob::kept_at, blob::sha256))
        .select(blob::place)
        .first(conn)
        .optional()?;
    Ok(found.is_some())
}

/// Those of some places that nobody has. Looked up one by one, so that no plan reads all there are to find the few.
pub(crate) fn strays(
    conn: &mut Conn,
    organization: Key,
    places: &[(BlobHash, Uuid)],
) -> Result<Vec<(BlobHash, Uuid)>> {
    let mut strays = Vec::new();
    for (sha256, place) in places {
        if !is_known(conn, organization, sha256.as_bytes(), Key(*place))? {
            strays.push((*sha256, *place));
        }
    }
    Ok(strays)
}

/// Uploads come first: what ends meanwhile is a blob by the second look.
fn is_known(conn: &mut Conn, organization: Key, sha256: &[u8], place: Key) -> Result<bool> {
    let upload: Option<Key> = blob_upload::table
        .filter(blob_upload::organization.eq(organization))
        .filter(blob_upload::sha256.eq(sha256))
        .filter(blob_upload::place.eq(place))
        .select(blob_upload::place)
        .first(conn)
        .optional()?;
    if upload.is_some() {
        return Ok(true);
    }
    let blob: Option<Key> = blob::table
        .find((organization, sha256))
        .filter(blob::place.eq(place))
        .select(blob::place)
        .first(conn)
        .optional()?;
    Ok(blob.is_some())
}

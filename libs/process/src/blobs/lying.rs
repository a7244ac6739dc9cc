//! What lies in the folder or bucket, whoever knows of it.

use std::{collections::BTreeMap, io};

use model::{BlobHash, Instant, OrganizationId};
use uuid::Uuid;

use super::{Blobs, Place, Shelf};

/// A place in which something lies.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Lying {
    /// It.
    pub place: Place,
    /// When something of it was written last.
    pub last_at: Instant,
}

impl Blobs {
    /// Whether anything of an organization lies here; not so where the folder is missing.
    pub async fn has_any(&self, organization: OrganizationId) -> io::Result<bool> {
        self.aside(move |shelf| shelf.is_used(&organization.to_string())).await
    }

    /// Where something lies, of the blobs whose names begin with this byte.
    pub async fn lying(&self, organization: OrganizationId, first: u8) -> io::Result<Vec<Lying>> {
        self.aside(move |shelf| lying(shelf, organization, first)).await
    }
}

fn lying(shelf: &dyn Shelf, organization: OrganizationId, first: u8) -> io::Result<Vec<Lying>> {
    let mut places = BTreeMap::new();
    for file in shelf.below(&format!("{organization}/{first:02x}"))? {
        // What is called otherwise is none of ours.
        if let Some(place) = place_of(&file.name) {
            let last_at = places.entry(place).or_insert(file.at);
            *last_at = file.at.max(*last_at);
        }
    }
    let lying = |((sha256, id), last_at)| Lying { place: Place { organization, sha256, id }, last_at };
    Ok(places.into_iter().map(lying).collect())
}

/// Of which sending of which blob a file is, by its path.
fn place_of(path: &str) -> Option<(BlobHash, Uuid)> {
    let mut steps = path.split('/');
    let place = (BlobHash::parse(steps.next()?).ok()?, Uuid::parse_str(steps.next()?).ok()?);
    (steps.next().is_some() && steps.next().is_none()).then_some(place)
}

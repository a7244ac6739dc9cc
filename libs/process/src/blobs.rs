//! Where the bytes of photos and papers lie, beside the database: pieces while they come, one file when all are there.
//!
//! Every name begins with the organization, then comes the blob's own, then that of the place, which is a fresh one for each
//! sending. So whatever of a place is dropped, nothing is that somebody else has kept meanwhile. Several instances share
//! one, as they share the database.

mod folder;
mod lying;
mod s3;

use std::{fmt, io, path::PathBuf, sync::Arc};

use anyhow::{Result, ensure};
use clap::Args;
use model::{BlobHash, Instant, OrganizationId};
use store::Address;
use uuid::Uuid;

use self::folder::Folder;
pub use self::{
    lying::Lying,
    s3::{Away, BucketPlace},
};

/// The folder of a service whose database is no file.
const DEFAULT_FOLDER: &str = "keepstart-blobs";
/// The name of what is whole; pieces are called by their first byte and by how many they have.
const WHOLE: &str = "whole";

/// Where photos and papers are kept.
#[derive(Args, Clone, Debug, Default)]
pub struct BlobPlace {
    /// Folder for photos and papers; absent means one beside the database file, or keepstart-blobs. Several instances share one.
    #[arg(long, env = "KEEPSTART_BLOBS")]
    pub blobs: Option<PathBuf>,
    /// The bucket, if they are kept in one.
    #[command(flatten)]
    pub bucket: BucketPlace,
}

impl BlobPlace {
    /// What is kept there, for the service with this database.
    pub fn open(&self, database: &Address) -> Result<Blobs> {
        if let Some(bucket) = self.bucket.open()? {
            ensure!(
                self.blobs.is_none(),
                "photos are kept in a folder (--blobs) or in a bucket (--s3-endpoint), not in both"
            );
            return Ok(Blobs { shelf: Arc::new(bucket) });
        }
        let folder = self.blobs.clone().unwrap_or_else(|| match database {
            Address::Sqlite(file) => beside(file),
            Address::Postgres(_) => PathBuf::from(DEFAULT_FOLDER),
        });
        Ok(Blobs { shelf: Arc::new(Folder::new(folder)) })
    }
}

/// `keepstart.db` has `keepstart-blobs`.
fn beside(file: &str) -> PathBuf {
    let file = PathBuf::from(file);
    let stem = file.file_stem().unwrap_or_default().to_string_lossy().into_owned();
    file.with_file_name(format!("{stem}-blobs"))
}

/// One sending of one blob.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Place {
    /// Whose it is.
    pub organization: OrganizationId,
    /// What it is called.
    pub sha256: BlobHash,
    /// Which sending.
    pub id: Uuid,
}

impl Place {
    fn folder(&self) -> String {
        let name = self.sha256.to_string();
        let shelf = name.get(..2).unwrap_or_default();
        format!("{}/{shelf}/{name}/{}", self.organization, self.id.hyphenated())
    }
}

/// A piece of a blob that is on its way.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub struct Piece {
    /// Its first byte in the blob.
    pub first: u64,
    /// How many bytes it has.
    pub bytes: u64,
}

impl Piece {
    /// So that names are in the order of bytes.
    fn name(self) -> String {
        format!("{:012}-{}", self.first, self.bytes)
    }

    fn named(name: &str) -> Option<Self> {
        let (first, bytes) = name.split_once('-')?;
        Some(Self { first: first.parse().ok()?, bytes: bytes.parse().ok()? })
    }

    /// The byte behind its last.
    pub fn end(self) -> u64 {
        self.first.saturating_add(self.bytes)
    }
}

/// The bytes of photos and papers; cheap to clone.
#[derive(Clone, Debug)]
pub struct Blobs {
    shelf: Arc<dyn Shelf>,
}

impl Blobs {
    /// Keeps a piece; it is there after a power cut. It takes no other's place, also where that begins with the same byte.
    pub async fn keep_piece(&self, place: Place, first: u64, bytes: Vec<u8>) -> io::Result<()> {
        let piece = Piece { first, bytes: u64::try_from(bytes.len()).map_err(io::Error::other)? };
        self.aside(move |shelf| shelf.put(&place.folder(), &piece.name(), &bytes)).await
    }

    /// The pieces there are, by their first bytes.
    pub async fn pieces(&self, place: Place) -> io::Result<Vec<Piece>> {
        self.aside(move |shelf| pieces(shelf, place)).await
    }

    /// The bytes of a piece.
    pub async fn piece(&self, place: Place, piece: Piece) -> io::Result<Vec<u8>> {
        let most = usize::try_from(piece.bytes).map_err(io::Error::other)?;
        self.aside(move |shelf| shelf.read(&place.folder(), &piece.name(), 0, most)).await
    }

    /// Keeps all of a blob.
    pub async fn keep(&self, place: Place, bytes: Vec<u8>) -> io::Result<()> {
        self.aside(move |shelf| shelf.put(&place.folder(), WHOLE, &bytes)).await
    }

    /// How many bytes of a whole blob are there; nothing where it is not.
    pub async fn length(&self, place: Place) -> io::Result<Option<u64>> {
        self.aside(move |shelf| shelf.length(&place.folder(), WHOLE)).await
    }

    /// So many bytes of a blob at most, beginning with one.
    pub async fn read(&self, place: Place, first: u64, most: usize) -> io::Result<Vec<u8>> {
        self.aside(move |shelf| shelf.read(&place.folder(), WHOLE, first, most)).await
    }

    /// Drops pieces of which the whole was made.
    pub async fn drop_pieces(&self, place: Place) -> io::Result<()> {
        let drop = move |shelf: &dyn Shelf| {
            let pieces = pieces(shelf, place)?;
            pieces.iter().try_for_each(|piece| shelf.remove(&place.folder(), &piece.name()))
        };
        self.aside(drop).await
    }

    /// Drops all that is in a place.
    pub async fn drop_all(&self, place: Place) -> io::Result<()> {
        self.aside(move |shelf| shelf.remove_all(&place.folder())).await
    }

    /// Works with files off the threads that answer requests.
    async fn aside<T: Send + 'static>(
        &self,
        work: impl FnOnce(&dyn Shelf) -> io::Result<T> + Send + 'static,
    ) -> io::Result<T> {
        let shelf = Arc::clone(&self.shelf);
        tokio::task::spawn_blocking(move || work(&*shelf)).await.map_err(io::Error::other)?
    }
}

fn pieces(shelf: &dyn Shelf, place: Place) -> io::Result<Vec<Piece>> {
    let piece = |(name, bytes): (String, u64)| Piece::named(&name).filter(|piece| piece.bytes == bytes);
    let mut pieces: Vec<Piece> = shelf.list(&place.folder())?.into_iter().filter_map(piece).collect();
    pieces.sort();
    Ok(pieces)
}

/// A file below a folder.
struct Written {
    /// Its path from there.
    name: String,
    /// When it was written.
    at: Instant,
}

/// Where files lie in folders. Whatever does this may keep blobs.
trait Shelf: fmt::Debug + Send + Sync {
    /// Writes a file, in the place of one of its name; it is there as a whole or not at all, and after a power cut.
    fn put(&self, folder: &str, name: &str, bytes: &[u8]) -> io::Result<()>;
    /// So many bytes of a file at most, beginning with one.
    fn read(&self, folder: &str, name: &str, first: u64, most: usize) -> io::Result<Vec<u8>>;
    /// How many bytes a file has; nothing where there is none.
    fn length(&self, folder: &str, name: &str) -> io::Result<Option<u64>>;
    /// The names of files with their bytes; none where there is no such folder.
    fn list(&self, folder: &str) -> io::Result<Vec<(String, u64)>>;
    /// All files below a folder, also those that are being written; none where there is no such folder.
    fn below(&self, folder: &str) -> io::Result<Vec<Written>>;
    /// Whether anything lies below a folder.
    fn is_used(&self, folder: &str) -> io::Result<bool>;
    /// Removes a file, if it is there.
    fn remove(&self, folder: &str, name: &str) -> io::Result<()>;
    /// Removes a folder with its files.
    fn remove_all(&self, folder: &str) -> io::Result<()>;
}

/// Whether bytes could not be had or kept since where they lie is out of reach for now; records are not.
pub fn is_away(error: &io::Error) -> bool {
    error.get_ref().is_some_and(|inner| inner.is::<Away>())
}

#[cfg(test)]
mod tests;

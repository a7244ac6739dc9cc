//! What a photo or paper is by its bytes, whether it is taken, and its form without metadata.
//!
//! A blob is named by the SHA-256 of its bytes, and a photo as a camera makes it tells where and when it was taken, and
//! with what. So whoever sends one takes that out first, with [`stripped`], and names what is left; the service asks
//! [`judge`], which takes only what has nothing more to be taken out. Nothing is decoded, and no picture made anew: what
//! shows the picture stays byte for byte as it was.
//!
//! ```
//! use blob::{LeftOut, Refused, judge, name_of, stripped};
//! use model::MediaType;
//!
//! // A photo, as far as its parts go: a size, pixels, and between them what nobody asked to be told.
//! let photo = b"\xFF\xD8\xFF\xC0\x00\x07\x08\x00\x01\x00\x01\xFF\xFE\x00\x07my vn\xFF\xDA\x00\x02..\xFF\xD9";
//! let (media_type, kept) = stripped(photo)?;
//! assert_eq!((media_type, kept.left_out.as_slice()), (MediaType::Jpeg, [LeftOut::Text].as_slice()));
//! assert_eq!(kept.bytes.len(), photo.len() - 9);
//!
//! assert!(matches!(judge(photo), Err(Refused::Metadata { stripped, .. }) if stripped == name_of(&kept.bytes)));
//! assert_eq!(judge(&kept.bytes), Ok(MediaType::Jpeg));
//! assert_eq!(judge(b"<html>"), Err(Refused::OtherType));
//! # Ok::<(), Refused>(())
//! ```

mod jpeg;
mod orientation;
mod png;

use std::fmt;

use model::{BlobHash, MediaType};
use sha2::{Digest, Sha256};

/// A blob has so many bytes at most.
pub const BYTES_MOST: u64 = 16 << 20;
/// A picture has so many pixels at most: what shows it takes four bytes for each.
pub const PIXELS_MOST: u64 = 64_000_000;
/// So many bytes tell what a blob is.
pub const MAGIC_BYTES: usize = 8;

/// Why a blob is not taken.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
pub enum Refused {
    /// It is none of the types that are taken.
    #[error("It is no JPEG, PNG or PDF.")]
    OtherType,
    /// It has more than [`BYTES_MOST`].
    #[error("It has more than {} MiB.", BYTES_MOST >> 20)]
    TooLarge,
    /// It has more than [`PIXELS_MOST`].
    #[error("The picture has {width} by {height} pixels, and {PIXELS_MOST} are taken.")]
    TooManyPixels {
        /// How wide it says it is.
        width: u32,
        /// How high it says it is.
        height: u32,
    },
    /// It is not what its beginning says.
    #[error("It is damaged: {0}.")]
    Broken(&'static str),
    /// It has what tells more than the picture.
    #[error("It has what tells more than the picture: {}.", listed(left_out))]
    Metadata {
        /// What has to be left out.
        left_out: Vec<LeftOut>,
        /// The name of what is left then.
        stripped: BlobHash,
    },
}

/// Something in a file that is not the picture.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub enum LeftOut {
    /// EXIF: place, time, camera, preview.
    Exif,
    /// XMP.
    Xmp,
    /// A comment, or another text.
    Text,
    /// When it was made.
    Time,
    /// A smaller picture of it.
    Preview,
    /// Something that a program or a camera has added for itself.
    Other,
    /// Bytes after its end.
    AfterEnd,
    /// Fillings between its parts.
    Filling,
}

impl LeftOut {
    /// In a word.
    pub const fn as_str(self) -> &'static str {
        match self {
            Self::Exif => "exif",
            Self::Xmp => "xmp",
            Self::Text => "text",
            Self::Time => "time",
            Self::Preview => "preview",
            Self::Other => "other",
            Self::AfterEnd => "after_end",
            Self::Filling => "filling",
        }
    }
}

impl fmt::Display for LeftOut {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(self.as_str())
    }
}

fn listed(left_out: &[LeftOut]) -> String {
    left_out.iter().map(|what| what.as_str()).collect::<Vec<_>>().join(", ")
}

/// A blob without its metadata.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Stripped {
    /// Its bytes.
    pub bytes: Vec<u8>,
    /// What was left out, each kind once.
    pub left_out: Vec<LeftOut>,
}

impl Stripped {
    fn leave_out(&mut self, what: LeftOut) {
        if !self.left_out.contains(&what) {
            self.left_out.push(what);
        }
    }
}

/// What a blob is by its first [`MAGIC_BYTES`] bytes; none if it is not taken.
pub fn begins_as(first: &[u8]) -> Option<MediaType> {
    if first.starts_with(&[0xFF, 0xD8, 0xFF]) {
        Some(MediaType::Jpeg)
    } else if first.starts_with(png::SIGNATURE) {
        Some(MediaType::Png)
    } else if first.starts_with(b"%PDF-1.") || first.starts_with(b"%PDF-2.") {
        Some(MediaType::Pdf)
    } else {
        None
    }
}

/// The name of a blob.
pub fn name_of(bytes: &[u8]) -> BlobHash {
    BlobHash::from_bytes(Sha256::digest(bytes).into())
}

/// Takes the metadata out of a picture; a paper stays as it is.
///
/// What is left is the picture as it was, the profile of its colours, and which side is up. Stripping it again changes
/// nothing.
pub fn stripped(bytes: &[u8]) -> Result<(MediaType, Stripped), Refused> {
    if u64::try_from(bytes.len()).unwrap_or(u64::MAX) > BYTES_MOST {
        return Err(Refused::TooLarge);
    }
    let media_type = begins_as(bytes).ok_or(Refused::OtherType)?;
    let stripped = match media_type {
        MediaType::Jpeg => jpeg::stripped(bytes)?,
        MediaType::Png => png::stripped(bytes)?,
        MediaType::Pdf => paper(bytes)?,
    };
    Ok((media_type, stripped))
}

/// What a blob is, if it is taken as it is.
pub fn judge(bytes: &[u8]) -> Result<MediaType, Refused> {
    let (media_type, stripped) = stripped(bytes)?;
    if stripped.bytes == bytes {
        return Ok(media_type);
    }
    Err(Refused::Metadata { left_out: stripped.left_out, stripped: name_of(&stripped.bytes) })
}

/// A PDF ends with its mark, within the last kibibyte as readers look for it (ISO 32000-1, annex H, note 18).
fn paper(bytes: &[u8]) -> Result<Stripped, Refused> {
    const END: &[u8] = b"%%EOF";
    let tail = bytes.get(bytes.len().saturating_sub(1024)..).unwrap_or_default();
    if !tail.windows(END.len()).any(|some| some == END) {
        return Err(Refused::Broken("it has no end"));
    }
    Ok(Stripped { bytes: bytes.to_vec(), left_out: Vec::new() })
}

/// Whether a picture of this size is taken.
fn size(width: u32, height: u32) -> Result<(), Refused> {
    if width == 0 || height == 0 {
        return Err(Refused::Broken("it has no width or no height"));
    }
    if u64::from(width) * u64::from(height) > PIXELS_MOST {
        return Err(Refused::TooManyPixels { width, height });
    }
    Ok(())
}

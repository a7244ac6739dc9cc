//! Keeping a part of a blob as it comes, so that what has come need not come again.

use std::{io, time::Duration};

use actix_web::web;
use blob::{MAGIC_BYTES, begins_as};
use futures_util::StreamExt;
use process::blobs::{Blobs, Piece, Place};

/// A piece has so many bytes: what is lost where a connection breaks off in a power cut.
const PIECE: usize = 256 << 10;
/// How long the next bytes may take to come.
const PATIENCE: Duration = Duration::from_secs(30);

/// Why a part did not come whole.
#[derive(Debug)]
pub(crate) enum Unkept {
    /// It broke off.
    Broken,
    /// It took too long.
    TooSlow,
    /// By its first bytes it is nothing that is taken.
    OtherType,
    /// It could not be written down.
    Failed(io::Error),
}

/// A part that is coming in.
pub(crate) struct Incoming {
    blobs: Blobs,
    place: Place,
    /// The bytes before this one are kept.
    kept: u64,
    /// Bytes at the beginning of the part that are there already.
    skip: u64,
    piece: Vec<u8>,
    /// The first bytes of the blob, until there are enough to tell what it is.
    head: Option<Vec<u8>>,
}

impl Incoming {
    /// Begins a part at `first`, of which the bytes before `kept` are there; `head` are these where they are too few to tell what it
    /// is.
    pub(crate) fn begin(blobs: Blobs, place: Place, first: u64, kept: u64, head: Option<Vec<u8>>) -> Self {
        Self { blobs, place, kept, skip: kept.saturating_sub(first), piece: Vec::new(), head }
    }

    /// Takes all that is sent, and keeps it also where it breaks off; gives how many bytes are there, from the first one on.
    pub(crate) async fn take(mut self, mut sent: web::Payload) -> Result<u64, Unkept> {
        let ended = loop {
            match tokio::time::timeout(PATIENCE, sent.next()).await {
                Ok(None) => break Ok(()),
                Ok(Some(Ok(bytes))) => self.keep(&bytes).await?,
                Ok(Some(Err(_))) => break Err(Unkept::Broken),
                Err(_) => break Err(Unkept::TooSlow),
            }
        };
        self.write().await?;
        ended.map(|()| self.kept)
    }

    async fn keep(&mut self, bytes: &[u8]) -> Result<(), Unkept> {
        let there = usize::try_from(self.skip).unwrap_or(usize::MAX).min(bytes.len());
        self.skip -= u64::try_from(there).unwrap_or_default();
        let new = bytes.get(there..).unwrap_or_default();
        self.piece.extend_from_slice(new);
        if let Some(head) = &mut self.head {
            head.extend(new.iter().take(MAGIC_BYTES));
            if head.len() >= MAGIC_BYTES {
                begins_as(head).ok_or(Unkept::OtherType)?;
                self.head = None;
            }
        }
        if self.piece.len() >= PIECE { self.write().await } else { Ok(()) }
    }

    async fn write(&mut self) -> Result<(), Unkept> {
        if self.piece.is_empty() {
            return Ok(());
        }
        let piece = std::mem::take(&mut self.piece);
        let bytes = u64::try_from(piece.len()).unwrap_or_default();
        self.blobs.keep_piece(self.place, self.kept, piece).await.map_err(Unkept::Failed)?;
        self.kept += bytes;
        Ok(())
    }
}

/// A piece, and how many of its bytes others have brought before it.
pub(crate) type Link = (Piece, u64);

/// The pieces that go on from each other from the first byte on, and how far they reach.
///
/// Two connections of one sender may bring the same bytes, cut elsewhere: one that was thought dead may still write what came of
/// it. Of pieces at one place the longest counts.
pub(crate) fn reached(pieces: &[Piece]) -> (Vec<Link>, u64) {
    let (mut chain, mut end) = (Vec::new(), 0);
    let (mut ahead, mut furthest) = (pieces.iter().peekable(), None::<Piece>);
    loop {
        while let Some(piece) = ahead.next_if(|piece| piece.first <= end) {
            furthest = furthest.into_iter().chain([*piece]).max_by_key(|piece| piece.end());
        }
        let Some(piece) = furthest.filter(|piece| piece.end() > end) else { return (chain, end) };
        chain.push((piece, end - piece.first));
        end = piece.end();
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn how_far_pieces_reach() {
        let cases = [
            (vec![], 0, 0),
            (vec![(0, 4), (4, 4), (8, 1)], 9, 3),
            (vec![(0, 4), (5, 4)], 4, 1),
            (vec![(1, 4)], 0, 0),
            (vec![(0, 8), (4, 4), (8, 2)], 10, 2),
            (vec![(0, 4), (4, 8), (6, 2), (8, 4), (12, 1)], 13, 3),
            // The late one is shorter, or the one before was.
            (vec![(0, 2), (0, 8), (8, 2)], 10, 2),
            (vec![(0, 8), (6, 4), (10, 1)], 11, 3),
            (vec![(0, 4), (0, 4), (4, 4)], 8, 2),
        ];
        for (pieces, end, count) in cases {
            let pieces: Vec<Piece> =
                pieces.into_iter().map(|(first, bytes)| Piece { first, bytes }).collect();
            let (chain, reached) = reached(&pieces);
            assert_eq!((reached, chain.len()), (end, count), "{pieces:?}");
        }
    }
}

//! Keeping a file as it comes: unpacked on the way, in pieces, and given up as soon as it cannot be taken.

use std::io::Write;

use flate2::write::MultiGzDecoder;
use import::RECORD_BYTES_MOST;
use model::OrganizationId;
use uuid::Uuid;

use super::Bench;

/// A piece has so many bytes.
const PIECE: usize = 256 << 10;
/// What came compressed is unpacked so many bytes at a time, which come to a thousand times as many at most.
const PACKED_AT_ONCE: usize = 1 << 10;

/// Why a file is not kept.
#[derive(Debug)]
pub(crate) enum Unkept {
    /// It has more bytes than a file may have.
    TooLarge,
    /// It has a line that is longer than a record may be.
    LineTooLong,
    /// It is not whole, or not of its coding.
    Broken,
    /// It could not be written down.
    Failed(store::StoreError),
}

impl From<store::StoreError> for Unkept {
    fn from(error: store::StoreError) -> Self {
        Self::Failed(error)
    }
}

/// A file that is coming in.
pub(crate) struct Incoming<'b> {
    bench: &'b Bench,
    organization: OrganizationId,
    file: Uuid,
    unpacking: Option<MultiGzDecoder<Vec<u8>>>,
    piece: Vec<u8>,
    pieces: i64,
    bytes: u64,
    most: u64,
    /// Bytes since the last end of a line.
    line: usize,
    /// Whether each character may have two bytes.
    wide: bool,
}

impl<'b> Incoming<'b> {
    /// Begins a file of at most so many bytes.
    pub(crate) async fn begin(
        bench: &'b Bench,
        organization: OrganizationId,
        packed: bool,
        most: u64,
    ) -> store::Result<Self> {
        let file = Uuid::new_v4();
        bench.store.begin_file(organization, file, bench.clock.now()).await?;
        Ok(Self {
            bench,
            organization,
            file,
            unpacking: packed.then(|| MultiGzDecoder::new(Vec::new())),
            piece: Vec::new(),
            pieces: 0,
            bytes: 0,
            most,
            line: 0,
            wide: false,
        })
    }

    /// Takes bytes as they were sent.
    pub(crate) async fn take(&mut self, sent: &[u8]) -> Result<(), Unkept> {
        let Some(mut unpacking) = self.unpacking.take() else { return self.keep(sent).await };
        for some in sent.chunks(PACKED_AT_ONCE) {
            unpacking.write_all(some).map_err(|_| Unkept::Broken)?;
            let unpacked = std::mem::take(unpacking.get_mut());
            self.keep(&unpacked).await?;
        }
        self.unpacking = Some(unpacking);
        Ok(())
    }

    /// Ends the file; gives its name.
    pub(crate) async fn end(mut self) -> Result<Uuid, Unkept> {
        if let Some(mut unpacking) = self.unpacking.take() {
            unpacking.try_finish().map_err(|_| Unkept::Broken)?;
            let rest = std::mem::take(unpacking.get_mut());
            self.keep(&rest).await?;
        }
        if !self.piece.is_empty() {
            self.write().await?;
        }
        Ok(self.file)
    }

    /// The file's name.
    pub(crate) fn file(&self) -> Uuid {
        self.file
    }

    async fn keep(&mut self, bytes: &[u8]) -> Result<(), Unkept> {
        if self.bytes == 0 && !bytes.is_empty() {
            self.wide = bytes.starts_with(&[0xFF, 0xFE]) || bytes.starts_with(&[0xFE, 0xFF]);
        }
        self.bytes += bytes.len() as u64;
        if self.bytes > self.most {
            return Err(Unkept::TooLarge);
        }
        self.measure(bytes)?;
        self.piece.extend_from_slice(bytes);
        while self.piece.len() >= PIECE {
            let rest = self.piece.split_off(PIECE);
            self.write().await?;
            self.piece = rest;
        }
        Ok(())
    }

    /// A record has one line at least, so none may be longer than a record.
    fn measure(&mut self, bytes: &[u8]) -> Result<(), Unkept> {
        let most = if self.wide { 2 * RECORD_BYTES_MOST } else { RECORD_BYTES_MOST };
        let mut lines = bytes.split(|byte| matches!(byte, b'\n' | b'\r'));
        let first = lines.next().map_or(0, <[u8]>::len);
        let mut longest = self.line + first;
        self.line = longest;
        for line in lines {
            self.line = line.len();
            longest = longest.max(line.len());
        }
        if longest > most { Err(Unkept::LineTooLong) } else { Ok(()) }
    }

    async fn write(&mut self) -> Result<(), Unkept> {
        let piece = std::mem::take(&mut self.piece);
        self.bench.store.keep_piece(self.organization, self.file, self.pieces, piece).await?;
        self.pieces += 1;
        Ok(())
    }
}

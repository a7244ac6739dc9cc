//! Bytes of any encoding as UTF-8, a piece at a time.

use std::io::{self, Read};

use encoding_rs::{Decoder, DecoderResult, Encoding, UTF_8};

use crate::FILE_BYTES_MOST;

/// So many bytes are taken at a time.
const CHUNK: usize = 16 << 10;

/// The text of a file while it is read.
pub(crate) struct Text<R> {
    from: R,
    decoder: Decoder,
    raw: Box<[u8]>,
    /// Which of `raw` are not decoded yet.
    left: std::ops::Range<usize>,
    decoded: Box<[u8]>,
    /// Which of `decoded` are not consumed yet.
    ready: std::ops::Range<usize>,
    malformed: bool,
    last: bool,
    ended: bool,
    taken: u64,
}

/// What comes next in a file.
pub(crate) enum Piece<'a> {
    /// Some text, never empty.
    Text(&'a [u8]),
    /// Bytes that are no text in the file's encoding.
    Malformed,
    /// Nothing more.
    End,
}

/// Why no more text can be had.
pub(crate) enum NoText {
    Unreadable(io::Error),
    TooLarge,
}

impl<R: Read> Text<R> {
    /// Text in `encoding`, unless a byte order mark says otherwise.
    pub(crate) fn new(from: R, encoding: &'static Encoding) -> Self {
        Self {
            from,
            decoder: encoding.new_decoder(),
            raw: vec![0; CHUNK].into(),
            left: 0..0,
            // No encoding gives more than three bytes of UTF-8 for one of its own; what does not fit waits for the next piece.
            decoded: vec![0; CHUNK * 3].into(),
            ready: 0..0,
            malformed: false,
            last: false,
            ended: false,
            taken: 0,
        }
    }

    /// What comes next; it comes again until it is [consumed](Self::consume).
    pub(crate) fn piece(&mut self) -> Result<Piece<'_>, NoText> {
        while self.ready.is_empty() && !self.malformed && !self.ended {
            self.fill()?;
        }
        if !self.ready.is_empty() {
            return Ok(Piece::Text(self.decoded.get(self.ready.clone()).unwrap_or_default()));
        }
        Ok(if self.malformed { Piece::Malformed } else { Piece::End })
    }

    /// Goes on by so many bytes of text, or beyond what was malformed.
    pub(crate) fn consume(&mut self, bytes: usize) {
        if self.ready.is_empty() {
            self.malformed = false;
        }
        self.ready.start = self.ready.end.min(self.ready.start + bytes);
    }

    /// How many bytes of the file have been taken.
    pub(crate) fn taken(&self) -> u64 {
        self.taken
    }

    /// Whether the file is read as UTF-8.
    pub(crate) fn is_utf_8(&self) -> bool {
        self.decoder.encoding() == UTF_8
    }

    fn fill(&mut self) -> Result<(), NoText> {
        if self.left.is_empty() && !self.last {
            let read = retried(&mut self.from, &mut self.raw).map_err(NoText::Unreadable)?;
            self.left = 0..read;
            self.last = read == 0;
            self.taken += read as u64;
            if self.taken > FILE_BYTES_MOST {
                return Err(NoText::TooLarge);
            }
        }
        let from = self.raw.get(self.left.clone()).unwrap_or_default();
        let (result, read, written) =
            self.decoder.decode_to_utf8_without_replacement(from, &mut self.decoded, self.last);
        self.left.start += read;
        self.ready = 0..written;
        match result {
            DecoderResult::InputEmpty => self.ended = self.last,
            DecoderResult::OutputFull => {}
            DecoderResult::Malformed(..) => self.malformed = true,
        }
        Ok(())
    }
}

fn retried(from: &mut impl Read, into: &mut [u8]) -> io::Result<usize> {
    loop {
        match from.read(into) {
            Err(error) if error.kind() == io::ErrorKind::Interrupted => {}
            result => return result,
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_file_has_its_bounds() {
        for (bytes, fits) in [(FILE_BYTES_MOST, true), (FILE_BYTES_MOST + 1, false)] {
            let mut text = Text::new(io::repeat(b'a').take(bytes), UTF_8);
            let refused = loop {
                let length = match text.piece() {
                    Ok(Piece::Text(piece)) => piece.len(),
                    Ok(Piece::Malformed) => panic!("it is all text"),
                    Ok(Piece::End) => break false,
                    Err(NoText::TooLarge) => break true,
                    Err(NoText::Unreadable(error)) => panic!("{error}"),
                };
                text.consume(length);
            };
            assert_eq!(refused, !fits, "{bytes}");
            assert!(text.taken() <= FILE_BYTES_MOST + CHUNK as u64);
        }
    }
}

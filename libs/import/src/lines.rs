//! The records of a file as raw text: physical lines, or lines that go on within quotation marks.

use std::io::Read;

use encoding_rs::Encoding;

use crate::{
    Complaint, FILE_BYTES_MOST, FileError, RECORD_BYTES_MOST,
    quotes::{Broken, Quotes, Step},
    text::{NoText, Piece, Text},
};

/// One record before it is taken apart.
#[derive(Debug, Default)]
pub(crate) struct Raw {
    /// The physical line where it begins, counted from 1.
    pub(crate) line: u64,
    /// Its text, without the end of its line.
    pub(crate) text: String,
    /// Its quotation marks make no sense.
    pub(crate) broken: Option<Broken>,
    /// It holds bytes that are no text in the file's encoding; U+FFFD stands for them.
    pub(crate) malformed: bool,
    /// It holds U+0000.
    pub(crate) nul: bool,
}

/// The records of a file.
pub(crate) struct Lines<R> {
    text: Text<R>,
    line: u64,
    /// The last character was a carriage return: a line feed that follows ends the same line.
    after_return: bool,
    record: Vec<u8>,
}

impl<R: Read> Lines<R> {
    pub(crate) fn new(from: R, encoding: &'static Encoding) -> Self {
        Self { text: Text::new(from, encoding), line: 1, after_return: false, record: Vec::new() }
    }

    /// How many bytes of the file have been taken.
    pub(crate) fn taken(&self) -> u64 {
        self.text.taken()
    }

    /// Whether the file is read as UTF-8.
    pub(crate) fn is_utf_8(&self) -> bool {
        self.text.is_utf_8()
    }

    /// The next physical line, whatever quotation marks it has.
    pub(crate) fn physical(&mut self) -> Result<Option<Raw>, FileError> {
        self.next(Quotes::none())
    }

    /// The next record of CSV whose cells are separated by any of `delimiters`.
    pub(crate) fn quoted(&mut self, delimiters: &'static [u8]) -> Result<Option<Raw>, FileError> {
        self.next(Quotes::new(delimiters))
    }

    fn next(&mut self, mut quotes: Quotes) -> Result<Option<Raw>, FileError> {
        let mut raw = Raw { line: self.line, ..Raw::default() };
        self.record.clear();
        loop {
            let (used, ended) = match self.text.piece() {
                Ok(Piece::Text(bytes)) => scan(
                    bytes,
                    &mut quotes,
                    &mut self.after_return,
                    &mut self.line,
                    &mut self.record,
                    &mut raw,
                ),
                Ok(Piece::Malformed) => {
                    self.after_return = false;
                    raw.malformed = true;
                    self.record.extend_from_slice("\u{FFFD}".as_bytes());
                    quotes.step(b'?', self.line);
                    (0, false)
                }
                Ok(Piece::End) => {
                    raw.broken = quotes.end();
                    if self.record.is_empty() && raw.broken.is_none() {
                        return Ok(None);
                    }
                    return Ok(Some(self.finished(raw)));
                }
                Err(NoText::Unreadable(error)) => return Err(error.into()),
                Err(NoText::TooLarge) => return Err(too_large(self.line)),
            };
            self.text.consume(used);
            if self.record.len() > RECORD_BYTES_MOST {
                return Err(record_too_large(raw.line, quotes.open()));
            }
            if ended {
                raw.broken = quotes.broken();
                return Ok(Some(self.finished(raw)));
            }
        }
    }

    fn finished(&self, raw: Raw) -> Raw {
        // The decoder gives whole characters only, and lines end between characters.
        Raw { text: std::str::from_utf8(&self.record).unwrap_or_default().to_owned(), ..raw }
    }
}

/// Takes bytes up to the end of the record; says how many they were, and whether it ended.
fn scan(
    bytes: &[u8],
    quotes: &mut Quotes,
    after_return: &mut bool,
    line: &mut u64,
    record: &mut Vec<u8>,
    raw: &mut Raw,
) -> (usize, bool) {
    for (at, byte) in bytes.iter().enumerate() {
        let same_end = std::mem::replace(after_return, *byte == b'\r') && *byte == b'\n';
        if same_end {
            // The carriage return before it was counted; within quotation marks both are kept.
            if quotes.open().is_some() {
                record.push(b'\n');
            }
            continue;
        }
        let begun = *line;
        if matches!(byte, b'\r' | b'\n') {
            *line += 1;
        }
        raw.nul |= *byte == 0;
        match quotes.step(*byte, begun) {
            Step::Ended => return (at + 1, true),
            Step::Within => record.push(*byte),
        }
        if record.len() > RECORD_BYTES_MOST {
            return (at + 1, false);
        }
    }
    (bytes.len(), false)
}

fn too_large(line: u64) -> FileError {
    let detail = format!("A file has at most {} MiB.", FILE_BYTES_MOST >> 20);
    FileError::Refused(vec![Complaint::of_row(line, "file_too_large", detail)])
}

fn record_too_large(line: u64, quoted_since: Option<u64>) -> FileError {
    let mut detail = "The row has more than 1 MiB; nothing after it was read.".to_owned();
    if let Some(since) = quoted_since {
        detail.push_str(&format!(" A quotation mark that opens in line {since} is perhaps never closed."));
    }
    FileError::Refused(vec![Complaint::of_row(line, "record_too_large", detail)])
}

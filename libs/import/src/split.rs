//! One record of CSV taken apart into its cells.

use csv_core::{ReadRecordResult, Reader, ReaderBuilder};

use crate::COLUMNS_MOST;

/// Takes records apart; what it needs for that is kept from one to the next.
pub(crate) struct Splitter {
    reader: Reader,
    text: Vec<u8>,
    ends: Vec<usize>,
}

/// The record has more cells than a file may have columns.
#[derive(Debug)]
pub(crate) struct TooMany;

impl Splitter {
    pub(crate) fn new(delimiter: u8) -> Self {
        let reader = ReaderBuilder::new().delimiter(delimiter).build();
        Self { reader, text: Vec::new(), ends: vec![0; COLUMNS_MOST + 1] }
    }

    /// The cells of a record whose quotation marks make sense, without those; an empty record has none.
    pub(crate) fn split(&mut self, record: &str) -> Result<Cells<'_>, TooMany> {
        self.reader.reset();
        // No cell is longer without its quotation marks.
        self.text.resize(record.len(), 0);
        let (mut from, mut written, mut cells) = (record.as_bytes(), 0, 0);
        loop {
            let text = self.text.get_mut(written..).unwrap_or_default();
            let ends = self.ends.get_mut(cells..).unwrap_or_default();
            let (result, read, more_text, more_cells) = self.reader.read_record(from, text, ends);
            from = from.get(read..).unwrap_or_default();
            written += more_text;
            cells += more_cells;
            match result {
                // The next call has nothing left to read, which tells the reader that the record is over.
                ReadRecordResult::InputEmpty => {}
                ReadRecordResult::OutputFull | ReadRecordResult::OutputEndsFull => return Err(TooMany),
                ReadRecordResult::Record | ReadRecordResult::End => break,
            }
        }
        if cells > COLUMNS_MOST {
            return Err(TooMany);
        }
        Ok(Cells {
            text: std::str::from_utf8(self.text.get(..written).unwrap_or_default()).unwrap_or_default(),
            ends: self.ends.get(..cells).unwrap_or_default(),
        })
    }
}

/// The cells of one record.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Cells<'a> {
    text: &'a str,
    ends: &'a [usize],
}

impl<'a> Cells<'a> {
    /// How many there are.
    pub(crate) const fn len(&self) -> usize {
        self.ends.len()
    }

    /// Each as text.
    pub(crate) fn iter(self) -> impl Iterator<Item = &'a str> {
        let starts = std::iter::once(0).chain(self.ends.iter().copied());
        starts.zip(self.ends).map(move |(start, end)| self.text.get(start..*end).unwrap_or_default())
    }

    /// Whether nothing stands in any of them.
    pub(crate) fn are_blank(self) -> bool {
        self.iter().all(|cell| cell.trim().is_empty())
    }
}

/// A cell without the apostrophe that guards it from being taken for a formula.
pub(crate) fn unguarded(cell: &str) -> &str {
    match cell.strip_prefix('\'') {
        Some(rest) if rest.starts_with(GUARDED) => rest,
        _ => cell,
    }
}

/// What the text of a cell does not begin with unguarded.
const GUARDED: [char; 7] = ['=', '+', '-', '@', '\t', '\r', '\''];

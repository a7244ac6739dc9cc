//! Whether the end of a line ends a record, by the quotation marks of RFC 4180.

use crate::Complaint;

/// What a byte does to a record.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) enum Step {
    /// It belongs to the record.
    Within,
    /// It is the end of the line that ends the record.
    Ended,
}

/// Quotation marks that make no sense.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) struct Broken {
    /// In which cell, counted from 0.
    pub(crate) cell: usize,
    /// In what way.
    pub(crate) how: How,
}

impl Broken {
    /// Told about the column, if it has a heading.
    pub(crate) fn complaint(self, line: u64, heading: Option<&str>) -> Complaint {
        let (code, detail) = match self.how {
            How::Stray => (
                "stray_quote",
                "A cell with a quotation mark in it stands in quotation marks, with the one in it doubled."
                    .to_owned(),
            ),
            How::AfterClosing => (
                "stray_quote",
                "Something follows the quotation mark that closes the cell; one that belongs to the text is doubled."
                    .to_owned(),
            ),
            How::NeverClosed(since) => (
                "unclosed_quote",
                format!("The file ends before the quotation mark that opens in line {since} is closed."),
            ),
        };
        match heading {
            Some(heading) => Complaint::of_column(line, heading, code, detail),
            None => Complaint::of_row(line, code, detail),
        }
    }
}

/// In what way quotation marks make no sense.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) enum How {
    /// One within a cell that does not begin with one.
    Stray,
    /// Something between the one that closes a cell and the cell's end.
    AfterClosing,
    /// The file ends before the one that opened in this line is closed.
    NeverClosed(u64),
}

#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum Place {
    Start,
    Plain,
    Quoted(u64),
    /// After a mark within a quoted cell: it closes the cell, or stands for itself.
    Marked(u64),
}

/// Follows one record.
#[derive(Debug)]
pub(crate) struct Quotes {
    delimiters: Option<&'static [u8]>,
    place: Place,
    cell: usize,
    broken: Option<Broken>,
}

impl Quotes {
    /// For lines in which quotation marks mean nothing.
    pub(crate) const fn none() -> Self {
        Self { delimiters: None, place: Place::Plain, cell: 0, broken: None }
    }

    /// For cells separated by any of these.
    pub(crate) const fn new(delimiters: &'static [u8]) -> Self {
        Self { delimiters: Some(delimiters), place: Place::Start, cell: 0, broken: None }
    }

    /// Takes one byte of UTF-8, which stands in physical line `line`.
    pub(crate) fn step(&mut self, byte: u8, line: u64) -> Step {
        let ends = matches!(byte, b'\r' | b'\n');
        let Some(delimiters) = self.delimiters else {
            return if ends { Step::Ended } else { Step::Within };
        };
        self.place = match (self.place, byte) {
            (Place::Quoted(since), b'"') => Place::Marked(since),
            (Place::Quoted(since), _) => Place::Quoted(since),
            (Place::Marked(since), b'"') => Place::Quoted(since),
            _ if ends => return Step::Ended,
            _ if delimiters.contains(&byte) => {
                self.cell += 1;
                Place::Start
            }
            (Place::Start, b'"') => Place::Quoted(line),
            (Place::Plain, b'"') => self.breaks(How::Stray),
            (Place::Marked(_), _) => self.breaks(How::AfterClosing),
            (Place::Start | Place::Plain, _) => Place::Plain,
        };
        Step::Within
    }

    /// What is broken at the end of a line.
    pub(crate) const fn broken(&self) -> Option<Broken> {
        self.broken
    }

    /// What is broken at the end of the file.
    pub(crate) fn end(mut self) -> Option<Broken> {
        if let Place::Quoted(since) = self.place {
            self.breaks(How::NeverClosed(since));
        }
        self.broken
    }

    /// The line in which the quotation mark opened whose cell goes on.
    pub(crate) const fn open(&self) -> Option<u64> {
        match self.place {
            Place::Quoted(since) => Some(since),
            _ => None,
        }
    }

    /// How often `one` of the delimiters separates cells of a record.
    pub(crate) fn count(record: &[u8], delimiters: &'static [u8], one: u8) -> usize {
        let mut quotes = Self::new(delimiters);
        let separates = |byte: &&u8| {
            let before = quotes.cell;
            quotes.step(**byte, 0);
            quotes.cell > before && **byte == one
        };
        record.iter().filter(separates).count()
    }

    fn breaks(&mut self, how: How) -> Place {
        self.broken.get_or_insert(Broken { cell: self.cell, how });
        Place::Plain
    }
}

//! The rows of a file, one after the other.

mod csv;
mod header;
mod ndjson;

use std::{fmt, io::Read};

use model::OrganizationId;

use self::{csv::Table, ndjson::Objects};
use crate::{
    Complaint, FileError, Format, Mapping, ROWS_MOST, Row,
    lines::{Lines, Raw},
};

/// The rows of a file.
///
/// Memory is bounded by one record of at most [`RECORD_BYTES_MOST`](crate::RECORD_BYTES_MOST). Blank rows are passed over. After
/// an error nothing more comes.
pub struct Rows<R> {
    mapping: Mapping,
    organization: OrganizationId,
    lines: Lines<R>,
    shape: Shape,
    count: u64,
    ended: bool,
}

enum Shape {
    Table(Box<Table>),
    Objects(Objects),
}

/// Begins to read a file: its headings, and how they are mapped.
///
/// # Errors
///
/// When nothing of the file can be read: headings that are unknown or doubled, bytes that are no text.
pub fn read<R: Read>(mapping: &Mapping, organization: OrganizationId, from: R) -> Result<Rows<R>, FileError> {
    let mut lines = Lines::new(from, mapping.encoding);
    let shape = match mapping.format() {
        Format::Csv => Shape::Table(Box::new(header::table(mapping, &mut lines)?)),
        Format::Ndjson => Shape::Objects(Objects::new(mapping)),
    };
    Ok(Rows { mapping: mapping.clone(), organization, lines, shape, count: 0, ended: false })
}

impl<R: Read> Rows<R> {
    /// How many bytes of the file have been taken so far.
    pub fn bytes(&self) -> u64 {
        self.lines.taken()
    }

    fn advance(&mut self) -> Result<Option<Row>, FileError> {
        loop {
            let raw = match &self.shape {
                Shape::Table(table) => self.lines.quoted(table.delimiters())?,
                Shape::Objects(_) => self.lines.physical()?,
            };
            let Some(raw) = raw else { return Ok(None) };
            let utf_8 = self.lines.is_utf_8();
            let found = match &mut self.shape {
                Shape::Table(table) => table.row(&self.mapping, self.organization, &raw, utf_8),
                Shape::Objects(objects) => objects.row(&self.mapping, self.organization, &raw, utf_8),
            };
            let Some(row) = found else { continue };
            self.count += 1;
            if self.count > ROWS_MOST {
                let detail = format!("A file has at most {ROWS_MOST} rows.");
                return Err(FileError::Refused(vec![Complaint::of_row(row.line, "too_many_rows", detail)]));
            }
            return Ok(Some(row));
        }
    }
}

impl<R: Read> Iterator for Rows<R> {
    type Item = Result<Row, FileError>;

    fn next(&mut self) -> Option<Self::Item> {
        if self.ended {
            return None;
        }
        let found = self.advance().transpose();
        self.ended = !matches!(found, Some(Ok(_)));
        found
    }
}

impl<R> fmt::Debug for Rows<R> {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.debug_struct("Rows").field("count", &self.count).finish_non_exhaustive()
    }
}

/// U+0000, which no text has.
fn nul(raw: &Raw) -> Complaint {
    let detail = "There is a NUL in this row: the file is damaged, or in an encoding of two bytes for each character \
                  without a byte order mark.";
    Complaint::of_row(raw.line, "nul", detail)
}

/// Bytes that are no text in the file's encoding.
fn wrong_encoding(line: u64, column: Option<&str>, utf_8: bool) -> Complaint {
    let (code, detail) = (
        "wrong_encoding",
        "These bytes are no text in the file's encoding: say in the mapping what `encoding` it has.",
    );
    let found = match column {
        Some(column) => Complaint::of_column(line, column, code, detail),
        None => Complaint::of_row(line, code, detail),
    };
    // Nearly all files of offices that are not UTF-8 are this.
    found.suggesting(utf_8.then(|| "windows-1252".to_owned()))
}

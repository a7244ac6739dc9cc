//! The lines at the head of a CSV file.

use std::io::Read;

use super::{csv::Table, nul, wrong_encoding};
use crate::{
    Columns, Complaint, FileError, Mapping,
    headings::{merged, slots, tidied, too_many},
    lines::{Lines, Raw},
    quotes::Quotes,
    split::{Splitter, unguarded},
};

/// What may separate cells.
const DELIMITERS: &[u8] = b",;\t";

/// Reads the headings, and finds where the cells below each go.
pub(super) fn table<R: Read>(mapping: &Mapping, lines: &mut Lines<R>) -> Result<Table, FileError> {
    for _ in 0..mapping.skip_lines {
        if let Some(raw) = lines.physical()? {
            no_spreadsheet(&raw)?;
        }
    }
    let told = mapping.delimiter.map(one);
    let mut header = Vec::new();
    for _ in 0..mapping.header_lines {
        let Some(raw) = lines.quoted(told.unwrap_or(DELIMITERS))? else {
            return refused(Complaint::of_row(1, "no_headings", "The file ends before its headings do."));
        };
        header.push(fit(raw, lines.is_utf_8())?);
    }
    let delimiters = told.unwrap_or_else(|| one(most_frequent(&header)));
    let mut splitter = Splitter::new(delimiters.first().copied().unwrap_or(b','));
    let line = header.last().map_or(1, |raw| raw.line);
    let mut cells = Vec::new();
    for raw in &header {
        let Ok(found) = splitter.split(&raw.text) else { return refused(too_many(raw.line)) };
        cells.push(found.iter().map(|cell| tidied(unguarded(cell))).collect());
    }
    let headings = merged(&cells);
    if headings.iter().all(String::is_empty) {
        return refused(Complaint::of_row(line, "no_headings", "There are no headings in this line."));
    }
    let slots = slots(mapping, headings, line).map_err(FileError::Refused)?;
    let takes = slots.iter().filter_map(|slot| Some((slot.heading.as_str(), &**slot.take.as_ref()?)));
    let columns = Columns::new(mapping, takes);
    Ok(Table::new(delimiters, splitter, slots, columns))
}

fn refused<T>(complaint: Complaint) -> Result<T, FileError> {
    Err(FileError::Refused(vec![complaint]))
}

/// A header line that can be taken apart.
fn fit(raw: Raw, utf_8: bool) -> Result<Raw, FileError> {
    no_spreadsheet(&raw)?;
    if raw.nul {
        return refused(nul(&raw));
    }
    if raw.malformed {
        return refused(wrong_encoding(raw.line, None, utf_8));
    }
    match raw.broken {
        Some(broken) => refused(broken.complaint(raw.line, None)),
        None => Ok(raw),
    }
}

/// Spreadsheets in their own format are packed files, and begin as those do.
fn no_spreadsheet(raw: &Raw) -> Result<(), FileError> {
    if raw.line == 1 && raw.text.starts_with("PK\u{3}\u{4}") {
        let detail = "This is a spreadsheet or another packed file: save the sheet as CSV.";
        return refused(Complaint::of_row(1, "not_text", detail));
    }
    Ok(())
}

/// The delimiter that the header lines have most of outside quotation marks; the comma, if they have none.
fn most_frequent(header: &[Raw]) -> u8 {
    let mut most = (b',', 0);
    for delimiter in DELIMITERS {
        let count = header.iter().map(|raw| Quotes::count(raw.text.as_bytes(), DELIMITERS, *delimiter)).sum();
        if count > most.1 {
            most = (*delimiter, count);
        }
    }
    most.0
}

/// A delimiter alone.
const fn one(delimiter: u8) -> &'static [u8] {
    match delimiter {
        b';' => b";",
        b'\t' => b"\t",
        _ => b",",
    }
}

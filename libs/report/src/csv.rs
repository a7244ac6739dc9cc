//! CSV (RFC 4180) that a spreadsheet does not take for formulas.
//!
//! Text that begins with `=`, `+`, `-`, `@`, a tab, a carriage return or `'` gets one `'` in front. Whoever reads the
//! file takes exactly one `'` away where it stands before one of these, and has the text again. Numbers stay
//! numbers, negative ones too. Text with a `;` or a tab is quoted as text with a comma is, so that a program which finds out by
//! itself what parts cells does not take these for it. One that is told to part them there reads another format.

/// Why a row was not written.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
pub enum CsvError {
    /// A row has more or fewer cells than there are headings.
    #[error("a row has {found} cells under {expected} headings")]
    CellCount {
        /// Headings.
        expected: usize,
        /// Cells.
        found: usize,
    },
    /// A cell holds a NUL, which ends the text in many a reader.
    #[error("cell {} of a row holds a NUL", .cell + 1)]
    Nul {
        /// Which cell, from nought.
        cell: usize,
    },
    /// The row could not be written.
    #[error("a row could not be written: {0}")]
    Failed(String),
}

/// A cell.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Cell {
    /// Nothing is known.
    Empty,
    /// Text: names, codes, dates, ids.
    Text(String),
    /// A number as JSON writes it; anything else is written as text.
    Number(String),
}

/// Writes a header row and rows under it, to be taken piece by piece.
#[derive(Debug)]
pub struct Writer {
    rows: csv::Writer<Vec<u8>>,
    headings: usize,
}

impl Writer {
    /// Begins a file with its headings.
    pub fn new(headings: &[&str]) -> Result<Self, CsvError> {
        let mut writer = Self { rows: rows(), headings: headings.len() };
        let cells: Vec<Cell> = headings.iter().map(|heading| Cell::Text((*heading).to_owned())).collect();
        writer.row(&cells)?;
        Ok(writer)
    }

    /// Writes a row. If it is refused, nothing of it is written.
    pub fn row(&mut self, cells: &[Cell]) -> Result<(), CsvError> {
        if cells.len() != self.headings {
            return Err(CsvError::CellCount { expected: self.headings, found: cells.len() });
        }
        if let Some(cell) = cells.iter().position(|cell| cell.text().contains('\0')) {
            return Err(CsvError::Nul { cell });
        }
        let failed = |error: csv::Error| CsvError::Failed(error.to_string());
        for cell in cells {
            let guard = if cell.is_guarded() { "'" } else { "" };
            self.rows.write_field(quoted(format!("{guard}{}", cell.text()))).map_err(failed)?;
        }
        self.rows.write_record(None::<&[u8]>).map_err(failed)
    }

    /// The bytes written since the last time; UTF-8, and whole rows.
    pub fn take(&mut self) -> Vec<u8> {
        // Into memory nothing fails.
        std::mem::replace(&mut self.rows, rows()).into_inner().unwrap_or_default()
    }
}

impl Cell {
    fn text(&self) -> &str {
        match self {
            Self::Empty => "",
            Self::Text(text) | Self::Number(text) => text,
        }
    }

    fn is_guarded(&self) -> bool {
        let looks_like_formula = self.text().starts_with(['=', '+', '-', '@', '\t', '\r', '\'']);
        looks_like_formula && !matches!(self, Self::Number(text) if is_number(text))
    }
}

fn rows() -> csv::Writer<Vec<u8>> {
    // The writer would quote for commas alone.
    csv::WriterBuilder::new()
        .quote_style(csv::QuoteStyle::Never)
        .terminator(csv::Terminator::CRLF)
        .flexible(true)
        .from_writer(Vec::new())
}

/// A cell as it stands in the file (RFC 4180 section 2).
fn quoted(text: String) -> String {
    let splits = text.contains([',', ';', '\t', '"', '\r', '\n']);
    if splits { format!("\"{}\"", text.replace('"', "\"\"")) } else { text }
}

/// Whether it is a number of JSON (RFC 8259 section 6).
fn is_number(text: &str) -> bool {
    let digits = |text: &str| !text.is_empty() && text.bytes().all(|b| b.is_ascii_digit());
    let (mantissa, exponent) = text.split_once(['e', 'E']).unwrap_or((text, "0"));
    let (whole, fraction) = mantissa.split_once('.').unwrap_or((mantissa, "0"));
    let whole = whole.strip_prefix('-').unwrap_or(whole);
    digits(whole)
        && (whole == "0" || !whole.starts_with('0'))
        && digits(fraction)
        && digits(exponent.strip_prefix(['+', '-']).unwrap_or(exponent))
}

//! The mapping file: how an office's columns become canonical ones.

mod parse;

use std::{
    collections::{BTreeMap, BTreeSet},
    sync::Arc,
};

use encoding_rs::{Encoding, UTF_8};
use model::{Code, read::FieldError};
use serde_json::Value;

use crate::{
    Format, Records,
    headings::tidied,
    number::Decimal,
    target::{NoTarget, Target},
    value::How,
};

/// How a file is to be read; valid by construction.
///
/// A mapping file is one JSON object; every member but `records` may be absent.
///
/// | member | meaning | absent means |
/// |---|---|---|
/// | `records` | `sites`, `units`, `service_events` or `readings` | |
/// | `format` | `csv` or `ndjson` | `csv` |
/// | `system` | the system that `external_id` is an id of | there is none |
/// | `encoding` | a label of the WHATWG Encoding Standard; a byte order mark in the file decides before it | `utf-8` |
/// | `delimiter` | `,`, `;` or a tab | whichever the header lines have most of |
/// | `decimal` | `.` or `,` | whichever makes sense, if only one does; where headings are canonical, numbers are JSON's |
/// | `skip_lines` | how many physical lines stand above the headings | 0 |
/// | `header_lines` | how many rows the headings take | 1 |
/// | `dates` | which of `Y-M-D`, `D.M.Y`, `D/M/Y`, `M/D/Y` dates are written in | `Y-M-D` |
/// | `zone` | the IANA zone of local times | local times are refused |
/// | `columns` | heading to canonical column, or to `{to, values, dates, decimal}` | headings are canonical |
/// | `constants` | canonical column to what every row has in it | |
/// | `ignore` | headings that are passed over; `*` stands for all that are not mapped | |
#[derive(Clone, Debug, PartialEq)]
pub struct Mapping {
    records: Records,
    format: Format,
    system: Option<Code>,
    pub(crate) encoding: &'static Encoding,
    pub(crate) delimiter: Option<u8>,
    pub(crate) skip_lines: usize,
    pub(crate) header_lines: usize,
    how: How,
    columns: Option<BTreeMap<String, Arc<Take>>>,
    constants: Vec<(Target, Value)>,
    ignore: BTreeSet<String>,
    ignore_rest: bool,
}

/// What becomes of the cells of a column.
#[derive(Clone, Debug, PartialEq)]
pub(crate) struct Take {
    pub(crate) target: Target,
    values: BTreeMap<String, String>,
    pub(crate) how: How,
}

impl Mapping {
    /// Reads a mapping file (at most 1 MiB), giving it or all that is wrong with it.
    ///
    /// # Errors
    ///
    /// Each error has a JSON Pointer into the mapping file.
    pub fn parse(json: &[u8]) -> Result<Self, Vec<FieldError>> {
        parse::mapping(json)
    }

    /// The mapping of an export: canonical names, numbers as JSON has them, dates as RFC 3339 has them.
    pub fn plain(records: Records, format: Format) -> Self {
        Self {
            records,
            format,
            system: None,
            encoding: UTF_8,
            delimiter: None,
            skip_lines: 0,
            header_lines: 1,
            how: How::default(),
            columns: None,
            constants: Vec::new(),
            ignore: BTreeSet::new(),
            ignore_rest: false,
        }
    }

    /// What the rows are.
    pub const fn records(&self) -> Records {
        self.records
    }

    /// How the file is written.
    pub const fn format(&self) -> Format {
        self.format
    }

    /// The system that `external_id` is an id of.
    pub const fn system(&self) -> Option<&Code> {
        self.system.as_ref()
    }

    /// What becomes of the cells below a heading; nothing where they are ignored.
    pub(crate) fn take(&self, heading: &str) -> Result<Option<Arc<Take>>, NoTarget> {
        if self.ignore.contains(heading) {
            return Ok(None);
        }
        let found = match &self.columns {
            Some(columns) => columns.get(heading).cloned().ok_or(NoTarget::Unknown),
            None => Target::find(self.records, heading, self.system.as_ref())
                .map(|target| Arc::new(Take::plain(target, self.how.clone()))),
        };
        match found {
            Err(NoTarget::Unknown) if self.ignore_rest => Ok(None),
            found => found.map(Some),
        }
    }

    /// The headings that are mapped.
    pub(crate) fn headings(&self) -> impl Iterator<Item = &str> {
        self.columns.iter().flat_map(|columns| columns.keys().map(String::as_str))
    }

    /// The mapped headings with what becomes of their cells.
    pub(crate) fn mapped(&self) -> impl Iterator<Item = (&str, &Take)> {
        self.columns.iter().flatten().map(|(heading, take)| (heading.as_str(), &**take))
    }

    /// How constants are read.
    pub(crate) fn canonical(&self) -> How {
        How { decimal: Decimal::Json, dates: self.how.dates.clone() }
    }

    /// What every row has.
    pub(crate) fn constants(&self) -> &[(Target, Value)] {
        &self.constants
    }
}

impl Take {
    pub(crate) const fn plain(target: Target, how: How) -> Self {
        Self { target, values: BTreeMap::new(), how }
    }

    /// What the mapping says that a cell stands for; it is canonical.
    pub(crate) fn value_of(&self, cell: &str) -> Option<&str> {
        if self.values.is_empty() {
            return None;
        }
        self.values.get(&folded(cell)).map(String::as_str)
    }

    /// Whether cells may stand for something else.
    pub(crate) fn has_values(&self) -> bool {
        !self.values.is_empty()
    }
}

/// The form in which cells are compared with the mapping's values: blanks and case do not count.
fn folded(cell: &str) -> String {
    tidied(cell).to_lowercase()
}

//! What the rows of an office's file ask for: bytes of CSV or NDJSON, with a [`Mapping`], to bodies as the API takes them, or
//! to complaints with line and column. And the inverse, [`cells()`], for exports.
//!
//! Nothing is guessed: what can be read in two ways is a complaint that shows both. Nothing is looked up either: a site that a
//! row names is handed over as a [`Name`], and whoever has the records [puts](Wish::put) the id into the body.
//!
//! ```
//! use import::{By, Mapping, Named};
//! use serde_json::json;
//!
//! let mapping = br#"{"records": "readings", "system": "office_list", "zone": "America/Denver", "dates": ["D.M.Y"],
//!     "columns": {"Asset no.": "unit_external_id", "Read on": "occurred_at", "Engine / Hours": "meter_hours"},
//!     "skip_lines": 1, "header_lines": 2, "ignore": ["*"]}"#;
//! let mapping = Mapping::parse(mapping).unwrap();
//! let file = "Generators of Tarn Valley\n;;Engine;\nAsset no.;Read on;Hours;Remarks\n\
//!     GN-0042;1.8.2026 06:00;1,234.5;ok\nGN-0043;1.8.2026;1,234;\n";
//!
//! let organization = "019a0b5e-7c00-7000-8000-000000000001";
//! let organization = model::OrganizationId::parse(organization).unwrap();
//! let rows: Vec<_> = import::read(&mapping, organization, file.as_bytes()).unwrap().map(Result::unwrap).collect();
//!
//! let mut first = rows[0].wish.clone().unwrap();
//! assert_eq!(first.body["meter_hours"], json!(1234.5));
//! assert_eq!(first.body["occurred_at"], "2026-08-01T06:00:00-06:00");
//! let name = &first.names[0];
//! assert_eq!((name.member, name.of), ("unit_id", Named::Unit));
//! assert_eq!(name.by, By::External { system: "office_list".into(), id: "GN-0042".into() });
//! first.put("unit_id", "019a0b5e-7c00-7000-8000-000000000002".parse().unwrap());
//! first.finish();
//! assert!(first.body["id"].is_string());
//!
//! let complaints = rows[1].wish.as_ref().unwrap_err();
//! assert_eq!((complaints[0].line, complaints[0].column.as_deref()), (5, Some("Engine / Hours")));
//! assert_eq!(complaints[0].code, "ambiguous_number");
//! assert_eq!(complaints[0].suggestion.as_deref(), Some("1234 or 1.234"));
//! ```

mod cells;
mod columns;
mod complaint;
mod date;
mod doubt;
mod draft;
mod headings;
mod id;
#[cfg(test)]
mod laws;
mod lines;
mod mapping;
mod nearest;
mod number;
mod place;
mod quotes;
mod records;
mod rows;
mod split;
mod target;
mod text;
mod value;
mod wish;

pub use cells::{Cell, cells};
pub use columns::{Column, Shape, columns};
pub use complaint::{COMPLAINTS_MOST, Complaint, FileError};
pub use id::{event_id, event_id_of_content};
pub use mapping::Mapping;
pub use nearest::nearest;
pub use place::Columns;
pub use records::{FORMATS, Format, RECORDS, Records};
pub use rows::{Rows, read};
pub use wish::{By, Key, Name, Named, Row, Wish};

/// The largest file.
pub const FILE_BYTES_MOST: u64 = 256 << 20;
/// The largest record, as UTF-8.
pub const RECORD_BYTES_MOST: usize = 1 << 20;
/// The largest cell, as UTF-8; one that holds a JSON object may fill its record.
pub const CELL_BYTES_MOST: usize = 64 << 10;
/// The most columns of a file.
pub const COLUMNS_MOST: usize = 1_000;
/// The most rows of a file.
pub const ROWS_MOST: u64 = 1_000_000;

//! How much of a file is taken before it is refused.

#![allow(clippy::unwrap_used, clippy::panic, clippy::indexing_slicing, reason = "helpers of tests")]

use std::{
    cell::Cell,
    io::{self, Read},
};

use import::{
    CELL_BYTES_MOST, COLUMNS_MOST, Complaint, FileError, Format, Mapping, RECORD_BYTES_MOST, ROWS_MOST,
    Records, Row, read,
};
use model::OrganizationId;

/// What is taken beyond the largest record: a piece or two.
const BEYOND: u64 = 64 << 10;

fn organization() -> OrganizationId {
    OrganizationId::parse("019a0b5e-7c00-7000-8000-000000000001").unwrap()
}

fn plain(format: Format) -> Mapping {
    Mapping::plain(Records::Units, format)
}

/// What somebody sends: a beginning, then the same over and over, up to 2 GB.
struct Endless<'a> {
    begin: &'a [u8],
    again: &'a [u8],
    at: usize,
    taken: &'a Cell<u64>,
}

impl Read for Endless<'_> {
    fn read(&mut self, into: &mut [u8]) -> io::Result<usize> {
        if self.taken.get() + into.len() as u64 > 2_000_000_000 {
            return Ok(0);
        }
        for byte in into.iter_mut() {
            *byte = if let Some((first, rest)) = self.begin.split_first() {
                self.begin = rest;
                *first
            } else {
                let next = self.again[self.at];
                self.at = (self.at + 1) % self.again.len();
                next
            };
        }
        self.taken.set(self.taken.get() + into.len() as u64);
        Ok(into.len())
    }
}

/// The complaint that ends the reading, and how many bytes were taken by then.
fn ended(mapping: &Mapping, begin: &str, again: &str) -> (Complaint, u64) {
    let taken = Cell::new(0);
    let from = Endless { begin: begin.as_bytes(), again: again.as_bytes(), at: 0, taken: &taken };
    let error = match read(mapping, organization(), from) {
        Ok(mut rows) => {
            let error = rows.find_map(Result::err).unwrap();
            assert!(rows.next().is_none(), "nothing comes after an error");
            assert_eq!(rows.bytes(), taken.get());
            error
        }
        Err(error) => error,
    };
    (only(error), taken.get())
}

fn only(error: FileError) -> Complaint {
    match error {
        FileError::Refused(complaints) => complaints.into_iter().next().unwrap(),
        FileError::Unreadable(error) => panic!("{error}"),
    }
}

fn rows(mapping: &Mapping, file: &str) -> Vec<Row> {
    read(mapping, organization(), file.as_bytes()).unwrap().map(Result::unwrap).collect()
}

#[test]
fn a_line_of_two_gigabytes_is_refused_after_one_mebibyte() {
    let csv = plain(Format::Csv);
    let skipping = Mapping::parse(br#"{"records": "units", "skip_lines": 1}"#).unwrap();
    let cases = [
        (&csv, "", "a", 1),
        (&csv, "", ",", 1),
        (&csv, "\"", "\n", 1),
        (&csv, "label\na\n", "a", 3),
        (&csv, "label\na\nb,\"", "\"\"", 3),
        (&csv, "label\na\nb,\"", "a\r\n", 3),
        (&csv, "label,maker\n", ",", 2),
        (&skipping, "", "a", 1),
        (&plain(Format::Ndjson), "{}\n{\"label\":\"", "a", 2),
        (&plain(Format::Ndjson), "", "[", 1),
        (&csv, "\u{FEFF}label\n", "é", 2),
    ];
    for (mapping, begin, again, line) in cases {
        let (complaint, taken) = ended(mapping, begin, again);
        assert_eq!(
            (complaint.code.as_str(), complaint.line),
            ("record_too_large", line),
            "{begin:?} {again:?}"
        );
        assert!(taken <= RECORD_BYTES_MOST as u64 + BEYOND, "{begin:?} {again:?}: {taken} bytes");
    }
}

#[test]
fn a_quotation_mark_that_is_never_closed_is_named() {
    let (complaint, _) = ended(&plain(Format::Csv), "label,maker\na,\"b\nc\"\nd,\"", "x\n");
    assert_eq!(complaint.line, 4);
    assert!(complaint.detail.contains("opens in line 4"), "{}", complaint.detail);
}

#[test]
fn a_million_columns_are_refused() {
    let csv = plain(Format::Csv);
    let headings = ",".repeat(1_000_000);
    let refused = only(read(&csv, organization(), headings.as_bytes()).unwrap_err());
    assert_eq!((refused.code.as_str(), refused.line), ("too_many_columns", 1));

    let all = rows(&csv, &format!("label\n{headings}\na\n"));
    let complaints = all[0].wish.as_ref().unwrap_err();
    assert_eq!((complaints[0].code.as_str(), complaints[0].line), ("wrong_cell_count", 2));
    assert!(all[1].wish.is_ok());

    let members: Vec<String> = (0..=COLUMNS_MOST).map(|n| format!("\"a{n}\":1")).collect();
    let all = rows(&plain(Format::Ndjson), &format!("{{{}}}\n", members.join(",")));
    assert_eq!(all[0].wish.as_ref().unwrap_err()[0].code, "too_many_columns");
}

#[test]
fn as_many_columns_as_allowed_are_read() {
    let mapping = Mapping::parse(br#"{"records": "units", "ignore": ["*"]}"#).unwrap();
    let headings: Vec<String> = (1..COLUMNS_MOST).map(|n| format!("x{n}")).collect();
    let file = format!("label,{}\na{}\n", headings.join(","), ",b".repeat(COLUMNS_MOST - 1));
    assert_eq!(rows(&mapping, &file)[0].wish.as_ref().unwrap().body["label"], "a");
    let file = format!("label,{},x\n", headings.join(","));
    assert_eq!(only(read(&mapping, organization(), file.as_bytes()).unwrap_err()).code, "too_many_columns");
}

#[test]
fn a_cell_has_its_bounds_and_details_have_those_of_a_row() {
    let csv = plain(Format::Csv);
    let fits = "x".repeat(CELL_BYTES_MOST);
    let file = format!("label,details\n{fits},\n{fits}y,\na,\"{{\"\"b\"\":\"\"{fits}y\"\"}}\"\n");
    let all = rows(&csv, &file);
    assert!(all[0].wish.is_ok());
    let complaints = all[1].wish.as_ref().unwrap_err();
    assert_eq!(
        (complaints[0].code.as_str(), complaints[0].column.as_deref()),
        ("cell_too_large", Some("label"))
    );
    assert!(all[2].wish.as_ref().unwrap().body["b"].is_string());
}

#[test]
fn rows_beyond_a_million_are_refused() {
    let (complaint, taken) = ended(&plain(Format::Csv), "label\n", "a\n\n");
    assert_eq!((complaint.code.as_str(), complaint.line), ("too_many_rows", 2 * (ROWS_MOST + 1)));
    assert!(taken <= 6 + 3 * (ROWS_MOST + 1) + BEYOND);
}

#[test]
fn a_row_is_told_a_hundred_complaints_and_that_there_are_more() {
    let headings: Vec<String> = (0..150).map(|n| format!("x{n}")).collect();
    let refused = read(&plain(Format::Csv), organization(), headings.join(",").as_bytes()).unwrap_err();
    let FileError::Refused(complaints) = refused else { panic!("{refused}") };
    assert_eq!(complaints.len(), 101);
    assert_eq!(complaints.last().unwrap().code, "more_errors");
}

#[test]
fn what_is_repeated_of_a_file_is_cut() {
    let heading = "x".repeat(100_000);
    let complaint = only(read(&plain(Format::Csv), organization(), heading.as_bytes()).unwrap_err());
    assert_eq!(complaint.column.unwrap().chars().count(), 101);

    let all = rows(&plain(Format::Ndjson), &format!("{{\"{heading}\":1,\"{heading}\":1}}"));
    let told = &all[0].wish.as_ref().unwrap_err()[0];
    assert_eq!((told.code.as_str(), told.detail.chars().count()), ("invalid_json", 101));
}

#[test]
fn a_reader_that_fails_ends_the_rows() {
    struct Failing(u32);
    impl Read for Failing {
        fn read(&mut self, into: &mut [u8]) -> io::Result<usize> {
            self.0 += 1;
            match self.0 {
                1 => Err(io::ErrorKind::Interrupted.into()),
                2 => (&b"label\na\nb"[..]).read(into),
                _ => Err(io::ErrorKind::ConnectionReset.into()),
            }
        }
    }
    let mut rows = read(&plain(Format::Csv), organization(), Failing(0)).unwrap();
    assert_eq!(rows.next().unwrap().unwrap().line, 2);
    assert!(
        matches!(rows.next(), Some(Err(FileError::Unreadable(error))) if error.kind() == io::ErrorKind::ConnectionReset)
    );
    assert!(rows.next().is_none());
}

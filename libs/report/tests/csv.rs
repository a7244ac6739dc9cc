//! CSV as RFC 4180 has it, and as a spreadsheet must not take it.

#![allow(clippy::unwrap_used, clippy::panic, clippy::indexing_slicing, reason = "helpers of tests")]

use proptest::prelude::*;
use report::csv::{Cell, CsvError, Writer};

fn text(text: &str) -> Cell {
    Cell::Text(text.to_owned())
}

fn written(headings: &[&str], rows: &[Vec<Cell>]) -> String {
    let mut file = Writer::new(headings).unwrap();
    for row in rows {
        file.row(row).unwrap();
    }
    String::from_utf8(file.take()).unwrap()
}

/// The rows under the header, as another reader of the same format has them.
fn read(bytes: &str) -> Vec<Vec<String>> {
    let mut reader = csv::ReaderBuilder::new().has_headers(true).from_reader(bytes.as_bytes());
    reader.records().map(|row| row.unwrap().iter().map(str::to_owned).collect()).collect()
}

/// What an import does: takes exactly one `'` away where it guards.
fn unguarded(cell: &str) -> &str {
    match cell.strip_prefix('\'') {
        Some(rest) if rest.starts_with(['=', '+', '-', '@', '\t', '\r', '\'']) => rest,
        _ => cell,
    }
}

#[test]
fn cells_are_quoted_as_the_format_says() {
    let cases = [
        // RFC 4180 section 2: rules 1 (CRLF), 4 (commas), 6 (line breaks, quotes, commas in quotes), 7 (doubled quotes).
        (text("plain"), "plain"),
        (text("a,b"), "\"a,b\""),
        (text("a\"b"), "\"a\"\"b\""),
        (text("a\r\nb"), "\"a\r\nb\""),
        (text("a\nb"), "\"a\nb\""),
        // Common practice: where a spreadsheet takes these for the end of a cell, what follows would be a formula.
        (text("a;=1+1"), "\"a;=1+1\""),
        (text("a\t=1+1"), "\"a\t=1+1\""),
        (text(" blanks "), " blanks "),
        (text("Caf\u{e9}"), "Caf\u{e9}"),
        (text(""), ""),
        (Cell::Empty, ""),
        (Cell::Number("212.45".to_owned()), "212.45"),
    ];
    for (cell, expected) in cases {
        let found = written(&["a", "b"], &[vec![cell.clone(), text("z")]]);
        assert_eq!(found, format!("a,b\r\n{expected},z\r\n"), "{cell:?}");
    }
}

#[test]
fn formulas_are_guarded_and_numbers_are_not() {
    let cases = [
        // Worked attacks (D60).
        (text("=1+1"), "'=1+1"),
        (text("+1"), "'+1"),
        (text("-1"), "'-1"),
        (text("@SUM(A1)"), "'@SUM(A1)"),
        (text("\t=1"), "\"'\t=1\""),
        (text("\r=1"), "\"'\r=1\""),
        (
            text("=HYPERLINK(\"https://x.example\",\"y\")"),
            "\"'=HYPERLINK(\"\"https://x.example\"\",\"\"y\"\")\"",
        ),
        (text("=cmd|' /C calc'!A0"), "'=cmd|' /C calc'!A0"),
        (text("'=1"), "''=1"),
        (text("'quoted'"), "''quoted'"),
        (text("\"=1\""), "\"\"\"=1\"\"\""),
        (text("a=1"), "a=1"),
        (Cell::Number("-5.5".to_owned()), "-5.5"),
        (Cell::Number("-5.5e-3".to_owned()), "-5.5e-3"),
        // A number is one of JSON (RFC 8259 section 6), or it is text.
        (Cell::Number("+5".to_owned()), "'+5"),
        (Cell::Number("-1+cmd".to_owned()), "'-1+cmd"),
        (Cell::Number("-".to_owned()), "'-"),
        (Cell::Number("-05".to_owned()), "'-05"),
        (Cell::Number("=1".to_owned()), "'=1"),
    ];
    for (cell, expected) in cases {
        let found = written(&["a", "b"], &[vec![cell.clone(), text("z")]]);
        assert_eq!(found, format!("a,b\r\n{expected},z\r\n"), "{cell:?}");
    }
}

#[test]
fn rows_are_whole_or_refused() {
    let mut file = Writer::new(&["a", "b"]).unwrap();
    assert_eq!(file.take(), b"a,b\r\n");
    assert_eq!(file.take(), b"");
    assert_eq!(file.row(&[text("1")]), Err(CsvError::CellCount { expected: 2, found: 1 }));
    let three = [text("1"), text("2"), text("3")];
    assert_eq!(file.row(&three), Err(CsvError::CellCount { expected: 2, found: 3 }));
    assert_eq!(file.row(&[text("1"), text("2\0")]), Err(CsvError::Nul { cell: 1 }));
    assert_eq!(CsvError::Nul { cell: 1 }.to_string(), "cell 2 of a row holds a NUL");
    file.row(&[text("1"), Cell::Empty]).unwrap();
    file.row(&[Cell::Empty, Cell::Empty]).unwrap();
    assert_eq!(file.take(), b"1,\r\n,\r\n");
    // One empty cell alone would be no row at all.
    assert_eq!(written(&["a"], &[vec![Cell::Empty]]), "a\r\n\"\"\r\n");
}

#[test]
fn headings_are_guarded_too() {
    assert_eq!(written(&["=a", "b,c"], &[]), "'=a,\"b,c\"\r\n");
    assert_eq!(Writer::new(&["a\0"]).err(), Some(CsvError::Nul { cell: 0 }));
}

fn any_text() -> impl Strategy<Value = String> {
    let start =
        prop::sample::select(vec!["", "=", "+", "-", "@", "\t", "\r", "'", "''", "\"", ",", ";", "\n"]);
    (start, "\\PC{0,12}|[=+@',;\"\r\n\t-]{0,8}").prop_map(|(start, rest)| format!("{start}{rest}"))
}

proptest! {
    #[test]
    fn text_comes_back_when_one_guard_is_taken_away(rows in prop::collection::vec((any_text(), any_text()), 0..8)) {
        let cells: Vec<Vec<Cell>> = rows.iter().map(|(a, b)| vec![text(a), text(b)]).collect();
        let found = written(&["a", "b"], &cells);
        let read = read(&found);
        prop_assert_eq!(read.len(), rows.len());
        for ((a, b), cells) in rows.iter().zip(&read) {
            prop_assert_eq!((unguarded(&cells[0]), unguarded(&cells[1])), (a.as_str(), b.as_str()));
        }
        for cell in read.iter().flatten() {
            prop_assert!(!cell.starts_with(['=', '+', '-', '@', '\t', '\r']), "{:?}", cell);
        }
    }

    #[test]
    fn numbers_come_back_as_they_are(number in any::<i64>(), hundredths in 0..100_u8) {
        let number = format!("{number}.{hundredths:02}");
        let found = written(&["a"], &[vec![Cell::Number(number.clone())]]);
        prop_assert_eq!(found, format!("a\r\n{number}\r\n"));
    }

    #[test]
    fn pieces_are_the_whole(rows in prop::collection::vec(any_text(), 0..8)) {
        let mut file = Writer::new(&["a"]).unwrap();
        let mut pieces = file.take();
        for row in &rows {
            file.row(&[text(row)]).unwrap();
            pieces.extend(file.take());
        }
        let cells: Vec<Vec<Cell>> = rows.iter().map(|row| vec![text(row)]).collect();
        prop_assert_eq!(String::from_utf8(pieces).unwrap(), written(&["a"], &cells));
    }
}

//! Laws of taking a file apart, beside what the crate `csv` makes of the same text.

use std::io::{self, Read};

use encoding_rs::UTF_8;
use proptest::prelude::*;

use crate::{
    lines::{Lines, Raw},
    split::{Splitter, unguarded},
};

/// A reader that hands out a few bytes at a time.
struct Slow<'a>(&'a [u8], usize);

impl Read for Slow<'_> {
    fn read(&mut self, into: &mut [u8]) -> io::Result<usize> {
        let few = self.1.min(into.len());
        self.0.read(&mut into[..few])
    }
}

fn raws(from: impl Read) -> Vec<Raw> {
    let mut lines = Lines::new(from, UTF_8);
    std::iter::from_fn(|| lines.quoted(b",").unwrap()).collect()
}

fn cells(splitter: &mut Splitter, raw: &Raw) -> Vec<String> {
    splitter.split(&raw.text).unwrap().iter().map(str::to_owned).collect()
}

/// Text in which delimiters, quotation marks and ends of lines are frequent.
fn text() -> impl Strategy<Value = String> {
    prop::collection::vec(
        prop::sample::select(vec!["a", "é", " ", ",", ",", "\"", "\"", "\"\"", "\r", "\n", "\r\n"]),
        0..60,
    )
    .prop_map(|parts| parts.concat())
}

proptest! {
    #[test]
    fn up_to_broken_quotes_a_text_is_taken_apart_as_the_crate_csv_does(text in text()) {
        let mut splitter = Splitter::new(b',');
        let raws = raws(text.as_bytes());
        let sound = raws.iter().take_while(|raw| raw.broken.is_none());
        let found: Vec<Vec<String>> =
            sound.filter(|raw| !raw.text.is_empty()).map(|raw| cells(&mut splitter, raw)).collect();
        let mut theirs = csv::ReaderBuilder::new().has_headers(false).flexible(true).from_reader(text.as_bytes());
        let theirs = theirs.records().map(|record| record.unwrap().iter().map(str::to_owned).collect::<Vec<_>>());
        let theirs: Vec<Vec<String>> =
            if raws.iter().all(|raw| raw.broken.is_none()) { theirs.collect() } else { theirs.take(found.len()).collect() };
        prop_assert_eq!(found, theirs);
    }

    #[test]
    fn what_is_written_is_read_with_its_lines(
        table in prop::collection::vec(prop::collection::vec("[aé,;'\"\t\r\n ]{0,6}", 1..4), 0..6),
        end in prop::sample::select(vec!["\r\n", "\n", "\r"]),
    ) {
        let (mut text, mut lines) = (String::new(), Vec::new());
        for row in &table {
            // An end of a line is CR LF, CR or LF, in a cell, too.
            lines.push(1 + text.replace("\r\n", "\n").matches(['\r', '\n']).count() as u64);
            let quoted: Vec<String> = row.iter().map(|cell| format!("\"{}\"", cell.replace('"', "\"\""))).collect();
            text += &quoted.join(",");
            text += end;
        }
        let found = raws(text.as_bytes());
        let mut splitter = Splitter::new(b',');
        let cells: Vec<Vec<String>> = found.iter().map(|raw| cells(&mut splitter, raw)).collect();
        prop_assert_eq!(cells, table);
        prop_assert_eq!(found.iter().map(|raw| raw.line).collect::<Vec<_>>(), lines);
    }

    #[test]
    fn how_the_bytes_come_makes_no_difference(bytes in prop::collection::vec(any::<u8>(), 0..200), few in 1..5_usize) {
        prop_assert_eq!(format!("{:?}", raws(&bytes[..])), format!("{:?}", raws(Slow(&bytes, few))));
    }

    #[test]
    fn nor_does_it_where_quotes_and_ends_of_lines_are_frequent(text in text(), few in 1..5_usize) {
        prop_assert_eq!(format!("{:?}", raws(text.as_bytes())), format!("{:?}", raws(Slow(text.as_bytes(), few))));
    }

    #[test]
    fn a_guard_is_taken_off_once(text in "['=+@\t\r\\-a]{0,4}") {
        let guarded = if text.starts_with(['=', '+', '-', '@', '\t', '\r', '\'']) { format!("'{text}") } else { text.clone() };
        prop_assert_eq!(unguarded(&guarded), text);
    }
}

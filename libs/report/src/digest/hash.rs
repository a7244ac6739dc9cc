//! What a digest says, as one short text: the same lines in any order give the same.

use std::fmt;

use model::{Code, LocalDate};
use sha2::{Digest, Sha256};

use super::{
    facts::{Facts, SiteFacts},
    words::State,
};

/// A line as it counts for the hash.
#[derive(Clone, Copy, Debug)]
pub struct HashLine<'a> {
    /// The site's name.
    pub site: &'a str,
    /// The unit's label.
    pub unit: &'a str,
    /// The task's code.
    pub task: &'a Code,
    /// The state.
    pub state: State,
    /// The day since which, or on which it is due; one that stays the same while nothing changes.
    pub date: Option<LocalDate>,
}

/// The first 16 hexadecimal digits of the SHA-256 of sorted lines.
#[derive(Clone, Debug, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub struct LinesHash(String);

impl LinesHash {
    /// Reads back what [`fmt::Display`] wrote; nothing if it is not 16 lower-case hexadecimal digits.
    pub fn parse(text: &str) -> Option<Self> {
        let is_hex = |b: u8| b.is_ascii_digit() || (b'a'..=b'f').contains(&b);
        (text.len() == 16 && text.bytes().all(is_hex)).then(|| Self(text.to_owned()))
    }
}

impl fmt::Display for LinesHash {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(&self.0)
    }
}

/// The hash of lines, each `SITE|UNIT|task|state|YYYY-MM-DD` and a line feed, sorted by bytes.
///
/// A bar, a line feed or a backslash in a name is written with a backslash before it, so that no name can pass for
/// another line.
pub fn lines_hash<'a>(lines: impl IntoIterator<Item = HashLine<'a>>) -> LinesHash {
    let mut lines: Vec<String> = lines.into_iter().map(|line| text(&line)).collect();
    lines.sort_unstable();
    let mut hash = Sha256::new();
    for line in lines {
        hash.update(line.as_bytes());
    }
    let digits: String = hash.finalize().iter().take(8).map(|byte| format!("{byte:02x}")).collect();
    LinesHash(digits)
}

impl Facts {
    /// The hash of the lines that the mail tells: overdue, due, coming due, deferred and unknown.
    ///
    /// A line counts by the day on which it is due; if it has none, by that since which it is in its state.
    pub fn lines_hash(&self) -> LinesHash {
        lines_hash(self.sites.iter().flat_map(|SiteFacts { site, lines }| {
            let told = lines
                .iter()
                .filter(|line| !matches!(line.state, State::Ok | State::Suspended | State::NotApplicable));
            told.map(|line| HashLine {
                site: site.name.as_str(),
                unit: line.unit.label.as_str(),
                task: &line.task.code,
                state: line.state,
                date: line.days.map(|axis| axis.due).or(line.since),
            })
        }))
    }
}

fn text(line: &HashLine<'_>) -> String {
    let date = line.date.map(|date| date.to_string()).unwrap_or_default();
    let (site, unit) = (escaped(line.site), escaped(line.unit));
    format!("{site}|{unit}|{}|{}|{date}\n", line.task, line.state.as_str())
}

fn escaped(name: &str) -> String {
    let mut text = String::with_capacity(name.len());
    for c in name.chars() {
        if matches!(c, '|' | '\n' | '\\') {
            text.push('\\');
        }
        text.push(c);
    }
    text
}

#[cfg(test)]
mod tests {
    use super::*;

    fn hash(lines: &[(&str, &str, &str, &str)]) -> String {
        let tasks: Vec<Code> = lines.iter().map(|line| Code::parse(line.2).unwrap()).collect();
        let lines = lines.iter().zip(&tasks).map(|((site, unit, _, date), task)| HashLine {
            site,
            unit,
            task,
            state: State::Overdue,
            date: LocalDate::parse(date).ok(),
        });
        lines_hash(lines).to_string()
    }

    #[test]
    fn the_worked_example_comes_out_in_either_order() {
        // The worked example of the project: what `sha256sum` says of these two lines.
        let oil = ("FS-3", "U7", "oil_change", "2025-09-10");
        let load = ("PS-2", "U2", "load_test", "2025-08-31");
        assert_eq!(hash(&[oil, load]), "c40a8f9715e13779");
        assert_eq!(hash(&[load, oil]), "c40a8f9715e13779");
    }

    #[test]
    fn no_name_passes_for_another_line() {
        let cases = [
            (("A|B", "U", "oil", "2025-09-10"), ("A", "B|U", "oil", "2025-09-10")),
            (("A\\", "U", "oil", "2025-09-10"), ("A", "\\U", "oil", "2025-09-10")),
            (("A", "U", "oil", "2025-09-10"), ("A", "U", "oil", "")),
        ];
        for (one, other) in cases {
            assert_ne!(hash(&[one]), hash(&[other]), "{one:?} and {other:?}");
        }
        let both = [("A", "U", "oil", "2025-09-10"), ("B", "U", "oil", "2025-09-10")];
        let forged = [("A", "U|oil|overdue|2025-09-10\nB|U", "oil", "2025-09-10")];
        assert_ne!(hash(&both), hash(&forged));
    }

    #[test]
    fn a_hash_reads_back() {
        let none = lines_hash([]);
        // SHA-256 of nothing (FIPS 180-4 example, value from memory): e3b0c44298fc1c14...
        assert_eq!(none.to_string(), "e3b0c44298fc1c14");
        assert_eq!(LinesHash::parse(&none.to_string()), Some(none));
        for bad in ["", "e3b0c44298fc1c1", "E3B0C44298FC1C14", "e3b0c44298fc1c14\n", "g3b0c44298fc1c14"] {
            assert_eq!(LinesHash::parse(bad), None, "{bad:?}");
        }
    }
}

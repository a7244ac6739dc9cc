//! The page `openapi/sync.md`: its examples by name, and its tables.

use std::{
    collections::{BTreeMap, BTreeSet},
    ops::Range,
    path::PathBuf,
};

use blackbox::service;
use serde_json::Value;

/// What stands before the name of an example, and behind it.
const OPENS: (&str, &str) = ("<!-- example: ", " -->\n```json\n");
/// What stands behind an example.
const CLOSES: &str = "```\n";
/// An example is broken into lines where it would be longer than this.
const WIDTH: usize = 110;

/// The page.
pub(super) struct Page {
    text: String,
    examples: Vec<(String, Range<usize>)>,
}

impl Page {
    pub(super) fn read() -> Self {
        let text = std::fs::read_to_string(file()).unwrap();
        let mut examples = Vec::new();
        for (at, _) in text.match_indices(OPENS.0) {
            let rest = &text[at + OPENS.0.len()..];
            let name = &rest[..rest.find(OPENS.1).unwrap_or_else(|| panic!("no example at {rest:.40}"))];
            let start = at + OPENS.0.len() + name.len() + OPENS.1.len();
            let end = start + text[start..].find(CLOSES).unwrap_or_else(|| panic!("{name} does not end"));
            examples.push((name.to_owned(), start..end));
        }
        let fences = text.matches("```json").count();
        assert_eq!(fences, examples.len(), "every example of the page has a name, so that it is compared");
        Self { text, examples }
    }

    /// The examples by name.
    pub(super) fn examples(&self) -> BTreeMap<&str, Value> {
        let parsed = |(name, at): &(String, Range<usize>)| {
            let text = &self.text[at.clone()];
            serde_json::from_str(text).unwrap_or_else(|error| panic!("{name}: {error}"))
        };
        let found: BTreeMap<&str, Value> =
            self.examples.iter().map(|example| (example.0.as_str(), parsed(example))).collect();
        assert_eq!(found.len(), self.examples.len(), "two examples of the page have one name");
        found
    }

    /// Writes the examples anew.
    pub(super) fn write(&self, found: &BTreeMap<&str, Value>) {
        let mut text = self.text.clone();
        for (name, at) in self.examples.iter().rev() {
            if let Some(value) = found.get(name.as_str()) {
                text.replace_range(at.clone(), &format!("{}\n", laid_out(value, 0)));
            }
        }
        std::fs::write(file(), text).unwrap();
    }

    /// The rows of the first table under a heading, by their cells, without its head.
    #[track_caller]
    pub(super) fn rows(&self, heading: &str) -> Vec<Vec<&str>> {
        let text = self.text.split_once(&format!("\n{heading}\n"));
        let (_, rest) = text.unwrap_or_else(|| panic!("{heading}: no such heading"));
        let rest = rest.split("\n#").next().unwrap_or_default();
        let rows =
            rest.lines().skip_while(|line| !line.starts_with('|')).take_while(|line| line.starts_with('|'));
        rows.skip(2).map(|row| row.trim_matches('|').split('|').map(str::trim).collect()).collect()
    }

    /// The words in the first column of the table under a heading.
    #[track_caller]
    pub(super) fn table(&self, heading: &str) -> BTreeSet<String> {
        let rows = self.rows(heading);
        let words = rows.iter().flat_map(|row| row[0].split('`').skip(1).step_by(2).map(str::to_owned));
        let found: BTreeSet<String> = words.collect();
        assert!(!found.is_empty(), "{heading}: no table with words");
        found
    }
}

fn file() -> PathBuf {
    service::root().join("openapi/sync.md")
}

/// A value as JSON: in one line where that is short enough.
fn laid_out(value: &Value, indent: usize) -> String {
    let line = spaced(value);
    if indent + line.chars().count() <= WIDTH {
        return line;
    }
    let (inner, outer) = (" ".repeat(indent + 2), " ".repeat(indent));
    let each = |lines: Vec<String>| {
        lines.iter().map(|line| format!("{inner}{line}")).collect::<Vec<_>>().join(",\n")
    };
    match value {
        Value::Object(members) => {
            let member = |(name, value): (&String, &Value)| {
                format!("{}: {}", Value::from(name.as_str()), laid_out(value, indent + 2))
            };
            format!("{{\n{}\n{outer}}}", each(members.iter().map(member).collect()))
        }
        Value::Array(items) => {
            format!("[\n{}\n{outer}]", each(items.iter().map(|item| laid_out(item, indent + 2)).collect()))
        }
        _ => line,
    }
}

/// A value as JSON in one line, with room between its members.
fn spaced(value: &Value) -> String {
    match value {
        Value::Object(members) => {
            let member = |(name, value): (&String, &Value)| {
                format!("{}: {}", Value::from(name.as_str()), spaced(value))
            };
            format!("{{{}}}", members.iter().map(member).collect::<Vec<_>>().join(", "))
        }
        Value::Array(items) => format!("[{}]", items.iter().map(spaced).collect::<Vec<_>>().join(", ")),
        other => other.to_string(),
    }
}

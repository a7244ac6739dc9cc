//! What the data that is checked in has to hold: the worked examples, and a source for whatever can hurt somebody.

use std::collections::BTreeSet;

use serde_json::Value;

use crate::repository::{files, list, nothing_breaks, text};

/// The worked examples about hours and limits; each stands as a case.
#[rustfmt::skip]
const WORKED: [&str; 46] = [
    "A01", "A02", "A03", "A04", "A05", "A06", "A07", "A08", "A09", "A10", "A11", "A12",
    "A13", "A14", "A15", "A16", "A17", "A18", "A19", "A20", "A21", "A22", "A23", "A24",
    "A25", "A26", "A27", "A40", "A42", "A43", "A44", "A48", "A49", "A51", "A52", "A53",
    "A54", "A55", "A59", "A60", "A63", "A64", "A65", "A66", "B04", "B15",
];

const VECTORS: &str = "tests/vectors/interval.json";

#[test]
fn the_worked_examples_stand_as_cases() {
    let vectors = read(VECTORS);
    // An example about dates or clocks alone stands in a table of its own, and is named as its source.
    let mut found: BTreeSet<&str> = list(&vectors["cases"]).map(|case| text(&case["case"])).collect();
    for table in ["dates", "wall_clocks"] {
        let sources = list(&vectors[table]).map(|row| text(&row["source"]));
        found.extend(sources.filter_map(|source| source.strip_prefix("worked example ")));
    }
    let missing = WORKED.into_iter().filter(|name| !found.contains(name));
    let broken: Vec<_> = missing.map(|name| format!("{VECTORS}: no case {name}")).collect();
    nothing_breaks("Every worked example of the first release is a case: add it to the table.", &broken);
}

#[test]
fn every_case_names_its_source() {
    let vectors = read(VECTORS);
    let mut broken = Vec::new();
    for table in ["cases", "dates", "analyses", "entries", "wall_clocks"] {
        assert!(list(&vectors[table]).next().is_some(), "{VECTORS}: {table} is empty");
        for (number, row) in list(&vectors[table]).enumerate().filter(|(_, row)| blank(&row["source"])) {
            broken.push(format!("{VECTORS}: {table}[{number}]: {row}"));
        }
    }
    nothing_breaks(
        "A case says where its numbers come from: the published rule, or that they are from memory.",
        &broken,
    );
}

#[test]
fn every_caution_has_a_source() {
    let mut broken = Vec::new();
    let mut cautions = 0;
    let schedules = files().into_iter().filter(|file| {
        let folders = ["deploy/schedules/", "deploy/demo/schedules/"];
        folders.iter().any(|folder| file.path.starts_with(folder))
            && file.path.rsplit('.').next() == Some("json")
    });
    for file in schedules {
        let schedule: Value = serde_json::from_str(&file.text).unwrap();
        if blank(&schedule["edition"]["source"]) {
            broken.push(format!("{}: the edition", file.path));
        }
        for task in list(&schedule["edition"]["tasks"]) {
            for caution in list(&task["cautions"]) {
                cautions += 1;
                if blank(&caution["source"]) {
                    let (task, code) = (text(&task["task"]), text(&caution["caution"]));
                    broken.push(format!("{}: {task}: {code}", file.path));
                }
            }
        }
    }
    assert!(cautions > 0, "no schedule has a caution; does the data read differently than expected?");
    nothing_breaks(
        "Where the work can hurt someone, the reader may ask who says so: give the caution a source.",
        &broken,
    );
}

fn read(path: &str) -> Value {
    let files = files();
    let file = files.iter().find(|file| file.path == path).unwrap_or_else(|| panic!("{path} is missing"));
    serde_json::from_str(&file.text).unwrap_or_else(|error| panic!("{path}: {error}"))
}

fn blank(value: &Value) -> bool {
    text(value).trim().is_empty()
}

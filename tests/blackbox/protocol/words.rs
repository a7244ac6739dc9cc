//! The tables of the page have the members and words that the description and the code have, no fewer and no more.

use std::collections::BTreeSet;

use blackbox::{none_failed, service, world::description};
use merge::{Flag, Reason};
use model::stamp::Stamp;
use serde_json::Value;

use super::page::Page;

type Words = BTreeSet<String>;

#[test]
fn tables_name_every_member() {
    let (page, description) = (Page::read(), description());
    let mut failures = Vec::new();
    for (heading, schema) in [
        ("### The request", "SyncNew"),
        ("### An edit", "EditNew"),
        ("### The answer", "Synced"),
        ("### A result", "SyncResult"),
        ("## 14. Limits", "SyncLimits"),
    ] {
        let members = &description["components"]["schemas"][schema]["properties"];
        compare(&mut failures, heading, &page, members.as_object().unwrap().keys().cloned().collect());
    }
    none_failed(&failures);
}

#[test]
fn tables_name_every_word() {
    let (page, description) = (Page::read(), description());
    let schema = |name: &str| &description["components"]["schemas"][name];
    let of_enum = |name: &str| words(&schema(name)["enum"]);
    let mut failures = Vec::new();
    let mut pull = of_enum("PullStatus");
    pull.extend(of_enum("ResetReason"));
    compare(&mut failures, "### Where a pull stands", &page, pull);
    let file = service::root().join("services/api/src/examples/sync.json");
    let example: Value = serde_json::from_str(&std::fs::read_to_string(file).unwrap()).unwrap();
    let problems = example["problems"].as_object().unwrap().keys().cloned().collect();
    compare(&mut failures, "## 13. When the whole request fails", &page, problems);
    let results = ["applied", "already_applied", "contested", "parked", "held", "refused"];
    compare(&mut failures, "### What a result asks for", &page, results.map(str::to_owned).into());
    compare(&mut failures, "### Flags", &page, Flag::ALL.map(|flag| flag.as_str().to_owned()).into());
    compare(
        &mut failures,
        "### Why an edit is held",
        &page,
        Reason::ALL.map(|reason| reason.as_str().to_owned()).into(),
    );
    none_failed(&failures);
}

#[test]
fn stamps_are_written_as_the_page_says() {
    let page = Page::read();
    let rows = page.rows("## 3. Stamps");
    assert!(rows.len() > 3);
    let mut texts = Vec::new();
    for row in rows {
        let [millis, counter, handset, text] = row.as_slice() else { panic!("{row:?}") };
        let clock = millis.parse::<u64>().unwrap() << 16 | counter.parse::<u64>().unwrap();
        let stamp = Stamp { clock, handset: handset.parse().unwrap() };
        assert_eq!(format!("`{stamp}`"), *text);
        texts.push(*text);
    }
    assert!(texts.is_sorted(), "the table is in the order of the stamps");
}

fn compare(failures: &mut Vec<String>, heading: &str, page: &Page, known: Words) {
    let told = page.table(heading);
    let list = |words: Vec<&String>| words.iter().map(|word| word.as_str()).collect::<Vec<_>>().join(", ");
    let (missing, unknown) =
        (known.difference(&told).collect::<Vec<_>>(), told.difference(&known).collect::<Vec<_>>());
    if !missing.is_empty() || !unknown.is_empty() {
        failures.push(format!("{heading}: missing {}; unknown {}", list(missing), list(unknown)));
    }
}

fn words(list: &Value) -> Words {
    list.as_array().unwrap().iter().map(|word| word.as_str().unwrap().to_owned()).collect()
}

//! Formats of edits: each that was ever written is taken, and one that is not known yet is kept.

use blackbox::{Backend, Town, World, none_failed, on_both, service::is_clean, world::new_id};
use model::edit::FORMAT;
use serde_json::{Value, json};

use super::{Phone, beside, flaws, line, with};
use crate::blobs::{finding, paper};

on_both!(edits_of_each_format_are_taken, rows_are_of_the_oldest_format_that_says_all);

const GOLDEN: &str = include_str!("../../vectors/edits.json");

/// The golden edits, as a phone writes them of what is there.
fn golden(town: &Town, phone: &Phone, unit: &str) -> Vec<(Value, Value)> {
    let text = GOLDEN.replace("\"UNIT\"", &json!(unit).to_string());
    let text = text.replace("\"SITE\"", &json!(town.sites[0]).to_string());
    let all: Value = serde_json::from_str(&text).unwrap();
    let written = all["edits"].as_array().unwrap().iter().map(|row| {
        let said = row["edit"].as_object().unwrap();
        let mut edit = phone.edit("", "", Value::Null);
        edit.as_object_mut().unwrap().extend(said.clone());
        if said["action"] == "create" && said["kind"] != "service_event" {
            edit["record_id"] = edit["id"].clone();
        }
        (edit, row.clone())
    });
    written.collect()
}

fn edits_of_each_format_are_taken(backend: Backend) {
    let world = World::new(backend);
    let town = world.town();
    let unit = town.unit_in_service("FS-1", 0);
    let phone = Phone::new(&town, "coordinator");
    let golden = golden(&town, &phone, &unit);
    for format in 1..=FORMAT {
        assert!(
            golden.iter().any(|(edit, _)| edit["format"] == format),
            "there are edits of format {format}"
        );
    }
    let edits: Vec<&Value> = golden.iter().map(|(edit, _)| edit).collect();
    let results = phone.push(&edits);
    let mut failures = Vec::new();
    for (n, (result, (edit, row))) in results.iter().zip(&golden).enumerate() {
        let expected: Vec<String> = row["flaws"]
            .as_array()
            .into_iter()
            .flatten()
            .map(|flaw| format!("/edits/{n}/{}", flaw.as_str().unwrap()))
            .collect();
        if line(result) != row["told"] || flaws(result) != expected {
            failures.push(format!("{edit}: {result}"));
        }
    }
    none_failed(&failures);
    is_clean(&world.database);
}

/// So that who knows only the older format is kept from as little as can be.
fn rows_are_of_the_oldest_format_that_says_all(backend: Backend) {
    let world = World::new(backend);
    let town = world.town();
    let unit = town.unit_in_service("FS-1", 0);
    let phone = Phone::new(&town, "coordinator");
    let photo = phone.event(finding(&unit, &paper("of the fuel line")));
    let edits = [
        with(&photo, "format", json!(2)),
        with(&phone.reading(&unit, 5.0), "format", json!(2)),
        phone.reading(&unit, 6.0),
        with(&phone.reading(&new_id(), 7.0), "format", json!(2)),
        with(&phone.reading(&unit, 8.0), "format", json!(FORMAT + 1)),
    ];
    let told = phone.told(&edits.iter().collect::<Vec<_>>());
    assert_eq!(told, ["applied", "applied", "applied", "parked missing_parent", "parked newer_format"]);
    let formats = |of: &str| world.database.texts(&format!("SELECT CAST(format AS TEXT) AS t FROM {of}"));
    assert_eq!(formats("change_log WHERE channel = 'sync' ORDER BY seq"), ["2", "1", "1"]);
    assert_eq!(formats("inbox ORDER BY handset_edit"), ["1".to_owned(), (FORMAT + 1).to_string()]);
    assert_eq!(beside(&world), 2);
    is_clean(&world.database);
}

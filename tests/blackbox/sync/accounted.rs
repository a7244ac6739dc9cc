//! Every edit that was sent is somewhere: in the feed, among what waits, or among what is kept beside the log.

use std::collections::{BTreeMap, BTreeSet};

use blackbox::{
    Backend, Client, Town, World, none_failed, on_both,
    service::is_clean,
    world::{id_of, new_id},
};
use serde_json::{Value, json};

use super::{EVENTS, NEWER, Phone, line, of_group, reading, with};

on_both!(every_edit_is_where_its_result_says);

/// Where a reader finds edits.
struct Found {
    /// Those that a record's stamps name, and service events.
    told: BTreeSet<String>,
    held: BTreeSet<String>,
    contested: BTreeSet<String>,
    /// By edit, as they are listed.
    parked: BTreeMap<String, Value>,
    refused: BTreeMap<String, Value>,
}

impl Found {
    fn by(client: &Client) -> Self {
        let mut told = BTreeSet::new();
        let mut cursor = String::new();
        loop {
            let page = client.get(&format!("/v1/changes?limit=50{cursor}")).expect(200).json();
            for change in page["changes"].as_array().unwrap() {
                told.insert(id_of(change));
                edits_in(&change["record"], &mut told);
            }
            cursor = format!("&cursor={}", page["cursor"].as_str().unwrap());
            if page["more"] == false {
                break;
            }
        }
        let mut contested = BTreeSet::new();
        client.all("/v1/contested", 10).iter().for_each(|item| edits_in(&item["values"], &mut contested));
        let handsets = client.all("/v1/handsets", 10);
        let beside = |state: &str| {
            let of_one = |handset: &Value| {
                client.all(&format!("/v1/handsets/{}/edits?state={state}", id_of(handset)), 3)
            };
            handsets.iter().flat_map(of_one).map(|item| (id_of(&item), item)).collect()
        };
        Self {
            told,
            held: client.all("/v1/held", 10).iter().map(id_of).collect(),
            contested,
            parked: beside("parked"),
            refused: beside("refused"),
        }
    }

    /// The places of an edit.
    fn places(&self, edit: &str) -> Vec<&'static str> {
        let all = [
            ("told", self.told.contains(edit)),
            ("held", self.held.contains(edit)),
            ("contested", self.contested.contains(edit)),
            ("parked", self.parked.contains_key(edit)),
            ("refused", self.refused.contains_key(edit)),
        ];
        all.into_iter().filter(|(_, is_there)| *is_there).map(|(place, _)| place).collect()
    }

    /// What is listed beside the log of an edit, in a line.
    fn beside(&self, edit: &str) -> Option<String> {
        let item = self.parked.get(edit).or_else(|| self.refused.get(edit))?;
        Some(line(&json!({"result": item["state"], "reason": item["reason"]})))
    }
}

/// Every edit that is named in a value.
fn edits_in(value: &Value, found: &mut BTreeSet<String>) {
    match value {
        Value::Array(items) => items.iter().for_each(|item| edits_in(item, found)),
        Value::Object(members) => {
            found.extend(members.get("edit").and_then(Value::as_str).map(str::to_owned));
            members.values().for_each(|member| edits_in(member, found));
        }
        _ => {}
    }
}

/// What three handsets come back with after a storm: all kinds of edits, good and bad, of which each sets its own fields.
fn storm(town: &Town, phones: &[Phone], units: &[String]) -> Vec<(usize, Value)> {
    let mut edits = Vec::new();
    for (n, phone) in phones.iter().enumerate() {
        let unit = &units[n];
        let group = new_id();
        let made = phone.new_unit(&format!("New {n}"), &town.sites[0]);
        let first = phone.reading(&id_of(&made), 1.0);
        let mut all = vec![made, first];
        all.extend((0..10).map(|hour| {
            phone.event(reading(unit, &format!("2026-06-1{n}T{hour:02}:00:00Z"), f64::from(hour)))
        }));
        all.extend([
            // The same field of the same unit by all three, without knowing of each other, and one of their own.
            phone.set("unit", &units[0], json!({"label": format!("Label {n}")}), json!({})),
            phone.set("unit", unit, json!({"maker": format!("Alder {n}")}), json!({})),
            phone.set("site", &town.sites[0], json!({"name": format!("Site {n}")}), json!({})),
            phone.ahead(unit),
            phone.reading(&new_id(), 1.0),
            of_group(&phone.reading(unit, 2.0), &group, 2),
            of_group(&phone.reading(unit, 3.0), &group, 2),
            of_group(&phone.reading(unit, 4.0), &new_id(), 2),
            with(&phone.reading(unit, 5.0), "format", json!(NEWER)),
            with(&phone.reading(unit, 6.0), "author", json!(new_id())),
            with(&phone.reading(unit, 7.0), "mood", json!("good")),
            with(&phone.reading(unit, 8.0), "body", reading(unit, "2026-06-14T12:00:00Z", -8.0)),
            with(&phone.reading(unit, 9.0), "stamp", json!("06GJPNV0000000000000")),
            with(
                &phone.set("unit", unit, json!({"model": "P7"}), json!({})),
                "author",
                json!(town.people["technician"]),
            ),
        ]);
        edits.extend(all.into_iter().map(|edit| (n, edit)));
    }
    edits
}

fn every_edit_is_where_its_result_says(backend: Backend) {
    let world = World::new(backend);
    let town = world.town();
    let units = [0, 1, 2].map(|n| town.unit_in_service(&format!("FS-{n}"), 0));
    let phones = [0, 1, 2].map(|_| Phone::new(&town, "technician").passed_to(town.coordinator()));
    let edits = storm(&town, &phones, &units);
    let mut last: BTreeMap<String, String> = BTreeMap::new();
    // Each in portions from behind, then whole and in order, then once more: the last word is what counts.
    for portion in [7, 100, 100] {
        for (n, phone) in phones.iter().enumerate() {
            let mut own: Vec<&Value> =
                edits.iter().filter(|(of, _)| *of == n).map(|(_, edit)| edit).collect();
            if portion == 7 {
                own.reverse();
            }
            for some in own.chunks(portion) {
                let told = phone.push(some);
                last.extend(some.iter().zip(&told).map(|(edit, result)| (id_of(edit), line(result))));
            }
        }
    }
    let found = Found::by(town.coordinator());
    let mut failures = Vec::new();
    let mut count: BTreeMap<&str, usize> = BTreeMap::new();
    for (_, edit) in &edits {
        let id = id_of(edit);
        let word = last[&id].split(' ').next().unwrap();
        *count.entry(last[&id].as_str()).or_default() += 1;
        let places = found.places(&id);
        let expected: &[&[&str]] = match word {
            // What is contested is told, and listed, too.
            "already_applied" => &[&["told"], &["told", "contested"]],
            "held" => &[&["held"]],
            "parked" => &[&["parked"]],
            "refused" => &[&["refused"]],
            other => panic!("{other}: {edit}"),
        };
        if !expected.contains(&places.as_slice()) {
            failures.push(format!("{}: in {places:?}: {edit}", last[&id]));
        }
        if found.beside(&id).is_some_and(|listed| listed != last[&id]) {
            failures.push(format!("{}: listed as {:?}", last[&id], found.beside(&id)));
        }
    }
    none_failed(&failures);
    let expected = [
        ("already_applied", 17),
        ("held future_event", 1),
        ("held unknown_author", 1),
        ("parked group_incomplete", 1),
        ("parked missing_parent", 1),
        ("parked newer_format", 1),
        ("refused forbidden", 1),
        ("refused invalid", 2),
        ("refused stamp_of_another_handset", 1),
    ];
    assert_eq!(count, expected.map(|(word, each)| (word, each * 3)).into());
    // The fields that all three set have a value of each in the list, with that of the desk.
    for (kind, id, field, values) in [("unit", &units[0], "label", 4), ("site", &town.sites[0], "name", 4)] {
        let listed = town.coordinator().all("/v1/contested", 100);
        let item =
            listed.iter().find(|item| item["kind"] == kind && item["id"] == **id && item["field"] == field);
        let found = item.map_or(0, |item| item["values"].as_array().unwrap().len());
        assert_eq!(found, values, "{kind} {field}: {listed:?}");
    }
    for (_, edit) in edits.iter().filter(|(_, edit)| edit["kind"] == "service_event") {
        let there = town.coordinator().get(&format!("{EVENTS}/{}", id_of(edit))).status == 200;
        assert_eq!(there, last[&id_of(edit)] == "already_applied", "{edit}");
    }
    is_clean(&world.database);
}

//! Worked examples of sync, from what handsets send to what is due: the figures are those of the examples.

use blackbox::{Backend, Town, World, none_failed, on_both, service::is_clean, world::id_of};
use serde_json::{Value, json};

use super::{EVENTS, Phone, line, results::orders, with};

on_both!(
    the_same_oil_change_entered_twice_counts_once,
    two_oil_changes_a_day_apart_are_two,
    three_offline_edits_of_one_unit,
);

/// A unit that has run 230 hours by the end of April, whose oil is due every hundred.
fn unit_at_230(town: &Town) -> String {
    let unit = town.unit_in_service("U7", 0);
    let read = json!({"kind": "reading", "meter_hours": 230.0});
    town.happened(&unit, "2026-04-30T10:00:00-06:00", read);
    unit
}

fn oil(phone: &Phone, unit: &str, at: &str, hours: f64) -> Value {
    let body = json!({"kind": "service", "unit_id": unit, "occurred_at": at, "jobs": [{"job": "oil_change"}],
        "meter_hours": hours});
    phone.event(body)
}

fn due_hours(town: &Town, unit: &str) -> Option<f64> {
    town.due(unit, "oil_change")["hours"]["limit_hours"].as_f64()
}

/// S01: two technicians enter the same oil change offline, 10:05 at 231.0 h and 10:20 at 231.1 h. It counts once, from the
/// lower reading; when that one is taken back the other counts. In all 24 orders of arrival, each sent twice.
fn the_same_oil_change_entered_twice_counts_once(backend: Backend) {
    let world = World::new(backend);
    let town = world.town();
    let mut failures = Vec::new();
    for order in orders(4) {
        let unit = unit_at_230(&town);
        let phones = [Phone::new(&town, "technician"), Phone::new(&town, "coordinator")];
        let one = oil(&phones[0], &unit, "2026-05-02T10:05:00-06:00", 231.0);
        let two = oil(&phones[1], &unit, "2026-05-02T10:20:00-06:00", 231.1);
        let later = phones[1].event(super::reading(&unit, "2026-05-03T10:00:00-06:00", 231.5));
        let void = phones[0]
            .event(json!({"kind": "correction", "action": "void", "target_id": one["id"], "unit_id": unit,
            "reason": "entered twice", "occurred_at": "2026-05-04T10:00:00-06:00"}));
        let edits = [(0, &one), (1, &two), (1, &later), (0, &void)];
        for at in &order {
            let (by, edit) = edits[*at];
            phones[by].push(&[edit]);
            phones[by].push(&[edit]);
            // With both and neither taken back it is due from the lower.
            let there =
                |edit: &Value| town.coordinator().get(&format!("{EVENTS}/{}", id_of(edit))).status == 200;
            let due = due_hours(&town, &unit);
            let expected = match (there(&one), there(&two), there(&void)) {
                (_, true, true) => Some(331.1),
                (true, _, false) => Some(331.0),
                (false, true, false) => Some(331.1),
                _ => due,
            };
            if due != expected {
                failures.push(format!("{order:?} after {at}: {due:?}, not {expected:?}"));
            }
        }
        let told: Vec<String> = edits.iter().map(|(by, edit)| phones[*by].told(&[edit]).remove(0)).collect();
        if told != ["already_applied"; 4] || due_hours(&town, &unit) != Some(331.1) {
            failures.push(format!("{order:?}: {told:?}, {:?}", due_hours(&town, &unit)));
        }
    }
    none_failed(&failures);
    is_clean(&world.database);
}

/// S02: 231.0 h and 255.0 h, a day apart in an outage.
fn two_oil_changes_a_day_apart_are_two(backend: Backend) {
    let world = World::new(backend);
    let town = world.town();
    for order in orders(2) {
        let unit = unit_at_230(&town);
        let phones = [Phone::new(&town, "technician"), Phone::new(&town, "technician")];
        let edits = [
            oil(&phones[0], &unit, "2026-05-02T10:00:00-06:00", 231.0),
            oil(&phones[1], &unit, "2026-05-03T10:00:00-06:00", 255.0),
        ];
        for at in &order {
            assert_eq!(phones[*at].told(&[&edits[*at]]), ["applied"], "{order:?}");
        }
        assert_eq!(due_hours(&town, &unit), Some(355.0), "{order:?}");
    }
    is_clean(&world.database);
}

/// S04, with a describing field in the place of the location: X sets it to SH-1 at 1000, Y the rating to 6 kW at 1001, Z the
/// field to PS-2 at 1002.
fn three_offline_edits_of_one_unit(backend: Backend) {
    let world = World::new(backend);
    let town = world.town();
    let mut told_in_all = Vec::new();
    for order in orders(3) {
        // A handset has made the unit, long before the three.
        let maker = Phone::new(&town, "coordinator");
        let made = maker.new_unit("FS-3", &town.sites[0]);
        let made = with(
            &made,
            "stamp",
            json!(model::stamp::Stamp { clock: 1 << 16, handset: maker.number }.to_string()),
        );
        assert_eq!(maker.told(&[&made]), ["applied"]);
        let unit = id_of(&made);
        let base = super::seen(&made, &["label"]);
        let edits = [
            (1000, json!({"label": "SH-1"})),
            (1001, json!({"rated_kw": 6.0})),
            (1002, json!({"label": "PS-2"})),
        ];
        let edits = edits.map(|(clock, fields)| {
            let phone = Phone::new(&town, "coordinator");
            let base = if fields.get("label").is_some() { base.clone() } else { json!({}) };
            let stamp = model::stamp::Stamp { clock: clock << 16, handset: phone.number }.to_string();
            let edit = with(&phone.set("unit", &unit, fields, base), "stamp", json!(stamp));
            (phone, edit)
        });
        let told: Vec<String> =
            order.iter().map(|at| line(&edits[*at].0.push(&[&edits[*at].1])[0])).collect();
        assert_eq!(told.iter().filter(|word| *word == "contested ?label").count(), 1, "{order:?}: {told:?}");
        assert_eq!(told.iter().filter(|word| *word == "applied").count(), 2, "{order:?}: {told:?}");
        let read = town.coordinator().get(&format!("/v1/units/{unit}")).expect(200).json();
        let contested = town.coordinator().all("/v1/contested", 100);
        let contested: Vec<(Value, Value)> = contested
            .iter()
            .filter(|item| item["id"] == json!(unit))
            .flat_map(|item| item["values"].as_array().unwrap().clone())
            .map(|value| (value["value"].clone(), value["wins"].clone()))
            .collect();
        told_in_all.push((read["label"].clone(), read["rated_kw"].as_f64(), contested));
    }
    let expected =
        (json!("PS-2"), Some(6.0), vec![(json!("PS-2"), json!(true)), (json!("SH-1"), json!(false))]);
    assert_eq!(told_in_all, vec![expected; 6]);
    is_clean(&world.database);
}

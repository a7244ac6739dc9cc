//! However edits are split, ordered, repeated and mixed with those of others, one state comes of them.

use std::collections::BTreeSet;

use blackbox::{
    Backend, Client, World, none_failed, on_both,
    service::is_clean,
    world::{id_of, plain},
};
use serde_json::{Value, json};

use super::{EVENTS, Phone, reading, seen, with};

on_both!(any_split_and_order_gives_one_state);

/// Two handsets with ids and numbers of their own, and what they write of a site that is new.
struct Story {
    handsets: [(String, u32); 2],
    /// Which of them has made it, and the edit.
    edits: Vec<(usize, Value)>,
    site: String,
    unit: String,
}

impl Story {
    fn new(phones: &[Phone; 2]) -> Self {
        let [one, two] = phones;
        let site = one.create("site", json!({"name": "Reservoir", "zone": "America/Denver"}));
        let unit = one.new_unit("RS-1", &id_of(&site));
        let (site_id, unit_id) = (id_of(&site), id_of(&unit));
        let label = one.set("unit", &unit_id, json!({"label": "RS-2"}), seen(&unit, &["label"]));
        let of_two =
            two.set("unit", &unit_id, json!({"label": "RS-3", "rated_kw": 6}), seen(&unit, &["label"]));
        let again = one.set("unit", &unit_id, json!({"label": "RS-4"}), seen(&label, &["label"]));
        let read = one.event(reading(&unit_id, "2026-06-10T12:00:00Z", 11.0));
        let amended = reading(&unit_id, "2026-06-10T12:00:00Z", 12.0);
        let amend = one.event(json!({"kind": "correction", "action": "amend", "target_id": read["id"], "reason": "a slip",
            "unit_id": unit_id, "occurred_at": "2026-06-10T12:05:00Z", "replacement": with(&amended, "unit_id", Value::Null)}));
        let later = two.event(reading(&unit_id, "2026-06-11T12:00:00Z", 13.5));
        let edits = vec![
            (0, site),
            (0, unit),
            (0, label),
            (1, of_two),
            (0, again),
            (0, read),
            (0, amend),
            (1, later),
        ];
        let handsets = phones.each_ref().map(|phone| (phone.id.clone(), phone.number));
        Self { handsets, edits, site: site_id, unit: unit_id }
    }

    /// The same in a town of its own, where its edits come in these portions; what it comes to.
    fn told(&self, world: &World, portions: &[Vec<usize>], case: &str) -> Value {
        let town = world.town();
        let phones = self.handsets.each_ref().map(|(id, n)| Phone::known_as(&town, "coordinator", id, *n));
        let push = |which: usize, portion: &[usize]| {
            let of: Vec<&Value> = portion
                .iter()
                .map(|at| &self.edits[*at])
                .filter(|(by, _)| *by == which)
                .map(|(_, e)| e)
                .collect();
            if of.is_empty() { Vec::new() } else { phones[which].told(&of) }
        };
        for portion in portions {
            for which in [0, 1] {
                push(which, portion);
                // Each portion is offered again, as after a lost answer.
                push(which, portion);
            }
        }
        let all: Vec<usize> = (0..self.edits.len()).collect();
        for which in [0, 1] {
            let told = push(which, &all);
            assert!(told.iter().all(|word| word == "already_applied"), "{case}: {told:?}");
        }
        is_clean(&world.database);
        self.state(town.coordinator())
    }

    /// All that a reader can see of it, but for who recorded it when.
    fn state(&self, client: &Client) -> Value {
        let read = |path: String| client.get(&path).expect(200).json();
        let events = client.all(&format!("{EVENTS}?unit={}", self.unit), 100);
        let due = read(format!("/v1/units/{}/hours", self.unit));
        let told = read("/v1/changes?limit=1000".to_owned());
        let told: Vec<Value> = told["changes"].as_array().unwrap().clone();
        let ours =
            [&self.site, &self.unit].map(|id| told.iter().find(|change| change["id"] == **id).cloned());
        let state = json!({
            "site": read(format!("/v1/sites/{}", self.site)), "unit": read(format!("/v1/units/{}", self.unit)),
            "events": events, "contested": client.all("/v1/contested", 100), "hours": due, "told": ours,
        });
        plain(&without(&state))
    }
}

/// Leaves out what differs between towns, and between one arrival and the next.
fn without(value: &Value) -> Value {
    const DIFFER: [&str; 5] = ["author", "recorded_at", "at", "as_of", "computed_at"];
    match value {
        Value::Array(items) => items.iter().map(without).collect(),
        Value::Object(members) => {
            let kept = members.iter().filter(|(name, _)| !DIFFER.contains(&name.as_str()));
            kept.map(|(name, value)| (name.clone(), without(value))).collect()
        }
        other => other.clone(),
    }
}

fn any_split_and_order_gives_one_state(backend: Backend) {
    let world = World::new(backend);
    let town = world.town();
    let story = Story::new(&[Phone::new(&town, "coordinator"), Phone::new(&town, "coordinator")]);
    let all: Vec<usize> = (0..story.edits.len()).collect();
    let reversed: Vec<usize> = all.iter().rev().copied().collect();
    let mixed = vec![6, 1, 4, 0, 7, 3, 5, 2];
    let in_portions = |order: &[usize], of: usize| order.chunks(of).map(<[_]>::to_vec).collect::<Vec<_>>();
    let mut states: Vec<(String, Value)> = Vec::new();
    for (name, order) in [("in order", &all), ("from behind", &reversed), ("mixed", &mixed)] {
        for of in [1, 2, 3, 8] {
            let case = format!("{name} in portions of {of}");
            let state = story.told(&world, &in_portions(order, of), &case);
            states.push((case, state));
        }
    }
    let (_, first) = &states[0];
    assert_eq!(first["unit"]["label"], "RS-4", "the highest stamp wins: {first}");
    let values: BTreeSet<&str> = first["contested"][0]["values"]
        .as_array()
        .unwrap()
        .iter()
        .map(|value| value["value"].as_str().unwrap())
        .collect();
    assert_eq!(values, BTreeSet::from(["RS-3", "RS-4"]), "{first}");
    assert_eq!(first["events"].as_array().unwrap().len(), 3, "{first}");
    let differ = states.iter().filter(|(_, state)| state != first);
    let failures: Vec<String> = differ.map(|(case, state)| format!("{case}: {state}\nnot {first}")).collect();
    none_failed(&failures);
}

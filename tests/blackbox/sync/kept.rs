//! `GET /v1/handsets/{id}/edits`: where to look for what came from a handset and was not recorded.

use std::collections::BTreeSet;

use blackbox::{
    Backend, Client, Town, World, on_both,
    service::is_clean,
    world::{id_of, new_id},
};
use serde_json::{Value, json};

use super::{NEWER, Phone, line, of_group, with};

on_both!(
    whatever_was_not_recorded_is_listed,
    pages_and_states_of_what_was_not_recorded,
    each_sees_what_is_theirs_to_see,
    what_is_recorded_after_all_leaves_the_list,
);

fn path(phone: &Phone) -> String {
    format!("/v1/handsets/{}/edits", phone.id)
}

fn listed(client: &Client, phone: &Phone) -> Vec<Value> {
    client.all(&path(phone), 100)
}

fn ids(items: &[Value]) -> BTreeSet<String> {
    items.iter().map(id_of).collect()
}

/// Whether this is the same but for how a number is written.
fn same(one: &Value, other: &Value) -> bool {
    proof::canonical(one).unwrap() == proof::canonical(other).unwrap()
}

fn noted(edit: &Value, note: &str) -> Value {
    with(edit, "body", with(&edit["body"], "note", json!(note)))
}

/// One of everything that is not recorded, by the technician; the edits, and what becomes of each.
fn not_recorded(town: &Town, phone: &Phone, unit: &str) -> Vec<(Value, &'static str)> {
    let used = phone.reading(unit, 5.0);
    let read = || phone.reading(unit, 6.0);
    vec![
        (used.clone(), "applied"),
        (phone.ahead(unit), "held future_event"),
        (noted(&phone.reading(&new_id(), 6.0), "by the gate"), "parked missing_parent"),
        (of_group(&read(), &new_id(), 2), "parked group_incomplete"),
        (with(&read(), "format", json!(NEWER)), "parked newer_format"),
        (with(&read(), "body", json!({"kind": "party", "unit_id": unit})), "refused invalid"),
        (with(&read(), "padding", json!("x".repeat(70_000))), "refused invalid"),
        (with(&read(), "stamp", json!("06GJPNV0000000000000")), "refused stamp_of_another_handset"),
        (phone.set("unit", unit, json!({"rated_kw": 6}), json!({})), "refused forbidden"),
        (phone.new_unit("FS-9", &town.sites[0]), "refused forbidden"),
        (noted(&used, "in the yard"), "refused id_reused"),
        (noted(&used, "behind the shed"), "refused id_reused"),
    ]
}

/// With what it says, private text included, and in the words in which its handset was answered.
fn whatever_was_not_recorded_is_listed(backend: Backend) {
    let world = World::new(backend);
    let town = world.town();
    let unit = town.unit_in_service("FS-1", 0);
    let phone = Phone::new(&town, "technician");
    let cases = not_recorded(&town, &phone, &unit);
    for round in 0..2 {
        let told = phone.told(&cases.iter().map(|(edit, _)| edit).collect::<Vec<_>>());
        let expected = cases.iter().map(|(_, word)| {
            if round == 1 { word.replace("applied", "already_applied") } else { (*word).to_owned() }
        });
        assert_eq!(told, expected.collect::<Vec<_>>());
        let items = listed(town.coordinator(), &phone);
        assert_eq!(items.len(), cases.len() - 2, "{items:?}");
        for (edit, word) in &cases[2..] {
            let note = &edit["body"]["note"];
            let of_edit = |item: &&Value| {
                item["id"] == edit["id"] && (word.ends_with("reused") <= (item["body"]["note"] == *note))
            };
            let found: Vec<&Value> = items.iter().filter(of_edit).collect();
            let [item] = found.as_slice() else { panic!("{word}: {found:?}") };
            assert_eq!(line(&json!({"result": item["state"], "reason": item["reason"]})), *word, "{item}");
            assert_eq!(
                (&item["author"], &item["number"]),
                (&json!(town.people["technician"]), &edit["number"]),
                "{item}"
            );
            assert!(item["received_at"].is_string(), "{item}");
            match item.get("sent") {
                Some(sent) => {
                    let long = edit.get("padding").is_some();
                    let whole = if long {
                        with(&with(edit, "padding", Value::Null), "body", Value::Null)
                    } else {
                        edit.clone()
                    };
                    assert!(same(sent, &whole), "{word}: what cannot be read is shown as it came: {sent}");
                    assert_eq!((item.get("kind"), item.get("body")), (None, None), "{item}");
                    assert!(*word == "refused invalid" || *word == "parked newer_format", "{item}");
                    assert_eq!(item.get("unit_id"), (!long).then_some(&json!(unit)), "{item}");
                }
                None => {
                    assert_eq!((&item["kind"], &item["action"]), (&edit["kind"], &edit["action"]), "{item}");
                    for (member, value) in edit["body"].as_object().unwrap() {
                        assert!(same(&item["body"][member], value), "{word}: {member} of {item}");
                    }
                    let named =
                        if edit["kind"] == "unit" { &edit["record_id"] } else { &edit["body"]["unit_id"] };
                    assert_eq!(item["unit_id"], *named, "{item}");
                }
            }
            assert_eq!(item["group"].get("id"), edit["group"].get("id"), "{item}");
        }
    }
    is_clean(&world.database);
}

fn pages_and_states_of_what_was_not_recorded(backend: Backend) {
    let world = World::new(backend);
    let town = world.town();
    let unit = town.unit_in_service("FS-1", 0);
    let phone = Phone::new(&town, "technician");
    let boss = town.coordinator();
    assert_eq!(listed(boss, &phone), Vec::<Value>::new());
    let cases = not_recorded(&town, &phone, &unit);
    // Some in one request, so that they came at the same moment, and some one by one.
    phone.push(&cases[..5].iter().map(|(edit, _)| edit).collect::<Vec<_>>());
    for (edit, _) in &cases[5..] {
        phone.push(&[edit]);
    }
    let all = listed(boss, &phone);
    assert!(all.is_sorted_by_key(|item| item["received_at"].as_str().unwrap().to_owned()), "{all:?}");
    for limit in [1, 2, 3, 7, all.len(), all.len() + 1] {
        assert_eq!(boss.all(&path(&phone), limit), all, "{limit}");
    }
    let mut together = Vec::new();
    for (state, count) in [("parked", 3), ("refused", 7)] {
        let of_state = format!("{}?state={state}", path(&phone));
        let some = boss.all(&of_state, 2);
        assert!(some.len() == count && some.iter().all(|item| item["state"] == state), "{state}: {some:?}");
        together.extend(some);
        let cursor =
            boss.get(&format!("{of_state}&limit=1")).expect(200).json()["next"].as_str().unwrap().to_owned();
        boss.get(&format!("{}?cursor={cursor}", path(&phone))).problem(400, "cursor_invalid");
    }
    assert_eq!(ids(&together), ids(&all));
    boss.get(&format!("{}?state=held", path(&phone))).problem(400, "invalid_parameter");
    is_clean(&world.database);
}

/// Somebody with a role at some sites.
fn at(world: &World, town: &Town, role: &str, sites: &[&String]) -> Client {
    world.client(town.id, world.person(town.id, &[(role, json!(sites))]))
}

fn each_sees_what_is_theirs_to_see(backend: Backend) {
    let world = World::new(backend);
    let town = world.town();
    let [here, there] = [town.unit_in_service("FS-1", 0), town.unit_in_service("FS-2", 1)];
    let phone = Phone::new(&town, "technician").passed_to(&town.clients["custodian"]);
    let broken = |unit: &str, author: &str| {
        let edit = with(&phone.reading(unit, 5.0), "author", json!(town.people[author]));
        with(&edit, "stamp", json!("06GJPNV0000000000000"))
    };
    let unread = |unit: &str| with(&broken(unit, "custodian"), "format", json!(0));
    let edits = [
        broken(&here, "technician"),
        broken(&there, "custodian"),
        broken(&new_id(), "technician"),
        unread(&here),
    ];
    phone.push(&edits.iter().collect::<Vec<_>>());
    let sees = |client: &Client, expected: &[usize], who: &str| {
        let expected: BTreeSet<String> = expected.iter().map(|at| id_of(&edits[*at])).collect();
        assert_eq!(ids(&listed(client, &phone)), expected, "{who}");
        // However small the pages, those that may be seen fill them.
        let count = client.get(&format!("{}?limit=1", path(&phone))).expect(200).json()["items"]
            .as_array()
            .unwrap()
            .len();
        assert_eq!(count, expected.len().min(1), "{who}");
    };
    for role in ["coordinator", "planner", "auditor", "admin"] {
        sees(&town.clients[role], &[0, 1, 2, 3], role);
        sees(&at(&world, &town, role, &[&town.sites[0]]), &[0, 3], role);
        sees(&at(&world, &town, role, &[&town.sites[1]]), &[1], role);
    }
    // Whoever works with the handset, with a colleague, sees what they wrote.
    sees(&town.clients["technician"], &[0, 2], "technician");
    sees(&town.clients["custodian"], &[1, 3], "custodian");
    let boss = at(&world, &town, "coordinator", &[&town.sites[1]]);
    phone.passed_to(&boss);
    sees(&boss, &[1], "a coordinator who signed in and wrote nothing");
    for role in ["viewer", "integrator"] {
        town.clients[role].get(&path(&phone)).problem(404, "not_found");
    }
    let stranger = world.town();
    stranger.coordinator().get(&path(&phone)).problem(404, "not_found");
    town.coordinator().get(&format!("/v1/handsets/{}/edits", new_id())).problem(404, "not_found");
    is_clean(&world.database);
}

fn what_is_recorded_after_all_leaves_the_list(backend: Backend) {
    let world = World::new(backend);
    let town = world.town();
    let phone = Phone::new(&town, "coordinator");
    let unit = phone.new_unit("FS-9", &town.sites[0]);
    let parked = noted(&phone.reading(&id_of(&unit), 5.0), "by the gate");
    let good = phone.reading(&town.unit_in_service("FS-1", 0), 5.0);
    let broken = with(&good, "body", json!({"kind": "party"}));
    phone.push(&[&parked, &broken]);
    assert_eq!(ids(&listed(town.coordinator(), &phone)), BTreeSet::from([id_of(&parked), id_of(&broken)]));
    assert_eq!(phone.told(&[&unit, &good]), ["applied"; 2]);
    assert_eq!(listed(town.coordinator(), &phone), Vec::<Value>::new());
    is_clean(&world.database);
}

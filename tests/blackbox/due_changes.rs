//! Why a list of due items is not what it was.

use std::collections::BTreeMap;

use blackbox::{Backend, Client, World, none_failed, on_both, world::id_of};
use serde_json::{Value, json};

on_both!(
    time_and_what_was_recorded_are_told_apart,
    a_correction_of_long_ago_is_a_cause,
    what_many_units_are_folded_with_is_a_cause,
    a_unit_that_moves_comes_and_goes,
    only_what_may_be_seen_now_is_told,
    changes_lead_from_the_list_then_to_the_list_now,
    a_wrong_instant_is_refused,
);

const OIL: &str = "oil_change";

fn changes(client: &Client, query: &str) -> Vec<Value> {
    client.all(&format!("/v1/due/changes?{query}"), 2)
}

/// What a task was and is, whether by time, and the ids of what was recorded.
fn told(lines: &[Value], task: &str) -> Option<(Value, Value, bool, Vec<String>)> {
    let line = lines.iter().find(|line| line["task"] == task)?;
    let recorded = line["recorded"].as_array().unwrap();
    let ids = recorded.iter().map(|cause| cause["id"].as_str().unwrap().to_owned()).collect();
    Some((
        line["before"]["state"].clone(),
        line["after"]["state"].clone(),
        line["by_time"].as_bool().unwrap(),
        ids,
    ))
}

fn oil(meter_hours: f64) -> Value {
    json!({"kind": "service", "jobs": [{"job": OIL}], "meter_hours": meter_hours})
}

/// The first oil change is due a month after the commissioning of 2026-01-10, and is done ten days late.
fn time_and_what_was_recorded_are_told_apart(backend: Backend) {
    let mut world = World::at(backend, "2026-01-12T12:00:00Z");
    let mut town = world.town();
    let unit = town.unit_in_service("FS-3", 0);
    world.restart_at("2026-02-12T12:00:00Z");
    world.reach(&mut town);
    let since = |at: &str| changes(town.coordinator(), &format!("since={at}&unit={unit}"));
    assert_eq!(
        told(&since("2026-01-13T12:00:00Z"), OIL),
        Some((json!("ok"), json!("overdue"), true, vec![]))
    );
    assert_eq!(
        told(&since("2026-02-10T12:00:00Z"), OIL),
        Some((json!("due"), json!("overdue"), true, vec![]))
    );
    assert_eq!(since("2026-02-12T11:59:00Z"), Vec::<Value>::new());

    world.restart_at("2026-02-20T12:00:00Z");
    world.reach(&mut town);
    let done = id_of(&town.happened(&unit, "2026-02-20T11:00:00Z", oil(15.0)));
    let since = |at: &str| changes(town.coordinator(), &format!("since={at}&unit={unit}"));
    // Time alone changed nothing since the day before, and would have left it due for long since the month before.
    let alone = told(&since("2026-02-19T12:00:00Z"), OIL).unwrap();
    assert_eq!(alone, (json!("overdue"), json!("ok"), false, vec![done.clone()]));
    let both = told(&since("2026-02-01T12:00:00Z"), OIL).unwrap();
    assert_eq!((both.1, both.2, both.3), (json!("ok"), true, vec![done]));
    // What left a state is told to those who ask for that state.
    let overdue = changes(town.coordinator(), "since=2026-02-19T12:00:00Z&state=overdue");
    assert_eq!(told(&overdue, OIL).unwrap().0, "overdue");
    assert!(changes(town.coordinator(), "since=2026-02-19T12:00:00Z&state=deferred").is_empty());
}

fn a_correction_of_long_ago_is_a_cause(backend: Backend) {
    let mut world = World::at(backend, "2026-02-06T12:00:00Z");
    let mut town = world.town();
    let unit = town.unit_in_service("FS-3", 0);
    let done = id_of(&town.happened(&unit, "2026-02-05T12:00:00Z", oil(15.0)));
    world.restart_at("2026-03-01T12:00:00Z");
    world.reach(&mut town);
    let void =
        json!({"kind": "correction", "action": "void", "target_id": done, "reason": "of another unit"});
    let void = town.happened(&unit, "2026-02-28T12:00:00Z", void);
    let lines = changes(town.coordinator(), "since=2026-02-28T12:00:00Z");
    assert_eq!(told(&lines, OIL), Some((json!("ok"), json!("overdue"), false, vec![id_of(&void)])));
    let cause = &lines.iter().find(|line| line["task"] == OIL).unwrap()["recorded"][0];
    assert_eq!(cause["what"], "service_event");
    assert_eq!(cause["kind"], "correction");
    assert_eq!(cause["occurred"], "2026-02-28T12:00:00Z");
    assert_eq!(cause["recorded_at"], void["recorded_at"]);
    assert_eq!(cause["author"], json!(town.people["coordinator"].to_string()));
}

/// An edition adopted for a model puts items on the list; the zone of a site moves their dates.
fn what_many_units_are_folded_with_is_a_cause(backend: Backend) {
    let mut world = World::at(backend, "2026-06-01T12:00:00Z");
    let mut town = world.town();
    town.unit_of_model("FS-7", "2026-05-20T10:00:00-06:00");
    world.restart_at("2026-06-02T12:00:00Z");
    world.reach(&mut town);
    let adoption = id_of(&town.adopted_for_model("2026-05-20T10:00:00-06:00"));
    let lines = changes(town.coordinator(), "since=2026-06-01T13:00:00Z");
    let oil = lines.iter().find(|line| line["task"] == OIL).unwrap();
    assert!(oil.get("before").is_none() && oil["after"]["state"] == "ok", "{oil}");
    assert_eq!(oil["recorded"][0]["id"], json!(adoption));
    assert_eq!(oil["edition_id"], json!(town.edition));

    world.restart_at("2026-06-03T12:00:00Z");
    world.reach(&mut town);
    town.rezone("Asia/Kathmandu");
    let lines = changes(town.coordinator(), "since=2026-06-02T13:00:00Z");
    let oil = lines.iter().find(|line| line["task"] == OIL).unwrap();
    assert_ne!(oil["before"]["due_at"], oil["after"]["due_at"]);
    assert_eq!(
        (&oil["recorded"][0]["what"], &oil["recorded"][0]["id"]),
        (&json!("site"), &json!(town.sites[0]))
    );
}

fn a_unit_that_moves_comes_and_goes(backend: Backend) {
    let mut world = World::at(backend, "2026-01-12T12:00:00Z");
    let mut town = world.town();
    let unit = town.unit_in_service("FS-3", 0);
    let shelter = town.sites[1].clone();
    world.restart_at("2026-01-14T12:00:00Z");
    world.reach(&mut town);
    town.happened(&unit, "2026-01-14T11:00:00Z", json!({"kind": "placement", "site_id": shelter}));
    let of =
        |client: &Client, site: &str, since: &str| changes(client, &format!("since={since}&site={site}"));
    let come = of(town.coordinator(), &shelter, "2026-01-13T12:00:00Z");
    assert!(come.len() == 3 && come.iter().all(|line| line.get("before").is_none()), "{come:?}");
    // It stays on the list of its home, where a day begins an hour later than at the shelter.
    let stays = of(town.coordinator(), &town.sites[0], "2026-01-13T12:00:00Z");
    let oil = stays.iter().find(|line| line["task"] == OIL).unwrap();
    let due = (&oil["before"]["due_at"], &oil["after"]["due_at"]);
    assert_eq!(due, (&json!("2026-02-10T07:00:00Z"), &json!("2026-02-10T06:00:00Z")));

    world.restart_at("2026-01-16T12:00:00Z");
    world.reach(&mut town);
    let back = json!({"kind": "placement", "site_id": town.sites[0]});
    let back = id_of(&town.happened(&unit, "2026-01-16T11:00:00Z", back));
    let gone = of(town.coordinator(), &shelter, "2026-01-15T12:00:00Z");
    assert!(gone.len() == 3 && gone.iter().all(|line| line.get("after").is_none()), "{gone:?}");
    assert_eq!(gone[0]["recorded"][0]["id"], json!(back));
    assert_eq!((&gone[0]["unit_label"], &gone[0]["edition_id"]), (&json!("FS-3"), &json!(town.edition)));
}

fn only_what_may_be_seen_now_is_told(backend: Backend) {
    let world = World::at(backend, "2026-02-12T12:00:00Z");
    let town = world.town();
    let (ours, theirs) = (town.unit_in_service("FS-3", 0), town.unit_in_service("SH-1", 1));
    let technician = world.client(town.id, world.person(town.id, &[("technician", json!([town.sites[0]]))]));
    let units = |lines: Vec<Value>| -> Vec<String> {
        let mut units: Vec<String> =
            lines.iter().map(|line| line["unit_id"].as_str().unwrap().to_owned()).collect();
        units.dedup();
        units
    };
    let since = "since=2026-02-01T12:00:00Z";
    assert_eq!(units(changes(&technician, since)), [ours]);
    assert!(changes(&technician, &format!("{since}&unit={theirs}")).is_empty());
    assert!(changes(&technician, &format!("{since}&site={}", town.sites[1])).is_empty());
    let stranger = world.town();
    assert!(changes(stranger.coordinator(), since).is_empty());
    world.service.client("no token").get(&format!("/v1/due/changes?{since}")).problem(401, "unauthenticated");
}

/// Whoever has the list of then and the changes has the list of now.
fn changes_lead_from_the_list_then_to_the_list_now(backend: Backend) {
    let mut world = World::at(backend, "2026-02-06T12:00:00Z");
    let mut town = world.town();
    let units: Vec<String> = (0..4).map(|n| town.unit_in_service(&format!("U-{n}"), n % 2)).collect();
    let done = id_of(&town.happened(&units[0], "2026-02-05T12:00:00Z", oil(15.0)));
    world.restart_at("2026-02-20T12:00:00Z");
    world.reach(&mut town);
    town.happened(&units[1], "2026-02-15T12:00:00Z", oil(12.0));
    let void = json!({"kind": "correction", "action": "void", "target_id": done, "reason": "not done"});
    town.happened(&units[0], "2026-02-19T12:00:00Z", void);
    town.happened(&units[2], "2026-02-19T12:00:00Z", json!({"kind": "placement", "site_id": town.sites[1]}));
    town.happened(&units[3], "2026-02-19T12:00:00Z", json!({"kind": "reading", "meter_hours": 300.0}));
    let client = town.coordinator();
    let mut failures = Vec::new();
    for since in ["2026-02-06T12:10:00Z", "2026-02-10T06:00:00Z", "2026-02-20T11:00:00Z"] {
        for filter in ["", "&task=oil_change", "&unit=", "&site="] {
            let filter = match filter {
                "&unit=" => format!("&unit={}", units[0]),
                "&site=" => format!("&site={}", town.sites[1]),
                other => other.to_owned(),
            };
            let mut list = listed(client, &format!("valid_at={since}&known_at={since}{filter}"));
            for change in changes(client, &format!("since={since}{filter}")) {
                let key = key(&change);
                let found = list.remove(&key).unwrap_or(Value::Null);
                let before = change.get("before").cloned().unwrap_or(Value::Null);
                if found != before {
                    failures.push(format!("{since}{filter} {key:?}: {found} on the list, {before} told"));
                }
                if let Some(after) = change.get("after") {
                    list.insert(key, after.clone());
                }
            }
            let now = listed(client, filter.trim_start_matches('&'));
            if list != now {
                failures.push(format!("{since}{filter}: {list:?} is not {now:?}"));
            }
        }
    }
    none_failed(&failures);
    let whole = client.get("/v1/due/changes?since=2026-02-06T12:10:00Z&limit=500").expect(200).json();
    let paged = changes(client, "since=2026-02-06T12:10:00Z");
    assert_eq!(json!(paged), whole["items"]);
    assert!(whole["since_seq"].as_i64() < whole["known_seq"].as_i64());
}

type Key = (String, String, String);

fn key(line: &Value) -> Key {
    let text = |name: &str| line[name].as_str().unwrap().to_owned();
    (text("unit_id"), text("schedule_id"), text("task"))
}

/// A list, each item as the changes tell it.
fn listed(client: &Client, query: &str) -> BTreeMap<Key, Value> {
    let item = |line: &Value| {
        let mut item = json!({"state": line["state"]});
        for member in ["reason", "due_at"] {
            if let Some(value) = line.get(member) {
                item[member] = value.clone();
            }
        }
        (key(line), item)
    };
    client.all(&format!("/v1/due?{query}"), 500).iter().map(item).collect()
}

fn a_wrong_instant_is_refused(backend: Backend) {
    let world = World::at(backend, "2026-02-12T12:00:00Z");
    let town = world.town();
    let client = town.coordinator();
    let mut failures = Vec::new();
    for (query, code) in [
        ("", "required"),
        ("?since=yesterday", "invalid_instant"),
        ("?since=2026-02-11T12:00:00", "offset_required"),
        ("?since=2026-02-12T13:00:00Z", "in_future"),
    ] {
        let reply = client.get(&format!("/v1/due/changes{query}"));
        reply.problem(400, "invalid_parameter");
        if reply.errors()[0] != ("since".to_owned(), code.to_owned()) {
            failures.push(format!("{query}: {:?}", reply.errors()));
        }
    }
    none_failed(&failures);
    // Before anything was recorded the list was empty.
    let unit = town.unit_in_service("FS-3", 0);
    let lines = changes(client, &format!("since=2020-01-01T00:00:00Z&unit={unit}"));
    assert!(lines.len() == 3 && lines.iter().all(|line| line.get("before").is_none()), "{lines:?}");
}

//! What was due at another time, and what anybody could have known of it then.

mod mixed_up;

use blackbox::{
    Backend, Client, Direct, Town, World,
    direct::{self, create},
    none_failed, on_both,
    world::{fresh, id_of},
};
use model::{Instant, edit::Target};
use serde_json::{Value, json};
use store::Command;

on_both!(
    both_columns_stay_answerable,
    what_came_later_is_left_out_but_corrections_count,
    what_units_are_folded_with_is_as_it_was_known,
    a_list_ahead_tells_what_will_be_due,
    a_loan_is_on_both_lists,
    permission_is_that_of_now,
    too_many_units_are_refused,
    pages_keep_to_what_was_known,
);

/// The item of a task on a unit, at a moment.
fn item(client: &Client, unit: &str, task: &str, moment: &str) -> Value {
    let due = client.get(&format!("/v1/units/{unit}/due?{moment}")).expect(200).json();
    let items = due["items"].as_array().unwrap();
    items.iter().find(|item| item["task"] == task).unwrap_or_else(|| panic!("no {task} in {due}")).clone()
}

/// The states of a task on a list, by unit.
fn listed(client: &Client, query: &str) -> Vec<(String, String)> {
    let text = |line: &Value, name: &str| line[name].as_str().unwrap().to_owned();
    let lines = client.all(&format!("/v1/due?{query}"), 2);
    lines.iter().map(|line| (text(line, "unit_id"), text(line, "state"))).collect()
}

/// Worked example B15: limit 240, and a service at 239.0 on 05-02 that is recorded on 05-09. Its figures: limit, state,
/// hours left. The reading of 05-10 was not known on 05-05; at half an hour a day, the least to reckon with, the set has
/// come to the same 247.0 h in the four days between.
fn both_columns_stay_answerable(backend: Backend) {
    let mut world = World::at(backend, "2025-05-01T12:00:00Z");
    let mut town = world.town();
    let edition = json!({"edition": "B", "effective_from": "2025-01-01", "source": "invented", "tasks": [
        {"task": "oil_change", "job": "oil_change", "title": "Change the oil", "limits": {"hours": 100, "months": 12}}]});
    let editions = format!("/v1/schedules/{}/editions", town.schedule);
    town.edition = id_of(&town.coordinator().post(&editions, &edition).expect(201).json());
    let unit = town.unit("FS-3");
    let commissioning = json!({"kind": "commissioning", "site_id": town.sites[0], "engine_hours": 140});
    town.happened(&unit, "2025-01-10T10:00:00-07:00", commissioning);
    town.happened(&unit, "2025-01-10T10:00:00-07:00", town.adoption());
    let oil = json!({"kind": "service", "jobs": [{"job": "oil_change"}], "meter_hours": 239.0});
    let (fifth, tenth) = ("2025-05-05T23:59:59-06:00", "2025-05-10T00:00:00-06:00");
    for (clock, at, event) in [
        (fifth, fifth, json!({"kind": "reading", "meter_hours": 245.0})),
        ("2025-05-09T15:00:00Z", "2025-05-02T10:00:00-06:00", oil),
        (tenth, tenth, json!({"kind": "reading", "meter_hours": 247.0})),
    ] {
        world.restart_at(clock);
        world.reach(&mut town);
        town.happened(&unit, at, event);
    }
    let mut failures = Vec::new();
    for clock in ["2025-05-10T15:00:00Z", "2027-02-01T00:00:00Z"] {
        world.restart_at(clock);
        world.reach(&mut town);
        for (valid, known, limit, state, left) in [
            (fifth, "2025-05-06T06:30:00Z", 240.0, "overdue", -5.0),
            (fifth, "2025-05-10T06:30:00Z", 339.0, "ok", 94.0),
            (tenth, "2025-05-06T06:30:00Z", 240.0, "overdue", -7.0),
            (tenth, "2025-05-10T06:30:00Z", 339.0, "ok", 92.0),
        ] {
            let moment = format!("valid_at={valid}&known_at={known}");
            let client = town.coordinator();
            let found = item(client, &unit, "oil_change", &moment);
            let hours = |name: &str| found["hours"][name].as_f64();
            let figures = (hours("limit_hours"), &found["state"], hours("left_hours"));
            let lines = listed(client, &format!("unit={unit}&{moment}"));
            let summary = client.get(&format!("/v1/due/by-site?unit={unit}&{moment}")).expect(200).json();
            if figures != (Some(limit), &json!(state), Some(left))
                || lines != [(unit.clone(), state.to_owned())]
                || summary["items"][0]["states"][state] != 1
            {
                failures.push(format!("at {clock}, {moment}: {found}; listed {lines:?}; {summary}"));
            }
        }
    }
    none_failed(&failures);
}

/// Of an instant that has passed, what came after it is left out, but a correction counts by when it was recorded.
fn what_came_later_is_left_out_but_corrections_count(backend: Backend) {
    let mut world = World::at(backend, "2026-03-01T12:00:00Z");
    let mut town = world.town();
    let unit = town.unit_in_service("FS-3", 0);
    let oil = json!({"kind": "service", "jobs": [{"job": "oil_change"}], "meter_hours": 15.0});
    let done = town.happened(&unit, "2026-02-05T12:00:00Z", oil.clone());
    world.restart_at("2026-06-01T12:00:00Z");
    world.reach(&mut town);
    let later = json!({"kind": "service", "jobs": [{"job": "oil_change"}], "meter_hours": 90.0});
    town.happened(&unit, "2026-05-20T12:00:00Z", later);
    town.happened(
        &unit,
        "2026-05-21T12:00:00Z",
        json!({"kind": "correction", "action": "void", "target_id": done["id"], "reason": "not done"}),
    );
    let client = town.coordinator();
    let limit = |moment: &str| {
        let found = item(client, &unit, "oil_change", moment);
        found["hours"]["limit_hours"].as_f64().unwrap()
    };
    // Now the later service anchors; in March it had not happened, and the voided one never did.
    assert_eq!(limit(""), 190.0);
    assert_eq!(limit("valid_at=2026-03-01T12:00:00Z"), 20.0);
    assert_eq!(limit("valid_at=2026-03-01T12:00:00Z&known_at=2026-03-02T00:00:00Z"), 115.0);
    // What was known in March says nothing of May: the reading that went with the voided service is the last.
    assert_eq!(limit("known_at=2026-03-02T00:00:00Z"), 115.0);
    let first = client.get(&format!("/v1/units/{unit}/due?known_at=2026-03-02T00:00:00Z")).expect(200).json();
    let whole = client.get(&format!("/v1/units/{unit}/due?known_at=2030-01-01T00:00:00Z")).expect(200).json();
    assert!(first["known_seq"].as_i64() < whole["known_seq"].as_i64(), "{first} {whole}");
    assert_eq!(first["known_at"], "2026-03-02T00:00:00Z");
    // Before the unit was recorded there was none, and nothing to list.
    client.get(&format!("/v1/units/{unit}/due?known_at=2026-02-01T00:00:00Z")).problem(404, "not_found");
    assert_eq!(listed(client, "known_at=2026-02-01T00:00:00Z"), []);
    let wrong = client.get(&format!("/v1/units/{unit}/due?valid_at=2026-03-01T12:00:00"));
    wrong.problem(400, "invalid_parameter");
    assert_eq!(wrong.errors()[0], ("valid_at".to_owned(), "offset_required".to_owned()));
}

/// Zones, editions adopted for a model, and fields are those that were known.
fn what_units_are_folded_with_is_as_it_was_known(backend: Backend) {
    let mut world = World::at(backend, "2026-06-01T12:00:00Z");
    let mut town = world.town();
    let unit = town.unit_of_model("FS-7", "2026-01-10T10:00:00-07:00");
    world.restart_at("2026-06-02T12:00:00Z");
    world.reach(&mut town);
    town.adopted_for_model("2026-01-10T10:00:00-07:00");
    world.restart_at("2026-06-03T12:00:00Z");
    world.reach(&mut town);
    town.rezone("Asia/Kathmandu");
    let client = town.coordinator();
    let due_at = |known: &str| {
        let moment = format!("valid_at=2026-06-03T13:00:00Z&known_at={known}");
        let due = client.get(&format!("/v1/units/{unit}/due?{moment}")).expect(200).json();
        due["items"].as_array().unwrap().first().map(|item| item["due_at"].clone())
    };
    assert_eq!(due_at("2026-06-01T13:00:00Z"), None, "the model had no schedule yet");
    // One month after 2026-01-10, from midnight at the site.
    assert_eq!(due_at("2026-06-02T13:00:00Z"), Some(json!("2026-02-10T07:00:00Z")));
    assert_eq!(due_at("2026-06-03T13:00:00Z"), Some(json!("2026-02-09T18:15:00Z")));
    assert_eq!(listed(client, "known_at=2026-06-01T13:00:00Z"), []);
    assert_eq!(
        listed(client, "known_at=2026-06-02T13:00:00Z&task=oil_change"),
        [(unit, "overdue".to_owned())]
    );
}

fn a_list_ahead_tells_what_will_be_due(backend: Backend) {
    let world = World::new(backend);
    let town = world.town();
    let unit = town.unit_in_service("FS-3", 0);
    let oil = json!({"kind": "service", "jobs": [{"job": "oil_change"}], "meter_hours": 19});
    town.happened(&unit, "2026-06-10T12:00:00Z", oil);
    let client = town.coordinator();
    let mut failures = Vec::new();
    let mut seen = std::collections::BTreeSet::new();
    for at in [
        "2026-06-15T13:00:00Z",
        "2026-12-01T00:00:00Z",
        "2026-12-10T07:00:00Z",
        "2027-12-10T07:00:00Z",
        "2199-01-01T00:00:00Z",
    ] {
        let lines = listed(client, &format!("task=oil_change&valid_at={at}"));
        let single = item(client, &unit, "oil_change", &format!("valid_at={at}"));
        if lines.len() != 1 || single["state"] != lines[0].1 {
            failures.push(format!("at {at}: {lines:?}, {single}"));
        }
        seen.extend(lines.into_iter().map(|(_, state)| state));
    }
    none_failed(&failures);
    assert!(["ok", "coming_due", "overdue"].iter().all(|state| seen.contains(*state)), "{seen:?}");
}

/// Worked example A18, its lists: FS-3 is lent to SH-1 from 2025-09-01 to 09-20, and what falls due there on 09-10 goes
/// to SH-1, with a copy to FS-3.
fn a_loan_is_on_both_lists(backend: Backend) {
    let world = World::at(backend, "2025-10-01T12:00:00Z");
    let town = world.town();
    let unit = town.unit("FS-3");
    let [home, shelter] = &town.sites;
    town.happened(
        &unit,
        "2025-08-10T10:00:00-06:00",
        json!({"kind": "commissioning", "site_id": home, "meter_hours": 0}),
    );
    town.happened(&unit, "2025-08-10T10:00:00-06:00", town.adoption());
    for (at, site) in [("2025-09-01T09:00:00-05:00", shelter), ("2025-09-20T09:00:00-06:00", home)] {
        town.happened(&unit, at, json!({"kind": "placement", "site_id": site}));
    }
    let client = town.coordinator();
    let copies = |site: &str, moment: &str| -> Vec<bool> {
        let lines = client.all(&format!("/v1/due?task=oil_change&site={site}{moment}"), 500);
        lines.iter().map(|line| line.get("copy").is_some_and(|copy| copy == true)).collect()
    };
    let then = "&state=due&valid_at=2025-09-10T12:00:00-05:00";
    assert_eq!((copies(shelter, then), copies(home, then)), (vec![false], vec![true]));
    // It is back at home now, and on no list of the shelter's.
    assert_eq!((copies(shelter, ""), copies(home, "")), (vec![], vec![false]));
}

fn permission_is_that_of_now(backend: Backend) {
    let mut world = World::at(backend, "2026-06-01T12:00:00Z");
    let mut town = world.town();
    let unit = town.unit_in_service("FS-3", 0);
    let of_site = |world: &World, town: &Town, site: usize| {
        world.client(town.id, world.person(town.id, &[("custodian", json!([town.sites[site]]))]))
    };
    let moment = "valid_at=2026-06-01T13:00:00Z&known_at=2026-06-01T13:00:00Z";
    world.restart_at("2026-06-10T12:00:00Z");
    world.reach(&mut town);
    let home = json!({"home_site_id": town.sites[1]});
    let path = format!("/v1/units/{unit}");
    let client = town.coordinator();
    client.patch(&path, &client.get(&path).expect(200).etag(), &home).expect(200);
    town.happened(&unit, "2026-06-09T12:00:00Z", json!({"kind": "placement", "site_id": town.sites[1]}));
    let (before, after) = (of_site(&world, &town, 0), of_site(&world, &town, 1));
    before.get(&format!("/v1/units/{unit}/due?{moment}")).problem(404, "not_found");
    assert_eq!(listed(&before, moment), []);
    // Those who have it now see the record as it was, at the site where it was.
    let due = after.get(&format!("/v1/units/{unit}/due?{moment}")).expect(200).json();
    assert_eq!(due["standing_site_id"], town.sites[0]);
    assert_eq!(listed(&after, moment).len(), 3);
}

fn more_units(world: &World, town: &Town, site: usize, many: usize) {
    let unit = |n| {
        let fields =
            json!({"label": format!("More {n}"), "home_site_id": town.sites[site], "fuel": "petrol"});
        create(Target::Unit(fresh::<model::id::kind::Unit>()), &fields)
    };
    let edits = (0..many).map(unit).collect();
    let now = Instant::parse("2026-01-01T00:00:00Z").unwrap();
    Direct::open(&world.database, 2).apply(Command { now, ..direct::command(town.id, edits) });
}

fn too_many_units_are_refused(backend: Backend) {
    let world = World::new(backend);
    let town = world.town();
    let unit = town.unit_in_service("FS-3", 0);
    more_units(&world, &town, 1, 200);
    let client = town.coordinator();
    let moment = "valid_at=2026-06-01T12:00:00Z";
    for path in ["/v1/due", "/v1/due/by-site"] {
        client.get(&format!("{path}?{moment}")).problem(422, "too_many_units");
        client.get(&format!("{path}?known_at=2026-06-01T12:00:00Z")).problem(422, "too_many_units");
        // Ahead nothing is folded.
        client.get(&format!("{path}?valid_at=2027-01-01T00:00:00Z")).expect(200);
    }
    assert_eq!(listed(client, &format!("{moment}&site={}", town.sites[0])).len(), 3);
    assert_eq!(listed(client, &format!("{moment}&site={}", town.sites[1])).len(), 0);
    assert_eq!(listed(client, &format!("{moment}&unit={unit}")).len(), 3);
}

fn pages_keep_to_what_was_known(backend: Backend) {
    let world = World::new(backend);
    let town = world.town();
    let units: Vec<String> = (0..3).map(|n| town.unit_in_service(&format!("U-{n}"), 0)).collect();
    let client = town.coordinator();
    let path = "/v1/due?valid_at=2026-06-01T12:00:00Z";
    let whole = client.all(path, 500);
    let first = client.get(&format!("{path}&limit=2")).expect(200).json();
    // Recorded late, while the pages are turned: it counts for the past.
    for unit in &units {
        let oil = json!({"kind": "service", "jobs": [{"job": "oil_change"}], "meter_hours": 19});
        town.happened(unit, "2026-05-20T12:00:00Z", oil);
    }
    let mut lines = first["items"].as_array().unwrap().clone();
    let mut next = first["next"].as_str().map(str::to_owned);
    while let Some(cursor) = next {
        let page = client.get(&format!("{path}&limit=2&cursor={cursor}")).expect(200).json();
        assert_eq!(page["known_seq"], first["known_seq"]);
        lines.extend(page["items"].as_array().unwrap().clone());
        next = page["next"].as_str().map(str::to_owned);
    }
    assert_eq!(lines, whole);
    assert_ne!(client.all(path, 500), whole, "the late events count in a new list");
}

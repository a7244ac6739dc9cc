//! Who ran in an incident, and how long.

use blackbox::{Backend, Client, Town, World, on_both, world::id_of};
use serde_json::{Value, json};

use super::{incident, with};

on_both!(
    runs_are_cut_to_the_incident,
    corrections_count,
    open_runs_go_on_until_now,
    a_unit_counts_where_it_stood,
    who_sees_what,
    the_same_as_a_table,
    what_is_wrong_is_named,
);

/// An incident of two days, at the first site.
fn storm(town: &Town) -> Value {
    with(incident(), &json!({"site_ids": [town.sites[0]], "ended_at": "2026-06-12T04:00:00Z"}))
}

fn made(town: &Town, body: &Value) -> String {
    id_of(&town.coordinator().post("/v1/incidents", body).expect(201).json())
}

fn pack(client: &Client, incident: &str) -> Value {
    client.get(&format!("/v1/incidents/{incident}/hours-pack")).expect(200).json()
}

fn run(town: &Town, unit: &str, from: &str, until: &str, reason: &str) -> String {
    id_of(&town.happened(unit, from, json!({"kind": "run", "stopped_at": until, "reason": reason})))
}

/// From, until and purpose of each run.
fn told(pack: &Value) -> Vec<(&str, &str, &str)> {
    let runs = pack["runs"].as_array().unwrap().iter();
    runs.map(|run| {
        let member = |name: &str| run[name].as_str().unwrap_or("");
        (member("from"), member("until"), member("reason"))
    })
    .collect()
}

fn runs_are_cut_to_the_incident(backend: Backend) {
    let world = World::new(backend);
    let town = world.town();
    let (one, other) = (town.unit_in_service("FS-1", 0), town.unit_in_service("FS-2", 0));
    let incident = made(&town, &storm(&town));
    let empty = pack(town.coordinator(), &incident);
    assert_eq!(
        (&empty["runs"], &empty["sum"]["hours"], &empty["sum"]["complete"]),
        (&json!([]), &json!(0.0), &json!(true))
    );
    run(&town, &one, "2026-06-10T02:00:00Z", "2026-06-10T08:00:00Z", "emergency");
    run(&town, &one, "2026-06-10T20:00:00Z", "2026-06-10T22:30:00Z", "emergency");
    run(&town, &one, "2026-06-10T23:00:00Z", "2026-06-10T23:30:00Z", "test");
    run(&town, &other, "2026-06-12T03:00:00Z", "2026-06-12T06:00:00Z", "emergency");
    // Before it, and from its very end on.
    run(&town, &other, "2026-06-09T03:00:00Z", "2026-06-10T04:00:00Z", "test");
    run(&town, &one, "2026-06-12T04:00:00Z", "2026-06-12T05:00:00Z", "emergency");
    let found = pack(town.coordinator(), &incident);
    let expected = [
        ("2026-06-10T04:00:00Z", "2026-06-10T08:00:00Z", "emergency"),
        ("2026-06-10T20:00:00Z", "2026-06-10T22:30:00Z", "emergency"),
        ("2026-06-10T23:00:00Z", "2026-06-10T23:30:00Z", "test"),
        ("2026-06-12T03:00:00Z", "2026-06-12T04:00:00Z", "emergency"),
    ];
    assert_eq!(told(&found), expected);
    let parts: Vec<&Value> = found["runs"].as_array().unwrap().iter().map(|run| &run["is_part"]).collect();
    assert_eq!(parts, [true, false, false, true]);
    assert!(
        found["runs"].as_array().unwrap().iter().all(|run| run["grade"] == "A" && run["goes_on"] == false)
    );
    let of = |unit: &str| {
        found["sum"]["units"].as_array().unwrap().iter().find(|sum| sum["unit_id"] == unit).unwrap().clone()
    };
    assert_eq!(of(&one)["hours"], 7.0);
    assert_eq!(
        of(&one)["by_reason"],
        json!([{"reason": "emergency", "hours": 6.5}, {"reason": "test", "hours": 0.5}])
    );
    assert_eq!(of(&other)["hours"], 1.0);
    assert_eq!(found["sum"]["hours"], 8.0);
    // No event tells what they burned: it is asked for, and not guessed.
    assert_eq!(found["sum"]["complete"], false);
    let asked: Vec<&Value> = found["missing"].as_array().unwrap().iter().map(|one| &one["pointer"]).collect();
    assert_eq!(asked, ["/runs/0/litres", "/runs/1/litres", "/runs/2/litres", "/runs/3/litres"]);
    assert_eq!(
        found["trace"][0],
        json!({"code": "window", "from": "2026-06-10T04:00:00Z", "until": "2026-06-12T04:00:00Z", "open": false})
    );
    assert_eq!(found["cautions"], json!([]), "nothing runs any more");
    // Two records of one run count once, and are named.
    run(&town, &one, "2026-06-10T20:30:00Z", "2026-06-10T22:30:00Z", "emergency");
    let twice = pack(town.coordinator(), &incident);
    assert_eq!(twice["sum"]["hours"], 8.0);
    assert_eq!(
        twice["sum"]["units"]
            .as_array()
            .unwrap()
            .iter()
            .flat_map(|unit| unit["overlaps"].as_array().unwrap())
            .count(),
        1
    );
}

fn corrections_count(backend: Backend) {
    let world = World::new(backend);
    let town = world.town();
    let (unit, other) = (town.unit_in_service("FS-1", 0), town.unit_in_service("FS-2", 0));
    let incident = made(&town, &storm(&town));
    let slip = run(&town, &unit, "2026-06-10T06:00:00Z", "2026-06-10T07:00:00Z", "emergency");
    let wrong = run(&town, &unit, "2026-06-10T10:00:00Z", "2026-06-10T20:00:00Z", "emergency");
    let moved = run(&town, &unit, "2026-06-11T10:00:00Z", "2026-06-11T11:00:00Z", "emergency");
    let correct = |what: Value| {
        let correction = with(json!({"kind": "correction", "reason": "a slip"}), &what);
        town.happened(&unit, "2026-06-13T10:00:00Z", correction)
    };
    correct(json!({"action": "void", "target_id": slip}));
    let replacement = json!({"kind": "run", "occurred_at": "2026-06-10T10:00:00Z", "stopped_at": "2026-06-10T12:00:00Z", "reason": "test"});
    correct(json!({"action": "amend", "target_id": wrong, "replacement": replacement}));
    correct(json!({"action": "reassign", "target_id": moved, "to_unit_id": other}));
    let found = pack(town.coordinator(), &incident);
    assert_eq!(
        told(&found),
        [
            ("2026-06-10T10:00:00Z", "2026-06-10T12:00:00Z", "test"),
            ("2026-06-11T10:00:00Z", "2026-06-11T11:00:00Z", "emergency")
        ]
    );
    assert_eq!((&found["runs"][0]["unit_id"], &found["runs"][1]["unit_id"]), (&json!(unit), &json!(other)));
    // By what was known before they were corrected it was another.
    let recorded = town.coordinator().get(&format!("/v1/service-events/{moved}")).expect(200).json();
    let then = recorded["recorded_at"].as_str().unwrap();
    let path = format!("/v1/incidents/{incident}/hours-pack?known_at={then}");
    let then = town.coordinator().get(&path).expect(200).json();
    assert_eq!(then["sum"]["hours"], 12.0);
    assert!(then["known_seq"].is_number());
}

fn open_runs_go_on_until_now(backend: Backend) {
    let world = World::new(backend);
    let town = world.town();
    let (unit, other) = (town.unit_in_service("FS-1", 0), town.unit_in_service("FS-2", 0));
    let open = made(&town, &incident());
    let begun = town.happened(
        &unit,
        "2026-06-11T04:00:00Z",
        json!({"kind": "run", "phase": "start", "reason": "emergency"}),
    );
    // Of this one the stop is missing: another began.
    town.happened(&other, "2026-06-11T04:00:00Z", json!({"kind": "run", "phase": "start"}));
    run(&town, &other, "2026-06-11T08:00:00Z", "2026-06-11T09:00:00Z", "emergency");
    let found = pack(town.coordinator(), &open);
    let runs = found["runs"].as_array().unwrap();
    let of = |unit: &str| runs.iter().find(|run| run["unit_id"] == unit).unwrap();
    assert_eq!((&of(&unit)["goes_on"], &of(&unit)["grade"]), (&json!(true), &json!("C")));
    assert_eq!(of(&unit)["until"], found["as_of"]);
    assert!(of(&other).get("until").is_none() && of(&other)["grade"] == "D");
    let codes: Vec<&str> =
        found["trace"].as_array().unwrap().iter().map(|one| one["code"].as_str().unwrap()).collect();
    assert_eq!(codes, ["window", "all_sites", "units_looked_at", "goes_on", "stop_missing"]);
    let asked: Vec<&str> =
        found["missing"].as_array().unwrap().iter().map(|one| one["pointer"].as_str().unwrap()).collect();
    assert!(asked.contains(&"/runs/1/until") && asked.contains(&"/runs/1/reason"), "{asked:?}");
    assert!(found["cautions"].as_array().unwrap().iter().any(|one| one["caution"] == "carbon_monoxide"));
    // Stopped, it is measured, and what was let wait stands beside it.
    town.happened(
        &unit,
        "2026-06-11T10:00:00Z",
        json!({"kind": "run", "phase": "stop", "run_id": id_of(&begun)}),
    );
    let deferral = json!({"kind": "deferral", "schedule_id": town.schedule, "task": "oil_change", "until_date": "2026-06-20",
        "authorised_by": town.people["planner"], "reason": "The storm goes on"});
    let deferral = id_of(&town.happened(&unit, "2026-06-11T12:00:00Z", deferral));
    let found = pack(town.coordinator(), &open);
    let stopped = found["runs"].as_array().unwrap().iter().find(|run| run["unit_id"] == unit).unwrap();
    assert_eq!((&stopped["until"], &stopped["grade"]), (&json!("2026-06-11T10:00:00Z"), &json!("A")));
    assert_eq!(found["deferrals"].as_array().unwrap().len(), 1);
    let told = &found["deferrals"][0];
    assert_eq!(
        (&told["event_id"], &told["task"], &told["until_date"]),
        (&json!(deferral), &json!("oil_change"), &json!("2026-06-20"))
    );
    assert!(told.get("reason").is_none(), "private text stays with the event");
}

fn a_unit_counts_where_it_stood(backend: Backend) {
    let world = World::new(backend);
    let town = world.town();
    let unit = town.unit_in_service("FS-1", 0);
    let here = made(&town, &storm(&town));
    let there = made(&town, &with(storm(&town), &json!({"site_ids": [town.sites[1]]})));
    let both = made(&town, &with(storm(&town), &json!({"site_ids": null})));
    // Moved while it ran.
    run(&town, &unit, "2026-06-10T06:00:00Z", "2026-06-10T12:00:00Z", "emergency");
    town.happened(&unit, "2026-06-10T08:00:00Z", json!({"kind": "placement", "site_id": town.sites[1]}));
    town.happened(&unit, "2026-06-10T11:00:00Z", json!({"kind": "placement", "site_id": town.sites[0]}));
    for (incident, hours) in [(&here, 3.0), (&there, 3.0), (&both, 6.0)] {
        assert_eq!(pack(town.coordinator(), incident)["sum"]["hours"], hours);
    }
    let sites: Vec<Value> = pack(town.coordinator(), &both)["runs"]
        .as_array()
        .unwrap()
        .iter()
        .map(|run| run["site_id"].clone())
        .collect();
    assert_eq!(sites, [json!(town.sites[0]), json!(town.sites[1]), json!(town.sites[0])]);
}

fn who_sees_what(backend: Backend) {
    let world = World::new(backend);
    let town = world.town();
    let (ours, theirs) = (town.unit_in_service("FS-1", 0), town.unit_in_service("SH-1", 1));
    for unit in [&ours, &theirs] {
        run(&town, unit, "2026-06-10T06:00:00Z", "2026-06-10T07:00:00Z", "emergency");
    }
    let staged = |site: &str| json!({"site_id": site, "item": "fuel", "quantity": 20, "unit": "litres"});
    let all = with(
        storm(&town),
        &json!({"site_ids": null, "staging": [staged(&town.sites[0]), staged(&town.sites[1])]}),
    );
    let all = made(&town, &all);
    let there = made(&town, &with(storm(&town), &json!({"site_ids": [town.sites[1]]})));
    let viewer = world.client(town.id, world.person(town.id, &[("viewer", json!([town.sites[0]]))]));
    let found = pack(&viewer, &all);
    assert_eq!(found["runs"].as_array().unwrap().len(), 1);
    assert_eq!(found["runs"][0]["unit_id"], ours);
    assert_eq!(found["staging"].as_array().unwrap().len(), 1);
    assert!(found["trace"].as_array().unwrap().contains(&json!({"code": "only_what_you_see"})));
    assert_eq!(pack(town.coordinator(), &all)["runs"].as_array().unwrap().len(), 2);
    for path in ["hours-pack", "hours-pack.csv"] {
        viewer.get(&format!("/v1/incidents/{there}/{path}")).problem(404, "not_found");
    }
}

fn the_same_as_a_table(backend: Backend) {
    let world = World::new(backend);
    let town = world.town();
    let unit = town.unit_in_service("=FS-1", 0);
    let event = run(&town, &unit, "2026-06-10T06:00:00Z", "2026-06-10T07:15:00Z", "emergency");
    let staged = json!([{"site_id": town.sites[0], "item": "oil_filter", "quantity": 2, "unit": "pieces", "staged_at": "2026-06-10T05:00:00Z"}]);
    let incident = made(&town, &with(storm(&town), &json!({"staging": staged, "name": "Storm, first"})));
    let reply = town.coordinator().get(&format!("/v1/incidents/{incident}/hours-pack.csv")).expect(200);
    assert!(reply.header("content-type").starts_with("text/csv"));
    assert!(reply.header("content-disposition").contains("hours-pack.csv"));
    let site = &town.sites[0];
    let expected = format!(
        "incident_id,incident,row,site_id,site,unit_id,unit,event_id,from,until,hours,reason,litres,grade,schedule_id,task,\
         until_hours,until_date,item,quantity,quantity_unit\r\n\
         {incident},\"Storm, first\",run,{site},Fire Station,{unit},'=FS-1,{event},2026-06-10T06:00:00Z,2026-06-10T07:15:00Z,1.25,\
         emergency,,A,,,,,,,\r\n\
         {incident},\"Storm, first\",staged,{site},Fire Station,,,,2026-06-10T05:00:00Z,,,,,,,,,,oil_filter,2.0,pieces\r\n"
    );
    assert_eq!(reply.text, expected);
}

fn what_is_wrong_is_named(backend: Backend) {
    let world = World::new(backend);
    let town = world.town();
    let incident = made(&town, &incident());
    let path = format!("/v1/incidents/{incident}/hours-pack");
    for query in ["known_at=yesterday", "site=x", "valid_at=2026-06-10T00:00:00Z"] {
        town.coordinator().get(&format!("{path}?{query}")).problem(400, "invalid_parameter");
        town.coordinator().get(&format!("{path}.csv?{query}")).problem(400, "invalid_parameter");
    }
    // More units than are worked out for one answer.
    let units: Vec<Value> = (0..201)
        .map(|n| json!({"label": format!("N-{n}"), "home_site_id": town.sites[0], "fuel": "petrol"}))
        .collect();
    for unit in &units {
        town.coordinator().post("/v1/units", unit).expect(201);
    }
    for path in [path.clone(), format!("{path}.csv")] {
        town.coordinator().get(&path).problem(422, "too_many_units");
    }
}

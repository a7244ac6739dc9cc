//! What a technician asks for before a visit and beside a unit: all that can be done while there, and engine hours.

use blackbox::{Backend, Town, World, on_both, world::id_of};
use serde_json::{Value, json};

on_both!(
    one_answer_is_enough_for_a_visit,
    a_loan_is_visited_where_it_stands,
    a_reading_may_belong_to_another_unit,
    hours_tell_what_they_rest_on
);

/// An edition whose tasks take parts, settings and care.
fn edition() -> Value {
    let caution =
        |text: &str| json!({"caution": "starting_battery", "text": text, "source": "common practice"});
    let part =
        |part: &str, quantity: f64, unit: &str| json!({"part": part, "quantity": quantity, "unit": unit});
    json!({"edition": "V", "effective_from": "2020-01-01", "source": "invented", "tasks": [
        {"task": "oil_change", "job": "oil_change", "title": "Change the oil", "limits": {"hours": 100, "months": 6},
         "parts": [part("engine oil", 0.6, "litres"), part("oil filter", 1.0, "pieces")],
         "cautions": [caution("Disconnect the starting battery first.")]},
        {"task": "plug_replace", "job": "plug_replace", "title": "Replace the plug", "limits": {"hours": 300, "months": 12},
         "parts": [part("spark plug", 1.0, "pieces")],
         "settings": [{"setting": "spark_plug_gap", "value": 0.76, "unit": "millimetres"}],
         "cautions": [caution("Disconnect the starting battery first."), caution("The plug is hot after a run.")]},
        {"task": "air_filter", "job": "air_filter", "title": "Clean the air filter", "limits": {"months": 3},
         "parts": [part("engine oil", 0.05, "litres")]},
    ]})
}

/// A town that follows that edition.
fn town(world: &World) -> Town {
    let mut town = world.town();
    let path = format!("/v1/schedules/{}/editions", town.schedule);
    town.edition = id_of(&town.coordinator().post(&path, &edition()).expect(201).json());
    town
}

fn here(town: &Town, site: usize, query: &str) -> Value {
    let path = format!("/v1/sites/{}/while-here{query}", town.sites[site]);
    town.coordinator().get(&path).expect(200).json()
}

/// Unit, task and state of every item.
fn items(answer: &Value) -> Vec<(String, String, String)> {
    let text = |value: &Value| value.as_str().unwrap().to_owned();
    let of_unit = |unit: &Value| {
        let items = unit["items"].as_array().unwrap().clone();
        let label = text(&unit["unit_label"]);
        items.into_iter().map(move |item| (label.clone(), text(&item["task"]), text(&item["state"])))
    };
    answer["units"].as_array().unwrap().iter().flat_map(of_unit).collect()
}

fn one_answer_is_enough_for_a_visit(backend: Backend) {
    let world = World::new(backend);
    let town = town(&world);
    let service = |jobs: &[&str], meter: f64| {
        let jobs: Vec<Value> = jobs.iter().map(|job| json!({"job": job})).collect();
        json!({"kind": "service", "jobs": jobs, "meter_hours": meter})
    };
    // Commissioned on 2026-01-10; it is 2026-06-15. Oil by date on 07-10, coming due 18 days before.
    let soon = town.unit_in_service("U-1", 0);
    town.happened(&soon, "2026-06-14T12:00:00Z", json!({"kind": "reading", "meter_hours": 95.0}));
    let late = town.unit_in_service("U-2", 0);
    town.happened(&late, "2026-06-14T12:00:00Z", json!({"kind": "reading", "meter_hours": 140.0}));
    let done = town.unit_in_service("U-3", 0);
    town.happened(
        &done,
        "2026-06-14T12:00:00Z",
        service(&["oil_change", "plug_replace", "air_filter"], 60.0),
    );
    let blank = town.unit("U-4");
    town.happened(&blank, "2026-06-14T12:00:00Z", town.adoption());
    town.unit_in_service("elsewhere", 1);

    let answer = here(&town, 0, "");
    let found = items(&answer);
    let line = |unit: &str, task: &str, state: &str| (unit.to_owned(), task.to_owned(), state.to_owned());
    let expected = vec![
        line("U-1", "air_filter", "overdue"),
        line("U-1", "oil_change", "coming_due"),
        line("U-2", "air_filter", "overdue"),
        line("U-2", "oil_change", "overdue"),
        line("U-4", "air_filter", "unknown"),
        line("U-4", "oil_change", "unknown"),
        line("U-4", "plug_replace", "unknown"),
    ];
    assert_eq!(found, expected, "{answer}");
    assert_eq!((&answer["clear"], &answer["site_name"]), (&json!(1), &json!("Fire Station")));
    let part = |name: &str| {
        let parts = answer["parts"].as_array().unwrap();
        let of_name: Vec<&Value> = parts.iter().filter(|part| part["part"] == name).collect();
        assert_eq!(of_name.len(), 1, "{name} once: {answer}");
        of_name[0]["quantity"].as_f64().unwrap()
    };
    // Oil: 3 x 0.6 + 3 x 0.05 litres.
    assert_eq!((part("engine oil"), part("oil filter"), part("spark plug")), (1.95, 3.0, 1.0));
    assert_eq!(answer["cautions"].as_array().unwrap().len(), 2, "each once: {answer}");
    assert_eq!(answer["settings"].as_array().unwrap().len(), 1);
    // What each unit says by itself is the same.
    for unit in answer["units"].as_array().unwrap() {
        for item in unit["items"].as_array().unwrap() {
            let single = town.due(unit["unit_id"].as_str().unwrap(), item["task"].as_str().unwrap());
            assert_eq!((&single["state"], &single["due_at"]), (&item["state"], &item["due_at"]));
        }
    }
    // Earlier, by what had been recorded and had happened; and one unit alone.
    assert_eq!(items(&here(&town, 0, "?valid_at=2026-01-20T12:00:00Z")), []);
    assert_eq!(items(&here(&town, 0, &format!("?unit={late}"))).len(), 2);
    let ahead = items(&here(&town, 0, "?valid_at=2026-12-20T12:00:00Z"));
    assert!(ahead.contains(&line("U-3", "oil_change", "overdue")), "{ahead:?}");
}

fn a_loan_is_visited_where_it_stands(backend: Backend) {
    let world = World::new(backend);
    let town = town(&world);
    let unit = town.unit_in_service("U-1", 0);
    town.happened(&unit, "2026-06-14T12:00:00Z", json!({"kind": "reading", "meter_hours": 140.0}));
    town.happened(&unit, "2026-06-14T13:00:00Z", json!({"kind": "placement", "site_id": town.sites[1]}));
    assert_eq!(items(&here(&town, 0, "")), []);
    assert_eq!(items(&here(&town, 1, "")).len(), 2);
    assert_eq!(here(&town, 1, "")["units"][0]["home_site_id"], json!(town.sites[0]));
    // Before the loan it was to be visited at home.
    assert_eq!(items(&here(&town, 0, "?valid_at=2026-06-14T12:30:00Z")).len(), 2);
    assert_eq!(items(&here(&town, 1, "?valid_at=2026-06-14T12:30:00Z")), []);
    // A site that somebody may not see is not there for them, and neither is one that is not.
    let shelter = world.client(town.id, world.person(town.id, &[("custodian", json!([town.sites[1]]))]));
    shelter.get(&format!("/v1/sites/{}/while-here", town.sites[1])).expect(200);
    for path in [format!("/v1/sites/{}/while-here", town.sites[0]), format!("/v1/sites/{unit}/while-here")] {
        shelter.get(&path).problem(404, "not_found");
    }
}

/// Worked example A52: 1203.4 is entered on U7, which stands at about 231, while U9 stands at 1203.1.
fn a_reading_may_belong_to_another_unit(backend: Backend) {
    let world = World::new(backend);
    let town = town(&world);
    let read = |unit: &str, at: &str, meter: f64| {
        town.happened(unit, at, json!({"kind": "reading", "meter_hours": meter}))
    };
    let [seven, nine, near] = ["U7", "U9", "U8"].map(|label| town.unit(label));
    for (unit, meter) in [(&seven, 230.8), (&nine, 1202.9), (&near, 400.0)] {
        read(unit, "2026-06-10T12:00:00Z", meter);
    }
    read(&nine, "2026-06-13T12:00:00Z", 1203.1);
    let wrong = read(&seven, "2026-06-14T12:00:00Z", 1203.4);
    assert_eq!(wrong["warnings"][0]["code"], "reading_set_aside", "{wrong}");
    let aside = |client: &blackbox::Client| {
        let hours = client.get(&format!("/v1/units/{seven}/hours")).expect(200).json();
        assert_eq!(hours["set_aside"][0]["event_id"], wrong["id"], "{hours}");
        hours["set_aside"][0].clone()
    };
    let found = aside(town.coordinator());
    assert_eq!(found["belongs_to"], json!({"unit_id": nine, "unit_label": "U9"}), "{found}");
    // Nobody is told of a unit that they may not see.
    let home = json!({"home_site_id": town.sites[1]});
    let path = format!("/v1/units/{nine}");
    let client = town.coordinator();
    client.patch(&path, &client.get(&path).expect(200).etag(), &home).expect(200);
    let station = world.client(town.id, world.person(town.id, &[("custodian", json!([town.sites[0]]))]));
    assert_eq!(aside(&station).get("belongs_to"), None);
}

fn hours_tell_what_they_rest_on(backend: Backend) {
    let world = World::new(backend);
    let town = town(&world);
    let unit = town.unit_in_service("U-1", 0);
    town.happened(&unit, "2026-06-10T12:00:00Z", json!({"kind": "reading", "meter_hours": 120.3}));
    let wrong =
        town.happened(&unit, "2026-06-12T12:00:00Z", json!({"kind": "reading", "meter_hours": 1204.0}));
    let hours =
        |query: &str| town.coordinator().get(&format!("/v1/units/{unit}/hours{query}")).expect(200).json();
    let now = hours("");
    assert_eq!(now["lower_hours"], 120.3, "{now}");
    assert_eq!(now["set_aside"][0]["event_id"], wrong["id"]);
    assert_eq!(now["set_aside"][0]["suggested_meter_hours"], 120.4);
    let then = hours("?valid_at=2026-06-10T12:00:00Z");
    assert_eq!((&then["grade"], &then["set_aside"]), (&json!("A"), &json!([])), "{then}");
    let due = town.coordinator().get(&format!("/v1/units/{unit}/due")).expect(200).json();
    assert_eq!(due["engine_hours"]["grade"], now["grade"]);
    assert_eq!(now["readings"].as_array().unwrap().len(), 2, "{now}");
    let other = world.client(town.id, world.person(town.id, &[("custodian", json!([town.sites[1]]))]));
    other.get(&format!("/v1/units/{unit}/hours")).problem(404, "not_found");
}

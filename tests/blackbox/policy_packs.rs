//! The policy packs that come with the service: made, classified and adopted the way a coordinator does.

use blackbox::{Backend, Client, Town, World, on_both, world::id_of};
use serde_json::{Value, json};

on_both!(
    a_pack_can_be_made_and_adopted,
    a_units_fields_say_which_item_it_is_kept_to,
    what_is_asked_wrongly_is_told
);

/// A unit of these fields, at the town's first site.
fn unit(town: &Town, fields: &Value) -> String {
    let mut body = json!({"label": "FS-9", "home_site_id": town.sites[0]});
    body.as_object_mut().unwrap().extend(fields.as_object().unwrap().clone());
    id_of(&town.coordinator().post("/v1/units", &body).expect(201).json())
}

fn class(client: &Client, unit: &str, query: &str) -> Value {
    let answer = client.get(&format!("/v1/units/{unit}/engine-class?{query}")).expect(200).json();
    assert_eq!(answer["packs"].as_array().unwrap().len(), 1, "{answer}");
    answer["packs"][0].clone()
}

fn a_pack_can_be_made_and_adopted(backend: Backend) {
    let world = World::new(backend);
    let town = world.town();
    let coordinator = town.coordinator();
    let packs = coordinator.get("/v1/policy-packs").expect(200);
    let pack = packs.json()["items"][0].clone();
    assert_eq!((&pack["pack"], &pack["edition"]), (&json!("cfr40_63_zzzz"), &json!("2013-01-30")));
    assert_eq!(
        coordinator.send("GET", "/v1/policy-packs", &[("if-none-match", &packs.etag())], None).status,
        304
    );
    for brought in pack["schedules"].as_array().unwrap() {
        let schedule = coordinator.post("/v1/schedules", &brought["schedule"]).expect(201).json();
        let mut edition = brought["edition"].clone();
        edition.as_object_mut().unwrap().remove("schedule_id");
        let path = format!("/v1/schedules/{}/editions", id_of(&schedule));
        let made = coordinator.post(&path, &edition).expect(201).json();
        assert_eq!(made["pack"], json!({"pack": pack["pack"], "edition": pack["edition"]}), "{made}");
    }

    let unit = unit(&town, &json!({"fuel": "diesel", "emergency_use": true}));
    let found = class(coordinator, &unit, "source=area");
    assert_eq!((&found["outcome"], &found["item"]["item"]), (&json!("adopt"), &json!(4)), "{found}");
    for adopt in found["adopt"].as_array().unwrap() {
        town.happened(
            &unit,
            "2026-06-01T12:00:00Z",
            json!({"kind": "adoption", "schedule_id": adopt["schedule_id"], "edition_id": adopt["edition_id"]}),
        );
    }
    let due = coordinator.get(&format!("/v1/units/{unit}/due")).expect(200).json();
    let tasks: Vec<&str> =
        due["items"].as_array().unwrap().iter().map(|item| item["task"].as_str().unwrap()).collect();
    assert_eq!(tasks, ["air_cleaner_inspect", "hoses_and_belts_inspect", "oil_and_filter_change"], "{due}");

    // The edition and the pack that names it are told wherever an item is, whatever the list is made of.
    let told = |item: &Value| (item["task"].clone(), item["edition_id"].clone(), item["pack"].clone());
    let of_unit: Vec<_> = due["items"].as_array().unwrap().iter().map(told).collect();
    assert!(
        of_unit
            .iter()
            .all(|(_, _, named)| *named == json!({"pack": pack["pack"], "edition": pack["edition"]}))
    );
    for moment in ["", "&valid_at=2026-06-01T12:30:00Z", "&valid_at=2027-06-01T12:00:00Z"] {
        let listed = coordinator.get(&format!("/v1/due?unit={unit}{moment}")).expect(200).json();
        let mut listed: Vec<_> = listed["items"].as_array().unwrap().iter().map(told).collect();
        listed.sort_by_key(|(task, ..)| task.to_string());
        assert_eq!(listed, of_unit, "{moment}");
    }
}

/// 40 CFR 63 Subpart ZZZZ Tables 2c and 2d (78 FR 6709), by one engine of each kind of answer.
fn a_units_fields_say_which_item_it_is_kept_to(backend: Backend) {
    let world = World::new(backend);
    let town = world.town();
    let viewer = &town.clients["viewer"];
    let not = |more: Value| {
        let mut fields = json!({"emergency_use": false, "black_start": false});
        fields.as_object_mut().unwrap().extend(more.as_object().unwrap().clone());
        fields
    };
    let cases = [
        ("area", json!({"fuel": "diesel", "emergency_use": true}), "adopt", json!(4), json!([])),
        ("area", json!({"fuel": "propane", "emergency_use": true}), "adopt", json!(5), json!([])),
        ("area", not(json!({"fuel": "diesel", "engine_kw": 223.71})), "emission_limits", json!(2), json!([])),
        ("major", not(json!({"fuel": "diesel", "engine_kw": 74.56})), "adopt", json!(2), json!([])),
        (
            "major",
            json!({"fuel": "petrol", "emergency_use": true, "engine_kw": 400}),
            "no_item",
            json!(null),
            json!([]),
        ),
        (
            "area",
            json!({"fuel": "diesel"}),
            "fields_missing",
            json!(null),
            json!(["black_start", "emergency_use", "engine_kw"]),
        ),
        (
            "area",
            json!({"fuel": "dual", "emergency_use": true}),
            "fields_missing",
            json!(null),
            json!(["ignition"]),
        ),
    ];
    for (source, fields, outcome, item, missing) in cases {
        let found = class(viewer, &unit(&town, &fields), &format!("source={source}"));
        let said = (&found["outcome"], &found["item"]["item"], &found["missing_fields"]);
        assert_eq!(said, (&json!(outcome), &item, &missing), "{source} {fields}: {found}");
        assert_eq!(found["adopt"].as_array().unwrap().is_empty(), outcome != "adopt", "{found}");
    }
    // By what was known of its fields then the engine falls where it fell then.
    let turned = unit(&town, &json!({"fuel": "diesel", "emergency_use": true}));
    let path = format!("/v1/units/{turned}");
    let coordinator = town.coordinator();
    let known = coordinator.get("/v1/due?limit=1").expect(200).json()["as_of"].as_str().unwrap().to_owned();
    let etag = coordinator.get(&path).expect(200).etag();
    coordinator.patch(&path, &etag, &json!({"fuel": "propane"})).expect(200);
    let now = class(viewer, &turned, "source=area");
    let then = class(viewer, &turned, &format!("source=area&known_at={known}"));
    assert_eq!((&now["item"]["item"], &then["item"]["item"]), (&json!(5), &json!(4)), "{now} {then}");
    let before = format!("{path}/engine-class?source=area&known_at=2020-01-01T00:00:00Z");
    viewer.get(&before).problem(404, "not_found");

    let diesel = unit(&town, &json!({"fuel": "diesel", "emergency_use": true, "note": "behind the pump"}));
    let spark = unit(&town, &json!({"fuel": "petrol", "emergency_use": true}));
    for (unit, job, asked, hours) in [
        (&diesel, "air_cleaner_inspect", "within", json!(1000.0)),
        (&diesel, "plug_inspect", "not_applicable", json!(null)),
        (&spark, "air_cleaner_inspect", "no_interval", json!(null)),
        (&spark, "oil_and_filter_change", "within", json!(500.0)),
    ] {
        let asks = class(viewer, unit, &format!("source=area&job={job}"))["asks"].clone();
        assert_eq!((&asks["asked"], &asks["limits"]["hours"]), (&json!(asked), &hours), "{asks}");
    }
}

fn what_is_asked_wrongly_is_told(backend: Backend) {
    let world = World::new(backend);
    let (town, other) = (world.town(), world.town());
    let unit = unit(&town, &json!({"fuel": "diesel"}));
    let path = format!("/v1/units/{unit}/engine-class");
    for query in ["", "?source=large", "?source=area&job=No", "?source=area&x=1", "?source=area&source=major"]
    {
        town.coordinator().get(&format!("{path}{query}")).problem(400, "invalid_parameter");
    }
    town.coordinator().get("/v1/policy-packs?x=1").problem(400, "invalid_parameter");
    other.coordinator().get(&format!("{path}?source=area")).problem(404, "not_found");
}

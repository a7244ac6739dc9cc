//! Whether a spare fits a site, by the fields of both.

use blackbox::{
    Backend, Town, World, none_failed, on_both,
    world::{id_of, new_id, plain},
};
use serde_json::{Value, json};

on_both!(
    everything_is_compared,
    what_is_missing_names_its_field,
    who_sees_what,
    fields_of_fitting_are_checked,
    files_bring_them_in_and_out,
);

/// A town with what its first site and a unit there are given.
fn with(town: &Town, site: &Value, unit: &Value) -> (String, String) {
    let mut made = json!({"name": "Clinic", "zone": "UTC"});
    made.as_object_mut().unwrap().extend(site.as_object().unwrap().clone());
    let site = id_of(&town.coordinator().post("/v1/sites", &made).expect(201).json());
    let mut made = json!({"label": "SP-1", "home_site_id": site, "fuel": "diesel"});
    made.as_object_mut().unwrap().extend(unit.as_object().unwrap().clone());
    let unit = id_of(&town.coordinator().post("/v1/units", &made).expect(201).json());
    (site, unit)
}

fn needs() -> Value {
    json!({"needs_kw": 20, "needs_volts": 240, "needs_phases": "single", "needs_connectors": ["inlet_50a", "inlet_100a"],
        "needs_neutral": "floating"})
}

fn able() -> Value {
    json!({"rated_kw": 22.5, "output_volts": [120, 240], "phases": "single", "connectors": ["inlet_50a"], "neutral": "either"})
}

fn everything_is_compared(backend: Backend) {
    let world = World::new(backend);
    let town = world.town();
    let (site, unit) = with(&town, &needs(), &able());
    let fit = |unit: &str, site: &str| {
        town.coordinator().get(&format!("/v1/units/{unit}/fit?site_id={site}")).expect(200).json()
    };
    let found = fit(&unit, &site);
    assert_eq!(found["fits"], "fits", "{found}");
    assert_eq!(found["fitting"], json!(["power", "voltage", "phases", "connector", "neutral"]));
    assert_eq!((&found["misfits"], &found["missing"]), (&json!([]), &json!([])));
    // No rule says what height and heat take, so that the rated output is an estimate, and says what would tell more.
    assert_eq!((&found["capacity_kw"], &found["capacity_grade"]), (&json!(22.5), &json!("C")));
    assert_eq!(found["trace"][0]["rests_on"], "rated_output");
    let enter: Vec<&Value> =
        found["trace"][0]["enter"].as_array().unwrap().iter().map(|one| &one["pointer"]).collect();
    assert_eq!(enter, ["/site/elevation_metres", "/air_celsius", "/derating"]);
    assert!(found["cautions"].as_array().unwrap().iter().any(|caution| caution["caution"] == "back_feed"));
    // Without a site its home site is meant.
    assert_eq!(town.coordinator().get(&format!("/v1/units/{unit}/fit")).expect(200).json(), found);
    // Each thing that does not fit is told with what there is and what is needed.
    let cases = [
        (json!({"rated_kw": 19.99}), json!({"code": "power", "value": 19.99, "threshold": 20.0})),
        (json!({"output_volts": [208]}), json!({"code": "voltage", "value": [208.0], "threshold": 240.0})),
        (json!({"phases": "three"}), json!({"code": "phases", "value": "three", "threshold": "single"})),
        (
            json!({"connectors": ["inlet_30a"]}),
            json!({"code": "connector", "value": ["inlet_30a"], "threshold": ["inlet_100a", "inlet_50a"]}),
        ),
        (
            json!({"neutral": "bonded"}),
            json!({"code": "neutral", "value": "bonded", "threshold": "floating"}),
        ),
    ];
    for (change, misfit) in cases {
        let mut other = able();
        other.as_object_mut().unwrap().extend(change.as_object().unwrap().clone());
        let (_, unit) = with(&town, &json!({}), &other);
        let found = fit(&unit, &site);
        assert_eq!(found["fits"], "does_not_fit");
        assert_eq!(plain(&found["misfits"]), plain(&json!([misfit])));
    }
}

fn what_is_missing_names_its_field(backend: Backend) {
    let world = World::new(backend);
    let town = world.town();
    let (_, unit) = with(&town, &json!({}), &json!({}));
    let path = format!("/v1/units/{unit}/fit");
    let found = town.coordinator().get(&path).expect(200).json();
    assert_eq!(found["fits"], "unknown");
    assert!(found.get("capacity_kw").is_none());
    assert_eq!(found["capacity_grade"], "D");
    let mut missing: Vec<&str> =
        found["missing"].as_array().unwrap().iter().map(|one| one["pointer"].as_str().unwrap()).collect();
    missing.sort_unstable();
    let mut fields: Vec<String> =
        needs().as_object().unwrap().keys().map(|name| format!("/site/{name}")).collect();
    fields.extend(able().as_object().unwrap().keys().map(|name| format!("/unit/{name}")));
    fields.sort_unstable();
    assert_eq!(missing, fields, "each is a field that can be entered");
    // Too weak for sure, whatever else is missing.
    let (site, weak) = with(&town, &json!({"needs_kw": 20}), &json!({"rated_kw": 5}));
    let found = town.coordinator().get(&format!("/v1/units/{weak}/fit?site_id={site}")).expect(200).json();
    assert_eq!(found["fits"], "does_not_fit");
}

fn who_sees_what(backend: Backend) {
    let world = World::new(backend);
    let (town, other) = (world.town(), world.town());
    let unit = town.unit_in_service("SP-1", 0);
    let here = world.client(town.id, world.person(town.id, &[("viewer", json!([town.sites[0]]))]));
    let there = world.client(town.id, world.person(town.id, &[("viewer", json!([town.sites[1]]))]));
    let path = format!("/v1/units/{unit}/fit");
    here.get(&path).expect(200);
    there.get(&path).problem(404, "not_found");
    let mut told = Vec::new();
    for unseen in [&town.sites[1], &other.sites[0], &new_id()] {
        let reply = here.get(&format!("{path}?site_id={unseen}"));
        reply.problem(400, "invalid_parameter");
        told.push(reply.json()["errors"].clone());
    }
    assert!(
        told.windows(2).all(|pair| pair[0] == pair[1]),
        "absent, foreign and hidden are told alike: {told:?}"
    );
    here.get(&format!("{path}?site_id=x")).problem(400, "invalid_parameter");
    here.get(&format!("{path}?site=x")).problem(400, "invalid_parameter");
}

fn fields_of_fitting_are_checked(backend: Backend) {
    let world = World::new(backend);
    let town = world.town();
    let mut failures = Vec::new();
    let many = vec![json!(240); 21];
    let unit = |body: &Value| (format!("/v1/units/{}", town.unit("SP-1")), body.clone());
    let site = |body: &Value| (format!("/v1/sites/{}", town.sites[0]), body.clone());
    let cases = [
        (unit(&json!({"output_volts": [0]})), "/output_volts/0", "out_of_range"),
        (unit(&json!({"output_volts": [240, 1001]})), "/output_volts/1", "out_of_range"),
        (unit(&json!({"output_volts": 240})), "/output_volts", "wrong_type"),
        (unit(&json!({"output_volts": many})), "/output_volts", "too_many"),
        (unit(&json!({"phases": 3})), "/phases", "wrong_type"),
        (unit(&json!({"phases": "two"})), "/phases", "unknown_word"),
        (unit(&json!({"connectors": ["50 A"]})), "/connectors/0", "invalid_code"),
        (unit(&json!({"neutral": "joined"})), "/neutral", "unknown_word"),
        (site(&json!({"needs_volts": 0})), "/needs_volts", "out_of_range"),
        (site(&json!({"needs_phases": "two"})), "/needs_phases", "unknown_word"),
        (site(&json!({"needs_connectors": "inlet_50a"})), "/needs_connectors", "wrong_type"),
        (site(&json!({"needs_neutral": "either"})), "/needs_neutral", "unknown_word"),
    ];
    for ((path, body), pointer, code) in cases {
        let etag = town.coordinator().get(&path).expect(200).etag();
        let reply = town.coordinator().patch(&path, &etag, &body);
        if reply.status != 400 || reply.errors() != [(pointer.to_owned(), code.to_owned())] {
            failures.push(format!("{body}: {} {}", reply.status, reply.text));
        }
    }
    none_failed(&failures);
}

fn files_bring_them_in_and_out(backend: Backend) {
    let world = World::new(backend);
    let town = world.town();
    let (site, unit) = with(&town, &needs(), &able());
    let table = |name: &str| town.coordinator().get(&format!("/v1/exports/{name}.csv")).expect(200).text;
    let cell = |table: &str, id: &str, column: &str| {
        let mut lines = table.lines();
        let at = lines.next().unwrap().split(',').position(|name| name == column).unwrap();
        lines.find(|line| line.starts_with(id)).unwrap().split(',').nth(at).unwrap().to_owned()
    };
    let units = table("units");
    assert_eq!(cell(&units, &unit, "output_volts"), "120 240");
    assert_eq!(cell(&units, &unit, "neutral"), "either");
    assert_eq!(cell(&table("sites"), &site, "needs_connectors"), "inlet_50a inlet_100a");
    // Another set from a file, with the same columns.
    let mapping = json!({"mapping": {"records": "units"}});
    let import = crate::imports::made(town.coordinator(), mapping);
    let file = format!(
        "label,home_site_id,fuel,output_volts,phases,connectors,neutral\r\nSP-9,{site},diesel,120;240,single,inlet_50a,floating\r\n"
    );
    crate::imports::put(town.coordinator(), &import, file.as_bytes(), &[]).expect(202);
    crate::imports::ended(town.coordinator(), &import);
    let all = town.coordinator().all("/v1/units", 100);
    let made = all.iter().find(|unit| unit["label"] == "SP-9").unwrap();
    assert_eq!(plain(&made["output_volts"]), json!([120.0, 240.0]));
    assert_eq!((&made["phases"], &made["neutral"]), (&json!("single"), &json!("floating")));
}

//! Ids that sites and units have in other systems: given, looked up, and no two records with the same one.

use std::thread;

use blackbox::{
    Backend, Direct, Reply, Town, World, direct, on_both, service,
    world::{self, id_of, new_id},
};
use model::edit::Target;
use serde_json::{Value, json};

on_both!(
    given_looked_up_and_taken_away,
    no_two_records_have_the_same,
    of_ten_at_once_one_gets_it,
    whoever_may_not_see_a_record_does_not_find_it,
    handsets_may_give_one_to_two_records,
    what_is_asked_for_wrongly_is_told,
);

fn site(town: &Town, body: Value) -> Reply {
    let mut site = json!({"name": "Depot", "zone": "America/Denver"});
    site.as_object_mut().unwrap().extend(body.as_object().unwrap().clone());
    town.coordinator().post("/v1/sites", &site)
}

fn unit(town: &Town, body: Value) -> Reply {
    let mut unit = json!({"label": "D-1", "home_site_id": town.sites[0], "fuel": "petrol"});
    unit.as_object_mut().unwrap().extend(body.as_object().unwrap().clone());
    town.coordinator().post("/v1/units", &unit)
}

/// The ids of the records of a list that have an external id.
fn found(client: &blackbox::Client, list: &str, system: &str, id: &str) -> Vec<String> {
    let items = client.all(&format!("{list}?external_system={system}&external_id={id}"), 1);
    items.iter().map(id_of).collect()
}

fn given_looked_up_and_taken_away(backend: Backend) {
    let world = World::new(backend);
    let town = world.town();
    let client = town.coordinator();
    for (list, make) in [("/v1/sites", site as fn(&Town, Value) -> Reply), ("/v1/units", unit)] {
        let made = make(&town, json!({"external_ids": {"gis": "GN-1", "erp": "4711 x"}})).expect(201);
        let path = format!("{list}/{}", id_of(&made.json()));
        assert_eq!(made.json()["external_ids"], json!({"erp": "4711 x", "gis": "GN-1"}));
        let one = vec![id_of(&made.json())];
        assert_eq!(found(client, list, "gis", "GN-1"), one);
        assert_eq!(found(client, list, "erp", "4711%20x"), one);
        assert!(found(client, list, "gis", "GN-2").is_empty());
        assert!(found(client, list, "erp", "GN-1").is_empty());
        // One is changed, one goes, and the others stay as they are.
        let patch = json!({"external_ids": {"gis": "GN-2", "erp": null, "old": "é"}});
        let changed = client.patch(&path, &made.etag(), &patch).expect(200);
        assert_eq!(changed.json()["external_ids"], json!({"gis": "GN-2", "old": "é"}));
        assert_eq!(client.get(&path).expect(200).json(), changed.json());
        assert_eq!(found(client, list, "gis", "GN-2"), one);
        assert!(found(client, list, "gis", "GN-1").is_empty());
        assert!(found(client, list, "erp", "4711%20x").is_empty());
        // What another record gave back may be given again.
        make(&town, json!({"external_ids": {"gis": "GN-1"}})).expect(201);
        let without = json!({"external_ids": {"gis": null, "old": null}});
        let changed = client.patch(&path, &changed.etag(), &without).expect(200).json();
        assert!(changed.get("external_ids").is_none(), "{changed}");
    }
    service::is_clean(&world.database);
}

fn no_two_records_have_the_same(backend: Backend) {
    let world = World::new(backend);
    let town = world.town();
    let client = town.coordinator();
    let taken = |reply: &Reply, system: &str| {
        reply.problem(409, "external_id_taken");
        assert_eq!(reply.errors(), [(format!("/external_ids/{system}"), "external_id_taken".to_owned())]);
    };
    for make in [site as fn(&Town, Value) -> Reply, unit] {
        make(&town, json!({"external_ids": {"gis": "A", "erp": "1"}})).expect(201);
        taken(&make(&town, json!({"external_ids": {"gis": "A", "old": "2"}})), "gis");
        let other = make(&town, json!({"external_ids": {"gis": "B"}})).expect(201);
        let path = other.header("location");
        taken(&client.patch(path, &other.etag(), &json!({"external_ids": {"erp": "1"}})), "erp");
        // Its own it may have again.
        client.patch(path, &other.etag(), &json!({"external_ids": {"gis": "B"}})).expect(200);
    }
    // More than a record has room for come one by one.
    let made = unit(&town, json!({"external_ids": many(0..20)})).expect(201);
    let path = made.header("location");
    let more = client.patch(path, &made.etag(), &json!({"external_ids": many(20..21)}));
    more.problem(400, "invalid_request");
    assert_eq!(more.errors(), [("/external_ids".to_owned(), "too_many".to_owned())]);
    let swap = json!({"external_ids": {"s0": null, "s20": "20"}});
    client.patch(path, &made.etag(), &swap).expect(200);
    service::is_clean(&world.database);
}

fn many(numbers: std::ops::Range<usize>) -> Value {
    numbers.map(|n| (format!("s{n}"), json!(n.to_string()))).collect::<serde_json::Map<_, _>>().into()
}

fn of_ten_at_once_one_gets_it(backend: Backend) {
    let world = World::new(backend);
    let town = world.town();
    let statuses: Vec<u16> = thread::scope(|scope| {
        let asked =
            (0..10).map(|_| scope.spawn(|| unit(&town, json!({"external_ids": {"gis": "A"}})).status));
        asked.collect::<Vec<_>>().into_iter().map(|asked| asked.join().unwrap()).collect()
    });
    let made = statuses.iter().filter(|status| **status == 201).count();
    let refused = statuses.iter().filter(|status| **status == 409).count();
    assert_eq!((made, refused), (1, 9), "{statuses:?}");
    assert_eq!(found(town.coordinator(), "/v1/units", "gis", "A").len(), 1);
}

fn whoever_may_not_see_a_record_does_not_find_it(backend: Backend) {
    let world = World::new(backend);
    let (town, other) = (world.town(), world.town());
    unit(&town, json!({"external_ids": {"gis": "A"}, "home_site_id": town.sites[1]})).expect(201);
    site(&town, json!({"external_ids": {"gis": "A"}})).expect(201);
    let person = world.person(town.id, &[("technician", json!([town.sites[0]]))]);
    let near = world.client(town.id, person);
    for list in ["/v1/units", "/v1/sites"] {
        assert_eq!(found(town.coordinator(), list, "gis", "A").len(), 1);
        assert!(found(&near, list, "gis", "A").is_empty());
        assert!(found(other.coordinator(), list, "gis", "A").is_empty());
    }
    assert!(found(town.coordinator(), "/v1/units", "gis", &format!("A&site={}", town.sites[0])).is_empty());
    assert_eq!(found(town.coordinator(), "/v1/units", "gis", &format!("A&site={}", town.sites[1])).len(), 1);
    // Another organization has ids of its own.
    unit(&other, json!({"external_ids": {"gis": "A"}})).expect(201);
}

fn handsets_may_give_one_to_two_records(backend: Backend) {
    let world = World::new(backend);
    let town = world.town();
    let first = id_of(&unit(&town, json!({"external_ids": {"gis": "A"}})).expect(201).json());
    let second = town.unit("D-2");
    let handset = town.handset(town.coordinator(), "Van 1");
    let mut edit =
        world::edit(&handset, 1, &new_id(), "unit", "set", json!({"external_ids": {"gis": "A", "erp": "7"}}));
    edit["record_id"] = json!(second);
    let results = world::push(town.coordinator(), service::NOW, &handset, &[edit]);
    assert_eq!(results[0]["result"], "applied", "{results:?}");
    assert_eq!(results[0]["flags"], json!(["possible_duplicate"]), "{results:?}");
    let mut alone = world::edit(&handset, 2, &new_id(), "unit", "set", json!({"external_ids": {"erp": "8"}}));
    alone["record_id"] = json!(first);
    let results = world::push(town.coordinator(), service::NOW, &handset, &[alone]);
    assert!(results[0].get("flags").is_none(), "{results:?}");
    let mut both = vec![first.clone(), second.clone()];
    both.sort();
    assert_eq!(found(town.coordinator(), "/v1/units", "gis", "A"), both);
    // Asked for at once, it is taken now twice over.
    unit(&town, json!({"external_ids": {"gis": "A"}})).problem(409, "external_id_taken");
    // Whoever keeps a copy is told of each as a field of its own.
    let told = town.coordinator().get("/v1/changes?limit=500").expect(200).json();
    let unit =
        told["changes"].as_array().unwrap().iter().find(|change| change["id"] == second.as_str()).unwrap();
    assert_eq!(unit["record"]["fields"]["external_ids/erp"], "7", "{unit}");
    service::is_clean(&world.database);
}

fn what_is_asked_for_wrongly_is_told(backend: Backend) {
    let world = World::new(backend);
    let town = world.town();
    let cases = [
        ("external_system=gis", vec![("external_id", "required")]),
        ("external_id=A", vec![("external_system", "required")]),
        ("external_system=GIS&external_id=A", vec![("external_system", "invalid_code")]),
        ("external_system=gis&external_id=", vec![("external_id", "empty_text")]),
        ("external_system=gis&external_id=A&external_id=B", vec![("external_id", "repeated_parameter")]),
    ];
    for list in ["/v1/sites", "/v1/units"] {
        for (query, expected) in &cases {
            let reply = town.coordinator().get(&format!("{list}?{query}"));
            reply.problem(400, "invalid_parameter");
            let errors = reply.errors();
            let errors: Vec<(&str, &str)> = errors.iter().map(|(p, c)| (p.as_str(), c.as_str())).collect();
            assert_eq!(errors, *expected, "{query}");
        }
    }
    // A list is a field like any other where people do not know of each other.
    let made = unit(&town, json!({"external_ids": {"gis": "A"}})).expect(201);
    let direct = Direct::open(&world.database, 2);
    let target = Target::Unit(model::UnitId::parse(&id_of(&made.json())).unwrap());
    direct.apply(direct::command(town.id, vec![direct::set(target, &json!({"external_ids": {"erp": "B"}}))]));
    let now = town.coordinator().get(made.header("location")).expect(200).json();
    assert_eq!(now["external_ids"], json!({"gis": "A", "erp": "B"}));
}

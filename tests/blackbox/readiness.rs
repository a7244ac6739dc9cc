//! Which units and sites are ready, as it is kept: never older than it says.

mod judging;

use blackbox::{Backend, Client, Town, World, on_both, service::is_clean, world::id_of};
use serde_json::{Value, json};

on_both!(
    a_write_is_judged_before_the_list_is_answered,
    time_alone_changes_a_verdict,
    a_unit_that_moves_is_counted_where_it_stands,
    an_edit_of_a_site_is_judged_with_its_units,
    nobody_is_told_of_what_they_may_not_see,
    pages_neither_repeat_nor_skip,
    what_is_retired_is_not_listed,
);

const UNITS: &str = "/v1/readiness";
const SITES: &str = "/v1/readiness/sites";

fn line<'v>(list: &'v Value, member: &str, id: &str) -> Option<&'v Value> {
    list["items"].as_array().unwrap().iter().find(|line| line[member] == id)
}

/// What is told of a unit; nothing may wait.
#[track_caller]
fn of_unit(client: &Client, unit: &str) -> Value {
    let list = client.get(UNITS).expect(200).json();
    assert_eq!(list.get("pending"), None, "{list}");
    line(&list, "unit_id", unit).unwrap_or_else(|| panic!("no {unit} in {list}")).clone()
}

/// The same of a site.
#[track_caller]
fn of_site(client: &Client, site: &str) -> Value {
    let list = client.get(SITES).expect(200).json();
    assert_eq!(list.get("pending"), None, "{list}");
    line(&list, "site_id", site).unwrap_or_else(|| panic!("no {site} in {list}")).clone()
}

/// Whether a reason of this code is told.
fn has(told: &Value, code: &str) -> bool {
    told["reasons"].as_array().unwrap().iter().any(|reason| reason["code"] == code)
}

/// A unit in service whose oil was changed lately.
fn unit(town: &Town, label: &str, site: usize) -> String {
    let unit = town.unit_in_service(label, site);
    oil_changed(town, &unit);
    unit
}

/// Its oil is changed; gives the id of the event.
fn oil_changed(town: &Town, unit: &str) -> String {
    let done = json!({"kind": "service", "meter_hours": 3, "jobs": [{"job": "oil_change"}]});
    id_of(&town.happened(unit, "2026-06-10T12:00:00Z", done))
}

fn tag(until: Option<&str>) -> Value {
    let mut tag = json!({"kind": "tag", "action": "hung", "tag": "out_of_service"});
    if let Some(until) = until {
        tag["effective_until"] = json!(until);
    }
    tag
}

fn patch(client: &Client, path: &str, fields: &Value) {
    let etag = client.get(path).expect(200).etag();
    client.patch(path, &etag, fields).expect(200);
}

fn a_write_is_judged_before_the_list_is_answered(backend: Backend) {
    let world = World::new(backend);
    let town = world.town();
    let client = town.coordinator();
    let unit = town.unit_in_service("FS-1", 0);
    let changed = oil_changed(&town, &unit);
    let told = of_unit(client, &unit);
    // Nothing was entered of its battery or its last start.
    assert_eq!(told["verdict"], "unknown", "{told}");
    assert!(has(&told, "not_known"), "{told}");
    assert_eq!(told["unit_label"], "FS-1");
    let hung = town.happened(&unit, "2026-06-14T12:00:00Z", tag(None));
    let told = of_unit(client, &unit);
    assert_eq!(told["verdict"], "not_ready", "{told}");
    assert_eq!(told["reasons"][0]["code"], "tagged_out", "the gravest comes first: {told}");
    let removed = json!({"kind": "tag", "action": "removed", "tag_id": id_of(&hung)});
    town.happened(&unit, "2026-06-14T13:00:00Z", removed);
    assert_eq!(of_unit(client, &unit)["verdict"], "unknown");
    // A correction counts, too: it was another unit's oil.
    let void = json!({"kind": "correction", "action": "void", "target_id": changed, "reason": "another set"});
    town.happened(&unit, "2026-06-14T14:00:00Z", void);
    let told = of_unit(client, &unit);
    assert_eq!(told["verdict"], "not_ready", "{told}");
    assert!(has(&told, "job_overdue"), "{told}");
    // A field of which nothing that is due follows.
    let list = client.get(&format!("{UNITS}?verdict=unknown,ready")).expect(200).json();
    assert_eq!(list["items"], json!([]), "{list}");
    patch(client, &format!("/v1/units/{unit}"), &json!({"rated_kw": 5.5}));
    patch(client, &format!("/v1/sites/{}", town.sites[0]), &json!({"needs_kw": 5}));
    let site = of_site(client, &town.sites[0]);
    assert_eq!((&site["verdict"], &site["readiness"]["needed"]), (&json!("not_ready"), &json!(1)), "{site}");
    patch(client, &format!("/v1/units/{unit}"), &json!({"rated_kw": 4}));
    let site = of_site(client, &town.sites[0]);
    assert_eq!(site["readiness"]["short_kw"], 1.0, "what it can carry counts: {site}");
    is_clean(&world.database);
}

fn time_alone_changes_a_verdict(backend: Backend) {
    let mut world = World::new(backend);
    let mut town = world.town();
    let unit = unit(&town, "FS-1", 0);
    town.happened(&unit, "2026-06-14T12:00:00Z", tag(Some("2026-06-17")));
    let told = of_unit(town.coordinator(), &unit);
    assert_eq!((&told["verdict"], &told["until"]), (&json!("not_ready"), &json!("2026-06-17T06:00:00Z")));
    let site = of_site(town.coordinator(), &town.sites[0]);
    assert_eq!(site["until"], told["until"], "a site's verdict ends with those of its units");
    world.restart_at("2026-06-17T05:59:00Z");
    world.reach(&mut town);
    assert_eq!(of_unit(town.coordinator(), &unit)["judged_at"], told["judged_at"], "it holds until then");
    world.restart_at("2026-06-17T06:00:00Z");
    world.reach(&mut town);
    let told = of_unit(town.coordinator(), &unit);
    assert_eq!(told["verdict"], "unknown", "{told}");
    assert!(!has(&told, "reading_old"), "{told}");
    let site = of_site(town.coordinator(), &town.sites[0]);
    assert_eq!(site["until"], told["until"], "{site}");
    // 60 days after it was read the reading is too old.
    world.restart_at("2026-08-20T12:00:00Z");
    world.reach(&mut town);
    assert!(has(&of_unit(town.coordinator(), &unit), "reading_old"));
}

fn a_unit_that_moves_is_counted_where_it_stands(backend: Backend) {
    let world = World::new(backend);
    let town = world.town();
    let client = town.coordinator();
    let unit = town.unit_in_service("FS-1", 0);
    let of = |site: usize| of_site(client, &town.sites[site])["readiness"]["of"].clone();
    assert_eq!((of(0), of(1)), (json!(1), json!(0)));
    town.happened(&unit, "2026-06-14T12:00:00Z", json!({"kind": "placement", "site_id": town.sites[1]}));
    assert_eq!((of(0), of(1)), (json!(0), json!(1)));
    let told = of_unit(client, &unit);
    assert_eq!(
        (&told["home_site_id"], &told["standing_site_id"]),
        (&json!(town.sites[0]), &json!(town.sites[1]))
    );
    for site in &town.sites {
        let list = client.get(&format!("{UNITS}?site={site}")).expect(200).json();
        assert!(line(&list, "unit_id", &unit).is_some(), "a loan is on both lists: {list}");
    }
    // Its home is corrected; so it is nobody's loan any more.
    patch(client, &format!("/v1/units/{unit}"), &json!({"home_site_id": town.sites[1]}));
    let list = client.get(&format!("{UNITS}?site={}", town.sites[0])).expect(200).json();
    assert_eq!(list["items"], json!([]), "{list}");
    is_clean(&world.database);
}

fn an_edit_of_a_site_is_judged_with_its_units(backend: Backend) {
    let world = World::new(backend);
    let town = world.town();
    let client = town.coordinator();
    let units: Vec<String> = (0..3).map(|n| town.unit_in_service(&format!("FS-{n}"), 0)).collect();
    let elsewhere = town.unit_in_service("SH-1", 1);
    let judged_at = |unit: &str| of_unit(client, unit)["judged_at"].as_str().unwrap().to_owned();
    let before: Vec<String> = units.iter().map(|unit| judged_at(unit)).collect();
    let other = judged_at(&elsewhere);
    let missing = of_site(client, &town.sites[0])["readiness"]["missing"].clone();
    assert!(missing.as_array().unwrap().iter().any(|asked| asked["pointer"] == "/needs_kw"), "{missing}");
    patch(
        client,
        &format!("/v1/sites/{}", town.sites[0]),
        &json!({"needs_kw": 10, "elevation_metres": 2400}),
    );
    for (unit, before) in units.iter().zip(before) {
        assert!(judged_at(unit) > before, "height counts for what stands there");
    }
    assert_eq!(judged_at(&elsewhere), other);
    let site = of_site(client, &town.sites[0]);
    assert_eq!(site["readiness"]["trace"][0], json!({"code": "least_load", "kilowatts": 10.0}), "{site}");
    // Its zone moves the days on which units are judged.
    town.rezone("Pacific/Auckland");
    of_unit(client, &units[0]);
    is_clean(&world.database);
}

/// A client of somebody with a grant on one site.
fn of_one_site(world: &World, town: &Town, site: usize) -> Client {
    let person = world.person(town.id, &[("viewer", json!([town.sites[site]]))]);
    world.client(town.id, person)
}

fn nobody_is_told_of_what_they_may_not_see(backend: Backend) {
    let world = World::new(backend);
    let (town, other) = (world.town(), world.town());
    let ours = town.unit_in_service("FS-1", 0);
    let theirs = town.unit_in_service("SH-1", 1);
    let strangers = other.unit_in_service("XX-1", 0);
    let client = of_one_site(&world, &town, 0);
    let told = |path: &str| client.get(path).expect(200).text;
    for path in [UNITS, SITES] {
        let text = told(path);
        let foreign = [&theirs, &strangers, &town.sites[1], &other.sites[0]];
        assert!(foreign.iter().all(|id| !text.contains(id.as_str())), "{text}");
        let asked = client.get(&format!("{path}?site={}", town.sites[1])).expect(200).json();
        assert_eq!(asked["items"], json!([]), "{asked}");
    }
    assert!(told(UNITS).contains(&ours));
    // What waits elsewhere is none of their business, and is not judged for them.
    town.happened(&theirs, "2026-06-14T12:00:00Z", tag(None));
    let list = client.get(UNITS).expect(200).json();
    assert_eq!(list.get("pending"), None, "{list}");
    let waiting = "SELECT count(*) AS n FROM unit_state WHERE judge_at = 0";
    assert!(world.database.number(waiting) > 0);
    // Lent to another site, and home again.
    town.happened(&theirs, "2026-06-14T13:00:00Z", json!({"kind": "placement", "site_id": town.sites[0]}));
    assert!(told(UNITS).contains(&theirs));
    town.happened(&theirs, "2026-06-14T14:00:00Z", json!({"kind": "placement", "site_id": town.sites[1]}));
    assert!(!told(UNITS).contains(&theirs));
    assert!(!told(SITES).contains(&theirs), "{}", told(SITES));
}

fn pages_neither_repeat_nor_skip(backend: Backend) {
    let world = World::new(backend);
    let town = world.town();
    let client = town.coordinator();
    let mut units: Vec<String> = (0..7).map(|n| unit(&town, &format!("FS-{n}"), n % 2)).collect();
    for unit in units.iter().step_by(3) {
        town.happened(unit, "2026-06-14T12:00:00Z", tag(None));
    }
    units.sort();
    let ids = |path: &str, member: &str| -> Vec<String> {
        client.all(path, 2).iter().map(|line| line[member].as_str().unwrap().to_owned()).collect()
    };
    assert_eq!(ids(UNITS, "unit_id"), units);
    let mut sites = town.sites.to_vec();
    sites.sort();
    assert_eq!(client.all(SITES, 1).iter().map(|line| line["site_id"].clone()).collect::<Vec<_>>(), sites);
    assert_eq!(client.all(&format!("{UNITS}?verdict=not_ready"), 2).len(), 3);
    let wrong = client.get(&format!("{UNITS}?verdict=fine")).expect(400).json();
    assert_eq!(wrong["errors"][0]["parameter"], "verdict", "{wrong}");
}

fn what_is_retired_is_not_listed(backend: Backend) {
    let world = World::new(backend);
    let town = world.town();
    let client = town.coordinator();
    let unit = town.unit_in_service("FS-1", 1);
    assert_eq!(of_site(client, &town.sites[1])["readiness"]["of"], 1);
    patch(client, &format!("/v1/units/{unit}"), &json!({"retired": true}));
    let list = client.get(UNITS).expect(200).json();
    assert_eq!((&list["items"], list.get("pending")), (&json!([]), None), "{list}");
    assert_eq!(of_site(client, &town.sites[1])["readiness"]["of"], 0);
    patch(client, &format!("/v1/sites/{}", town.sites[1]), &json!({"retired": true}));
    let list = client.get(SITES).expect(200).json();
    assert_eq!(list.get("pending"), None, "{list}");
    assert!(line(&list, "site_id", &town.sites[1]).is_none(), "{list}");
    patch(client, &format!("/v1/units/{unit}"), &json!({"retired": null}));
    assert_eq!(of_unit(client, &unit)["unit_label"], "FS-1");
    is_clean(&world.database);
}

//! Ids of things that are not the sender's: whether they exist, is not told, and nothing but the edit that names one is
//! affected.

use blackbox::{
    Backend, Client, World, none_failed, on_both,
    service::is_clean,
    world::{id_of, new_id},
};
use serde_json::{Value, json};

use super::{EVENTS, Phone, beside, line, with};

on_both!(
    what_is_not_theirs_is_told_as_if_it_were_not,
    authors_who_never_signed_in_wait_alike,
    what_was_not_theirs_counts_once_it_is,
    ids_of_another_organization_are_free,
);

const AT: &str = "2026-06-14T12:00:00Z";

/// Something to name: one that never was, another organization's, and one out of scope.
struct Odd {
    unit: String,
    site: String,
    event: String,
}

fn odd_of(world: &World, site: usize) -> Odd {
    let town = world.town();
    odd_in(&town, site)
}

fn odd_in(town: &blackbox::Town, site: usize) -> Odd {
    let unit = town.unit_in_service("SH-1", site);
    let event = town.happened(&unit, AT, json!({"kind": "reading", "meter_hours": 5}));
    Odd { unit, site: town.sites[site].clone(), event: id_of(&event) }
}

fn what_is_not_theirs_is_told_as_if_it_were_not(backend: Backend) {
    let world = World::new(backend);
    let town = world.town();
    let own = town.unit_in_service("FS-1", 0);
    let local = world.client(town.id, world.person(town.id, &[("coordinator", json!([town.sites[0]]))]));
    let phone = Phone::of(&town, &local);
    let event = |mut body: Value| {
        body["unit_id"] = json!(own);
        body["occurred_at"] = json!(AT);
        phone.event(body)
    };
    type Make<'m> = Box<dyn Fn(&Odd) -> Value + 'm>;
    let rows: Vec<(&str, Make<'_>)> = vec![
        ("a reading of a unit", Box::new(|odd| phone.reading(&odd.unit, 6.0))),
        ("a field of a unit", Box::new(|odd| phone.set("unit", &odd.unit, json!({"label": "X"}), json!({})))),
        ("a unit retired", Box::new(|odd| phone.set("unit", &odd.unit, json!({"retired": true}), json!({})))),
        ("a field of a site", Box::new(|odd| phone.set("site", &odd.site, json!({"name": "X"}), json!({})))),
        ("a unit sent to a site", Box::new(|odd| event(json!({"kind": "placement", "site_id": odd.site})))),
        (
            "a unit at home at a site",
            Box::new(|odd| phone.set("unit", &own, json!({"home_site_id": odd.site}), json!({}))),
        ),
        ("a new unit at a site", Box::new(|odd| phone.new_unit("FS-2", &odd.site))),
        (
            "an event taken back",
            Box::new(|odd| {
                event(json!({"kind": "correction", "action": "void", "target_id": odd.event, "reason": "x"}))
            }),
        ),
        (
            "an event of another unit",
            Box::new(|odd| {
                event(
                    json!({"kind": "correction", "action": "reassign", "target_id": odd.event, "to_unit_id": odd.unit, "reason": "x"}),
                )
            }),
        ),
        (
            "a unit that is the same",
            Box::new(|odd| {
                event(
                    json!({"kind": "correction", "action": "link", "other_unit_id": odd.unit, "reason": "x"}),
                )
            }),
        ),
    ];
    let absent = Odd { unit: new_id(), site: new_id(), event: new_id() };
    let all = [
        ("absent", absent),
        ("another organization's", odd_of(&world, 1)),
        ("out of scope", odd_in(&town, 1)),
    ];
    let log = world.database.log_rows();
    let mut failures = Vec::new();
    for (row, make) in &rows {
        let kept = beside(&world);
        let mut told: Vec<(&str, String, Value)> = Vec::new();
        for (which, odd) in &all {
            let good = [phone.reading(&own, 5.0), phone.reading(&own, 6.0)];
            let edit = make(odd);
            let results = phone.push(&[&good[0], &edit, &good[1]]);
            let words: Vec<String> = results.iter().map(line).collect();
            if words != ["applied", "parked missing_parent", "applied"] {
                failures.push(format!("{row}, {which}: {results:?}"));
            }
            told.push((which, words[1].clone(), with(&results[1], "id", Value::Null)));
            if phone.told(&[&edit]) != [words[1].as_str()] {
                failures.push(format!("{row}, {which}: told otherwise when sent again"));
            }
        }
        let first = &told[0].2;
        failures.extend(
            told.iter()
                .filter(|one| one.2 != *first)
                .map(|(which, _, told)| format!("{row}, {which}: {told}, not {first}")),
        );
        if beside(&world) != kept + 3 {
            failures.push(format!("{row}: {} are kept", beside(&world) - kept));
        }
    }
    none_failed(&failures);
    let written = i64::try_from(rows.len() * 3 * 2).unwrap();
    assert_eq!(world.database.log_rows(), log + written, "the neighbours, and nothing else");
    is_clean(&world.database);
}

fn authors_who_never_signed_in_wait_alike(backend: Backend) {
    let world = World::new(backend);
    let (town, elsewhere) = (world.town(), world.town());
    let unit = town.unit_in_service("FS-1", 0);
    let phone = Phone::new(&town, "technician");
    let cases = [
        ("nobody", new_id()),
        ("another organization's", elsewhere.people["technician"].to_string()),
        ("who has signed in elsewhere only", town.people["coordinator"].to_string()),
        ("without any grant", world.person(town.id, &[]).to_string()),
        ("a unit", unit.clone()),
    ];
    Phone::new(&town, "coordinator").push(&[]);
    let mut failures = Vec::new();
    for (case, author) in &cases {
        let edits = [
            phone.reading(&unit, 5.0),
            with(&phone.reading(&unit, 5.1), "author", json!(author)),
            phone.reading(&unit, 5.2),
        ];
        let told = phone.told(&edits.iter().collect::<Vec<_>>());
        if told != ["applied", "held unknown_author", "applied"] {
            failures.push(format!("{case}: {told:?}"));
        }
    }
    none_failed(&failures);
    let held = town.coordinator().all("/v1/held", 100);
    let authors: Vec<&str> = held.iter().map(|item| item["author"].as_str().unwrap()).collect();
    assert_eq!(authors, cases.each_ref().map(|(_, author)| author.as_str()));
    // Handsets are shared: once the coordinator has signed in here, their edits count, and what waited goes on waiting.
    let shared = phone.passed_to(town.coordinator());
    let edit = with(&shared.reading(&unit, 5.3), "author", json!(town.people["coordinator"]));
    let back = Phone { client: phone.client.clone(), ..shared };
    assert_eq!(back.told(&[&edit]), ["applied"]);
    let recorded = town.coordinator().get(&format!("{EVENTS}/{}", id_of(&edit))).expect(200).json();
    assert_eq!(recorded["author"], json!(town.people["coordinator"]));
    assert_eq!(town.coordinator().all("/v1/held", 100).len(), cases.len());
    is_clean(&world.database);
}

fn what_was_not_theirs_counts_once_it_is(backend: Backend) {
    let world = World::new(backend);
    let town = world.town();
    let there = town.unit_in_service("SH-1", 1);
    let person = world.person(town.id, &[("technician", json!([town.sites[0]]))]);
    let phone = Phone::of(&town, &world.client(town.id, person));
    let [absent, out] = [new_id(), there].map(|unit| (phone.reading(&unit, 5.0), unit));
    assert_eq!(phone.told(&[&absent.0, &out.0]), ["parked missing_parent"; 2]);
    let recorded = |client: &Client, edit: &Value| client.get(&format!("{EVENTS}/{}", id_of(edit))).status;
    let boss = town.coordinator();
    assert_eq!([&absent.0, &out.0].map(|edit| recorded(boss, edit)), [404; 2]);

    // The unit is made at a desk, and its reading comes to it by itself.
    let made = json!({"id": absent.1, "label": "FS-2", "home_site_id": town.sites[0], "fuel": "petrol"});
    boss.post("/v1/units", &made).expect(201);
    assert_eq!([&absent.0, &out.0].map(|edit| recorded(boss, edit)), [200, 404]);
    assert_eq!(phone.told(&[&absent.0, &out.0]), ["already_applied", "parked missing_parent"]);

    // A grant opens the other, when the handset offers it again.
    world.grant(
        town.id,
        person,
        json!({"role": "technician", "sites": [town.sites[1]], "from": "2020-01-01T00:00:00Z"}),
    );
    assert_eq!(phone.told(&[&absent.0, &out.0]), ["already_applied", "applied"]);
    assert_eq!(beside(&world), 0);
    is_clean(&world.database);
}

/// Ids are drawn by devices: one that another organization has used says nothing here.
fn ids_of_another_organization_are_free(backend: Backend) {
    let world = World::new(backend);
    let (town, elsewhere) = (world.town(), world.town());
    let foreign = odd_in(&elsewhere, 0);
    let etag = || elsewhere.coordinator().get(&format!("/v1/units/{}", foreign.unit)).expect(200).etag();
    let (before, phone) = (etag(), Phone::new(&town, "coordinator"));
    let own = |edit: Value, id: &str| {
        let named = with(&with(&edit, "id", json!(id)), "previous", Value::Null);
        if edit.get("record_id").is_some() { with(&named, "record_id", json!(id)) } else { named }
    };
    let site = own(phone.create("site", json!({"name": "Yard", "zone": "UTC"})), &foreign.site);
    let unit = own(phone.new_unit("FS-2", &foreign.site), &foreign.unit);
    let event = own(phone.reading(&foreign.unit, 9.0), &foreign.event);
    assert_eq!(phone.told(&[&site, &unit, &event]), ["applied"; 3]);
    assert_eq!(etag(), before);
    let read = |client: &Client| {
        client.get(&format!("{EVENTS}/{}", foreign.event)).expect(200).json()["meter_hours"].as_f64()
    };
    assert_eq!((read(elsewhere.coordinator()), read(town.coordinator())), (Some(5.0), Some(9.0)));
    // A base that names somebody else's edit is a base that names nothing.
    let label = phone.set(
        "unit",
        &foreign.unit,
        json!({"label": "FS-3"}),
        json!({"label": [{"raw": phone.stamp(AT, 1), "edit": foreign.event}]}),
    );
    assert_eq!(phone.told(&[&with(&label, "previous", Value::Null)]), ["contested ?label"]);
    is_clean(&world.database);
}

//! One number over what is told of a site, summed up here from what was told; and what differs, found part by part.

use std::collections::BTreeMap;

use blackbox::{Backend, Client, Direct, Town, World, on_both, service::is_clean, world::fresh};
use serde_json::{Value, json};
use store::view::{Most, Pull, SiteFingerprint};

use super::{Replica, change, lively, replica::Name};

on_both!(fingerprints_are_the_sum_of_what_is_told, what_differs_is_found);

/// The hash of a change's record: names in order and numbers as they came, which is how the service spells them.
fn hash(change: &Value) -> [u8; 32] {
    let text = |member: &str| change[member].as_str().unwrap();
    let spelled =
        format!(r#"{{"body":{},"kind":"{}","record":"{}"}}"#, change["record"], text("kind"), text("id"));
    *proof::sha256(spelled).as_bytes()
}

/// The sum of hashes, modulo 2^256.
fn sum<'a>(changes: impl Iterator<Item = &'a Value>) -> (u64, String) {
    let (mut total, mut count) = ([0_u8; 32], 0);
    for change in changes {
        let mut carry = 0;
        for (digit, more) in total.iter_mut().zip(hash(change)).rev() {
            let added = u16::from(*digit) + u16::from(more) + carry;
            (*digit, carry) = (added.to_be_bytes()[1], added >> 8);
        }
        count += 1;
    }
    (count, data_encoding::HEXLOWER.encode(&total))
}

/// What a copy has of a site.
fn at_site(replica: &Replica, site: &str, scope: &BTreeMap<String, Vec<String>>) -> BTreeMap<Name, Value> {
    let here = |unit: &Value| {
        unit.as_str().is_some_and(|unit| scope.get(unit).is_some_and(|at| at.iter().any(|at| at == site)))
    };
    let of_it = |((kind, id), change): &(Name, Value)| match kind.as_str() {
        "site" => id == site,
        "unit" => here(&change["id"]),
        "service_event" => here(&change["unit_id"]),
        _ => false,
    };
    replica.live().into_iter().filter(of_it).collect()
}

/// What the service keeps, as a handset is told at the end of a pull.
fn kept(world: &World, town: &Town) -> Vec<SiteFingerprint> {
    let direct = Direct::open(&world.database, 2);
    let most = Most { changes: 100_000, bytes: 100_000_000 };
    let organization = town.id;
    let mut cursor = None;
    loop {
        let pull = Pull {
            organization,
            sites: None,
            handset: Some(fresh()),
            revoked: false,
            cursor,
            page: true,
            most,
        };
        let pulled = direct.ask(|store| async move { store.pull(pull).await }).unwrap();
        if let Some(found) = pulled.fingerprints {
            return found;
        }
        cursor = pulled.cursor;
    }
}

fn parts(client: &Client, site: &str, prefix: &str) -> Vec<(String, u64, String)> {
    let answer = client.get(&format!("/v1/fingerprints?site_id={site}&prefix={prefix}")).expect(200).json();
    let part = |part: &Value| {
        let text = |member: &str| part[member].as_str().unwrap().to_owned();
        (text("prefix"), part["count"].as_u64().unwrap(), text("fingerprint"))
    };
    answer["parts"].as_array().unwrap().iter().map(part).collect()
}

fn fingerprints_are_the_sum_of_what_is_told(backend: Backend) {
    let world = World::new(backend);
    let (town, [first, second, third]) = lively(&world);
    let client = town.coordinator();
    let homes = [(&first, 0), (&second, 1), (&third, 0)];
    let mut scope: BTreeMap<String, Vec<String>> =
        homes.into_iter().map(|(unit, site)| (unit.clone(), vec![town.sites[site].clone()])).collect();
    let mut replica = Replica::new(client, 100);
    let mut check = |case: &str, scope: &BTreeMap<String, Vec<String>>| {
        replica.follow();
        let kept = kept(&world, &town);
        for site in &town.sites {
            let expected = sum(at_site(&replica, site, scope).values());
            let found = kept.iter().find(|found| found.site.to_string() == *site).unwrap();
            assert_eq!((found.count, found.fingerprint.to_string()), expected, "{case}");
            let narrowed: u64 = parts(client, site, "").iter().map(|(_, count, _)| count).sum();
            assert_eq!(narrowed, expected.0, "{case}");
        }
    };
    check("as it was made", &scope);
    change(client, &format!("/v1/units/{first}"), &json!({"label": "Bay 2", "note": "by the door"}));
    check("a field", &scope);
    town.happened(
        &third,
        "2026-04-01T12:00:00Z",
        json!({"kind": "placement", "site_id": town.sites[1], "note": "on loan"}),
    );
    scope.get_mut(&third).unwrap().push(town.sites[1].clone());
    check("a unit at two sites", &scope);
    change(client, &format!("/v1/units/{second}"), &json!({"retired": true}));
    check("a retired unit", &scope);
    change(client, &format!("/v1/units/{second}"), &json!({"retired": null}));
    check("a revived unit", &scope);
    is_clean(&world.database);
    // As before it was kept: what is not worked out yet is when it is asked for, or written about.
    world.database.sql("UPDATE unit_sent SET record_hash = NULL, events = 0");
    check("not kept yet", &scope);
    town.happened(&first, "2026-04-02T12:00:00Z", json!({"kind": "reading", "meter_hours": 9}));
    check("kept again", &scope);
    is_clean(&world.database);
}

fn what_differs_is_found(backend: Backend) {
    let world = World::new(backend);
    let (town, units) = lively(&world);
    let site = &town.sites[0];
    let client = town.coordinator();
    let mut replica = Replica::new(client, 100);
    replica.follow();
    let scope = [(units[0].clone(), vec![site.clone()]), (units[2].clone(), vec![site.clone()])].into();
    let mut own = at_site(&replica, site, &scope);
    let whole = own.clone();
    // One is changed, one is lost, and one is beyond what the service has.
    let events: Vec<Name> = own.keys().filter(|(kind, _)| kind == "service_event").cloned().collect();
    own.get_mut(&events[1]).unwrap()["record"]["note"] = json!("another");
    own.remove(&events[4]);
    let beyond: Name = ("service_event".into(), "01990000-0000-7000-8000-000000000001".into());
    own.insert(beyond.clone(), json!({"kind": beyond.0, "id": beyond.1, "record": {}}));

    let within = |own: &BTreeMap<Name, Value>, prefix: &str| {
        let begins = |id: &str| id.replace('-', "").starts_with(prefix);
        own.iter()
            .filter(|((_, id), _)| begins(id))
            .map(|(name, change)| (name.clone(), change.clone()))
            .collect::<BTreeMap<_, _>>()
    };
    let (mut open, mut fetched) = (vec![String::new()], 0);
    while let Some(prefix) = open.pop() {
        let parts = parts(client, site, &prefix);
        // What begins as no part does is not with the service.
        let told = |id: &str| parts.iter().any(|(part, ..)| id.replace('-', "").starts_with(part));
        let gone: Vec<Name> = within(&own, &prefix).into_keys().filter(|(_, id)| !told(id)).collect();
        gone.iter().for_each(|name| drop(own.remove(name)));
        for (part, count, fingerprint) in parts {
            if sum(within(&own, &part).values()) == (count, fingerprint) {
                continue;
            }
            if count > 2 {
                open.push(part);
                continue;
            }
            let path = format!("/v1/fingerprints/records?site_id={site}&prefix={part}");
            let records = client.get(&path).expect(200).json();
            within(&own, &part).keys().for_each(|name| drop(own.remove(name)));
            for change in records["changes"].as_array().unwrap() {
                fetched += 1;
                let name = ["kind", "id"].map(|member| change[member].as_str().unwrap().to_owned());
                own.insert(name.into(), change.clone());
            }
        }
    }
    assert_eq!(own, whole);
    assert!(fetched <= 6, "{fetched} records were fetched for three");

    let viewer = world.client(town.id, world.person(town.id, &[("viewer", json!([town.sites[1]]))]));
    for path in ["/v1/fingerprints", "/v1/fingerprints/records"] {
        viewer.get(&format!("{path}?site_id={site}")).problem(404, "not_found");
        client.get(&format!("{path}?site_id={}", units[0])).problem(404, "not_found");
        let cases = [("", "site_id", "required"), ("?site_id=7", "site_id", "invalid_id")];
        for (query, parameter, code) in cases {
            let reply = client.get(&format!("{path}{query}"));
            reply.problem(400, "invalid_parameter");
            assert_eq!(reply.errors(), [(parameter.to_owned(), code.to_owned())], "{query}");
        }
        let reply = client.get(&format!("{path}?site_id={site}&prefix=G"));
        assert_eq!(reply.errors(), [("prefix".to_owned(), "invalid_prefix".to_owned())]);
    }
}

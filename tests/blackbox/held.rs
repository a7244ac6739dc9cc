//! Edits of handsets that wait for a person, and fields that people set without knowing of each other: how they are listed,
//! who decides, and what becomes of them.

use std::{cell::Cell, thread};

use blackbox::{
    Backend, Client, Reply, Town, World, none_failed, on_both,
    service::{NOW, is_clean},
    world::{self, id_of, new_id},
};
use serde_json::{Value, json};

on_both!(
    what_waits_is_released_or_refused_once,
    who_decides_and_who_looks_on,
    a_revoked_handset_and_a_stranger_wait,
    what_has_become_impossible_goes_on_waiting,
    of_many_who_decide_at_once_one_does,
    contested_fields_are_listed_until_they_are_settled,
);

const HELD: &str = "/v1/held";

/// A town with a technician's handset.
struct Yard {
    world: World,
    town: Town,
    handset: Value,
    sent: Cell<u64>,
}

impl Yard {
    fn new(backend: Backend) -> Self {
        let world = World::new(backend);
        let town = world.town();
        let handset = town.handset(&town.clients["technician"], "Van 2");
        Self { world, town, handset, sent: Cell::new(0) }
    }

    fn boss(&self) -> &Client {
        self.town.coordinator()
    }

    /// An edit as the handset makes it.
    fn edit(&self, kind: &str, action: &str, body: Value) -> Value {
        let number = self.sent.get() + 1;
        self.sent.set(number);
        world::edit(&self.handset, number, &new_id(), kind, action, body)
    }

    /// A reading that lies a day ahead.
    fn ahead(&self, unit: &str) -> Value {
        let body = json!({"kind": "reading", "unit_id": unit, "occurred_at": "2026-06-16T12:00:00Z", "occurred_source": "clock",
            "meter_hours": 5, "note": "behind the shed"});
        self.edit("service_event", "create", body)
    }

    /// Fields of a record, by somebody who has not seen what they were.
    fn unseen(&self, kind: &str, id: &str, body: Value) -> Value {
        let mut edit = self.edit(kind, "set", body);
        edit["record_id"] = json!(id);
        edit
    }

    /// Sends edits; the word and the reason for each.
    fn push(&self, edits: &[&Value]) -> Vec<(String, String)> {
        let edits: Vec<Value> = edits.iter().copied().cloned().collect();
        let text = |result: &Value, name: &str| result[name].as_str().unwrap_or_default().to_owned();
        let results = world::push(&self.town.clients["technician"], NOW, &self.handset, &edits);
        results.iter().map(|result| (text(result, "result"), text(result, "reason"))).collect()
    }

    fn told(&self, edits: &[&Value], expected: &[(&str, &str)]) {
        let told = self.push(edits);
        let told: Vec<(&str, &str)> =
            told.iter().map(|(word, reason)| (word.as_str(), reason.as_str())).collect();
        assert_eq!(told, expected);
    }

    /// The ids of what waits, as somebody sees it.
    fn waiting(&self, client: &Client) -> Vec<String> {
        client.all(HELD, 100).iter().map(id_of).collect()
    }
}

fn release(client: &Client, edit: &str) -> Reply {
    client.post(&format!("{HELD}/{edit}/release"), &json!({}))
}

fn refuse(client: &Client, edit: &str, reason: &str) -> Reply {
    client.post(&format!("{HELD}/{edit}/refuse"), &json!({"reason": reason}))
}

fn what_waits_is_released_or_refused_once(backend: Backend) {
    let yard = Yard::new(backend);
    let unit = yard.town.unit_in_service("FS-1", 0);
    let edits = [yard.ahead(&unit), yard.ahead(&unit), yard.ahead(&unit)];
    let all: Vec<&Value> = edits.iter().collect();
    yard.told(&all, &[("held", "future_event"); 3]);
    let ids: Vec<String> = edits.iter().map(id_of).collect();
    let boss = yard.boss();
    for limit in [1, 2, 3, 100] {
        let listed: Vec<String> = boss.all(HELD, limit).iter().map(id_of).collect();
        assert_eq!(listed, ids, "in pages of {limit}");
    }
    let first = &boss.get(HELD).expect(200).json()["items"][0];
    let technician = yard.town.people["technician"].to_string();
    for (name, expected) in [
        ("kind", json!("service_event")),
        ("action", json!("create")),
        ("record_id", json!(ids[0])),
        ("unit_id", json!(unit)),
        ("reason", json!("future_event")),
        ("author", json!(technician)),
        ("handset_id", yard.handset["id"].clone()),
        ("occurred_at", json!("2026-06-16T12:00:00Z")),
    ] {
        assert_eq!(first[name], expected, "{name}: {first}");
    }
    assert_eq!(first["body"]["note"], "behind the shed", "{first}");
    assert_eq!(first.get("decided"), None, "{first}");
    let event = |id: &str| boss.get(&format!("/v1/service-events/{id}")).status;
    assert_eq!(event(&ids[0]), 404, "what waits counts for nothing");

    // Released, and again, also by somebody else: the first answer.
    let rows = yard.world.database.log_rows();
    let released = release(boss, &ids[0]).expect(200).json();
    assert_eq!(released["decided"]["decision"], "released", "{released}");
    assert_eq!(released["decided"]["author"], yard.town.people["coordinator"].to_string(), "{released}");
    for client in [boss, &yard.town.clients["admin"]] {
        assert_eq!(release(client, &ids[0]).expect(200).json(), released);
    }
    refuse(boss, &ids[0], "A slip").problem(409, "already_decided");
    assert_eq!(yard.world.database.log_rows(), rows + 1);
    assert_eq!(event(&ids[0]), 200);
    let recorded = boss.get(&format!("/v1/service-events/{}", ids[0])).json();
    assert_eq!((&recorded["author"], &recorded["note"]), (&json!(technician), &json!("behind the shed")));

    // Refused, for a reason, and again.
    let path = format!("{HELD}/{}/refuse", ids[1]);
    for (body, code) in [
        (json!({}), "required"),
        (json!({"reason": null}), "required"),
        (json!({"reason": ""}), "empty_text"),
        (json!({"reason": "  "}), "empty_text"),
        (json!({"reason": "x".repeat(201)}), "text_too_long"),
        (json!({"reason": 5}), "wrong_type"),
    ] {
        let reply = boss.post(&path, &body);
        reply.problem(400, "invalid_request");
        assert_eq!(reply.errors(), [("/reason".to_owned(), code.to_owned())], "{body}");
    }
    boss.post(&path, &json!({"reason": "A slip", "colour": "red"})).problem(400, "invalid_request");
    boss.post(&format!("{HELD}/{}/release", ids[1]), &json!({"reason": "A slip"}))
        .problem(400, "invalid_request");
    assert_eq!(yard.world.database.log_rows(), rows + 1);
    let refused = refuse(boss, &ids[1], "A slip").expect(200).json();
    assert_eq!(
        (&refused["decided"]["decision"], &refused["decided"]["reason"]),
        (&json!("refused"), &json!("A slip"))
    );
    assert_eq!(refuse(boss, &ids[1], "A slip").expect(200).json(), refused);
    refuse(boss, &ids[1], "Another").problem(409, "already_decided");
    release(boss, &ids[1]).problem(409, "already_decided");
    assert_eq!((yard.world.database.log_rows(), event(&ids[1])), (rows + 2, 404));

    assert_eq!(yard.waiting(boss), ids[2..]);
    // The handset learns it when it asks again.
    yard.told(&all, &[("already_applied", ""), ("refused", "refused_by_person"), ("held", "future_event")]);
    is_clean(&yard.world.database);
}

fn who_decides_and_who_looks_on(backend: Backend) {
    let yard = Yard::new(backend);
    let Yard { world, town, .. } = &yard;
    let units = [0, 1].map(|site| town.unit_in_service(&format!("FS-{site}"), site));
    let [here, there] = units.each_ref().map(|unit| yard.ahead(unit));
    // A new site is at no site yet.
    let site = new_id();
    let mut new = yard.edit("site", "create", json!({"name": "Yard", "zone": "UTC"}));
    (new["id"], new["record_id"], new["author"]) = (json!(site), json!(site), json!(new_id()));
    yard.told(
        &[&here, &there, &new],
        &[("held", "future_event"), ("held", "future_event"), ("held", "unknown_author")],
    );
    let [here, there] = [here, there].map(|edit| id_of(&edit));
    let person = |grants: &[(&str, Value)]| world.client(town.id, world.person(town.id, grants));
    let one = |site: usize| json!([town.sites[site]]);
    let all = vec![here.clone(), there.clone(), site.clone()];
    let only_there = vec![there.clone()];
    let cases = [
        ("coordinator", town.coordinator().clone(), Some(all.clone()), [200, 200]),
        ("admin", town.clients["admin"].clone(), Some(all.clone()), [200, 200]),
        ("planner", town.clients["planner"].clone(), Some(all.clone()), [403, 403]),
        ("auditor", town.clients["auditor"].clone(), Some(all), [403, 403]),
        ("technician", town.clients["technician"].clone(), None, [403, 403]),
        ("viewer", town.clients["viewer"].clone(), None, [403, 403]),
        ("custodian", town.clients["custodian"].clone(), None, [403, 403]),
        ("integrator", town.clients["integrator"].clone(), None, [403, 403]),
        ("coordinator there", person(&[("coordinator", one(1))]), Some(only_there.clone()), [404, 200]),
        ("admin there", person(&[("admin", one(1))]), Some(only_there.clone()), [404, 200]),
        ("planner there", person(&[("planner", one(1))]), Some(only_there.clone()), [404, 403]),
        // What is seen by one grant is not decided by another.
        (
            "coordinator there, viewer everywhere",
            person(&[("coordinator", one(1)), ("viewer", json!("all"))]),
            Some(only_there),
            [403, 200],
        ),
        ("nobody", person(&[]), None, [404, 404]),
    ];
    let mut failures = Vec::new();
    let rows = world.database.log_rows();
    for (name, client, sees, _) in &cases {
        let found = client.get(HELD);
        let listed = (found.status == 200).then(|| yard.waiting(client));
        if listed != *sees {
            failures.push(format!("{name} sees {listed:?}: {}", found.status));
        }
    }
    // First those who may not, so that there is something to be decided about.
    for may in [false, true] {
        for (name, client, _, decides) in &cases {
            for (edit, expected) in
                [&here, &there].into_iter().zip(decides).filter(|(_, s)| (**s == 200) == may)
            {
                let reply = release(client, edit);
                if reply.status != *expected {
                    failures
                        .push(format!("{name}: expected {expected}, got {} {}", reply.status, reply.text));
                }
            }
        }
        let written = if may { 2 } else { 0 };
        if world.database.log_rows() != rows + written {
            failures
                .push(format!("{written} rows should be written, not {}", world.database.log_rows() - rows));
        }
    }
    let elsewhere = world.town();
    for client in [elsewhere.coordinator(), &elsewhere.clients["admin"]] {
        for reply in [release(client, &here), refuse(client, &site, "Ours"), release(client, &site)] {
            reply.problem(404, "not_found");
        }
        assert_eq!(yard.waiting(client), [""; 0]);
    }
    none_failed(&failures);
    release(yard.boss(), &new_id()).problem(404, "not_found");
    release(yard.boss(), &town.sites[0]).problem(404, "not_found");
    release(yard.boss(), "x").problem(404, "not_found");
    let key = [("content-type", "application/json"), ("idempotency-key", "again")];
    let path = format!("{HELD}/{site}/release");
    yard.boss().send("POST", &path, &key, Some(b"{}")).problem(400, "invalid_header");
    let key = [("content-type", "application/json"), ("idempotency-key", &new_id())];
    for _ in 0..2 {
        yard.boss().send("POST", &path, &key, Some(b"{}")).expect(200);
    }
    yard.boss().get(&format!("/v1/sites/{site}")).expect(200);
    is_clean(&world.database);
}

fn a_revoked_handset_and_a_stranger_wait(backend: Backend) {
    let yard = Yard::new(backend);
    let unit = yard.town.unit_in_service("FS-1", 0);
    let body =
        json!({"kind": "reading", "unit_id": unit, "occurred_at": "2026-06-14T12:00:00Z", "meter_hours": 5});
    let mut stranger = yard.edit("service_event", "create", body.clone());
    stranger["author"] = json!(new_id());
    yard.told(&[&stranger], &[("held", "unknown_author")]);
    let revoke = format!("/v1/handsets/{}/revoke", yard.handset["id"].as_str().unwrap());
    yard.boss().post(&revoke, &json!({})).expect(200);
    let late = yard.edit("service_event", "create", body);
    let fields = yard.unseen("unit", &unit, json!({"label": "FS-9"}));
    yard.told(&[&late, &fields], &[("held", "handset_revoked"); 2]);
    let listed = yard.boss().all(HELD, 100);
    let told: Vec<(&str, &str)> = listed
        .iter()
        .map(|item| (item["reason"].as_str().unwrap(), item["action"].as_str().unwrap()))
        .collect();
    assert_eq!(
        told,
        [("unknown_author", "create"), ("handset_revoked", "create"), ("handset_revoked", "set")]
    );
    assert_eq!(listed[2]["body"], json!({"label": "FS-9"}));
    // An admin does no maintenance, and says whose work counts.
    release(&yard.town.clients["admin"], &id_of(&late)).expect(200);
    release(yard.boss(), &id_of(&fields)).expect(200);
    refuse(yard.boss(), &id_of(&stranger), "Nobody knows who that is").expect(200);
    assert_eq!(yard.waiting(yard.boss()), [""; 0]);
    assert_eq!(yard.boss().all(&format!("/v1/service-events?unit={unit}&kind=reading"), 100).len(), 1);
    is_clean(&yard.world.database);
}

fn what_has_become_impossible_goes_on_waiting(backend: Backend) {
    let yard = Yard::new(backend);
    let unit = yard.town.unit_in_service("FS-1", 0);
    let by_stranger = |mut edit: Value| {
        edit["author"] = json!(new_id());
        edit
    };
    let id = new_id();
    let fields = json!({"label": "FS-2", "home_site_id": yard.town.sites[0], "fuel": "petrol"});
    let mut made = by_stranger(yard.edit("unit", "create", fields.clone()));
    (made["id"], made["record_id"]) = (json!(id), json!(id));
    let moved = json!({"kind": "placement", "unit_id": unit, "occurred_at": "2026-06-14T12:00:00Z", "site_id": new_id()});
    let moved = by_stranger(yard.edit("service_event", "create", moved));
    yard.told(&[&made, &moved], &[("held", "unknown_author"); 2]);
    // Somebody has made the unit meanwhile, under the same id.
    let mut again = fields;
    again["id"] = json!(id);
    let reply = yard.boss().post("/v1/units", &again);
    let rows = yard.world.database.log_rows();
    if reply.status == 201 {
        release(yard.boss(), &id).problem(409, "not_possible");
    } else {
        reply.problem(409, "id_reused");
    }
    let reply = release(yard.boss(), &id_of(&moved));
    reply.problem(409, "not_possible");
    assert_eq!(reply.errors(), [("/body/site_id".to_owned(), "unknown_site".to_owned())]);
    assert_eq!(yard.world.database.log_rows(), rows);
    let waiting = yard.waiting(yard.boss());
    assert!(waiting.contains(&id_of(&moved)), "{waiting:?}");
    refuse(yard.boss(), &id_of(&moved), "There is no such site").expect(200);
    is_clean(&yard.world.database);
}

fn of_many_who_decide_at_once_one_does(backend: Backend) {
    let yard = Yard::new(backend);
    let unit = yard.town.unit_in_service("FS-1", 0);
    let edits = [0; 5].map(|_| yard.ahead(&unit));
    yard.told(&edits.iter().collect::<Vec<_>>(), &[("held", "future_event"); 5]);
    for edit in edits.iter().map(id_of) {
        let rows = yard.world.database.log_rows();
        let statuses: Vec<(bool, u16)> = thread::scope(|scope| {
            let decide = |releases: bool| {
                let (client, edit) = (yard.boss(), &edit);
                scope.spawn(move || {
                    let reply = if releases { release(client, edit) } else { refuse(client, edit, "A slip") };
                    (releases, reply.status)
                })
            };
            let all: Vec<_> = (0..8).map(|n| decide(n % 2 == 0)).collect();
            all.into_iter().map(|one| one.join().unwrap()).collect()
        });
        let won = statuses.iter().find(|(_, status)| *status == 200).expect("somebody decides").0;
        for (releases, status) in statuses {
            assert_eq!(status, if releases == won { 200 } else { 409 }, "{edit}");
        }
        assert_eq!(yard.world.database.log_rows(), rows + 1);
    }
    is_clean(&yard.world.database);
}

fn contested_fields_are_listed_until_they_are_settled(backend: Backend) {
    const CONTESTED: &str = "/v1/contested";
    let yard = Yard::new(backend);
    let Yard { world, town, .. } = &yard;
    let boss = yard.boss();
    let mut units = [0, 0, 1].map(|site| town.unit_in_service("FS-1", site));
    units.sort();
    assert_eq!(boss.all(CONTESTED, 100), Vec::<Value>::new());
    // A technician sets no fields, so it is the coordinator who holds the handset.
    let edits: Vec<Value> = units
        .iter()
        .flat_map(|unit| [yard.unseen("unit", unit, json!({"label": "Other", "fuel": "diesel"}))])
        .chain([yard.unseen("site", &town.sites[0], json!({"name": "Other"}))])
        .collect();
    for result in world::push(boss, NOW, &yard.handset, &edits) {
        assert_eq!(result["result"], "contested", "{result}");
    }

    let place =
        |item: &Value| ["kind", "id", "field"].map(|name| item[name].as_str().unwrap().to_owned()).join(" ");
    let mut expected: Vec<String> =
        units.iter().flat_map(|unit| ["fuel", "label"].map(|field| format!("unit {unit} {field}"))).collect();
    expected.push(format!("site {} name", town.sites[0]));
    for limit in 1..=8 {
        let listed: Vec<String> = boss.all(CONTESTED, limit).iter().map(place).collect();
        assert_eq!(listed, expected, "in pages of {limit}");
    }
    let page = boss.get(&format!("{CONTESTED}?limit=3")).expect(200).json();
    assert_eq!(page["items"].as_array().unwrap().len(), 3);
    let item = &page["items"][1];
    let values = item["values"].as_array().unwrap();
    // The handset's stamps are of long ago.
    let told: Vec<(&Value, &Value)> = values.iter().map(|value| (&value["value"], &value["wins"])).collect();
    assert_eq!(told, [(&json!("FS-1"), &json!(true)), (&json!("Other"), &json!(false))], "{item}");
    assert_eq!(
        (&values[1]["handset_id"], values[0].get("handset_id")),
        (&yard.handset["id"], None),
        "{item}"
    );
    assert_eq!(values[1]["edit"], edits[0]["id"], "{item}");

    let count = |client: &Client, filter: &str| client.all(&format!("{CONTESTED}{filter}"), 2).len();
    let at = |site: usize| format!("?site={}", town.sites[site]);
    let there = world.client(town.id, world.person(town.id, &[("viewer", json!([town.sites[1]]))]));
    for (name, found, expected) in [
        ("here", count(boss, &at(0)), 5),
        ("there", count(boss, &at(1)), 2),
        ("nowhere", count(boss, &format!("?site={}", new_id())), 0),
        ("to somebody there", count(&there, ""), 2),
        ("to somebody there, here", count(&there, &at(0)), 0),
        ("to a viewer", count(&town.clients["viewer"], ""), 7),
        ("to others", count(world.town().coordinator(), ""), 0),
    ] {
        assert_eq!(found, expected, "{name}");
    }
    boss.get(&format!("{CONTESTED}?cursor=x")).problem(400, "cursor_invalid");
    boss.get(&format!("{CONTESTED}?site=x")).problem(400, "invalid_parameter");
    boss.get(&format!("{CONTESTED}?colour=red")).problem(400, "invalid_parameter");

    // Settled by a change that has seen all of it: the field leaves the list, the others stay.
    let path = format!("/v1/units/{}", units[0]);
    boss.patch(&path, item["etag"].as_str().unwrap(), &json!({"label": "FS-7"})).expect(200);
    let listed: Vec<String> = boss.all(CONTESTED, 100).iter().map(place).collect();
    expected.retain(|place| *place != format!("unit {} label", units[0]));
    assert_eq!(listed, expected);
    boss.patch(&path, item["etag"].as_str().unwrap(), &json!({"fuel": "diesel"}))
        .problem(412, "precondition_failed");
    is_clean(&world.database);
}

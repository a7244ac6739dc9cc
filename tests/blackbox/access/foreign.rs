//! Another organization's things look like things that are not there.

use std::collections::BTreeMap;

use blackbox::{
    Backend, Client, Reply, Town, World, none_failed, on_both,
    world::{description, edition, id_of, new_id},
};
use serde_json::{Value, json};

use crate::{imports, kinds, outages};

on_both!(every_path_with_ids_of_others, ids_of_others_in_bodies, ids_of_others_in_parameters);

/// All that a reply tells, without what names the one request or its moment.
fn told(reply: &Reply) -> (u16, BTreeMap<String, String>, String) {
    let mut headers: BTreeMap<String, String> = reply
        .headers
        .iter()
        .map(|(name, value)| (name.to_string(), value.to_str().unwrap().to_owned()))
        .collect();
    let id = headers.remove("x-request-id").unwrap();
    headers.remove("date");
    // Whether the body of a file had come by then.
    headers.remove("connection");
    (reply.status, headers, reply.text.replace(&id, "ID"))
}

/// What an organization has, by the name of its place in paths.
fn ids(town: &Town) -> BTreeMap<&'static str, String> {
    let unit = town.unit_in_service("FS-1", 0);
    let held = town.held(&unit);
    let event = town.happened(&unit, "2026-06-01T12:00:00Z", json!({"kind": "reading", "meter_hours": 5}));
    let import = imports::made(town.coordinator(), json!({"mapping": {"records": "sites"}}));
    let list = json!({"name": "Daily", "zone": "UTC", "sites": "all", "role": "viewer"});
    let list = id_of(&town.coordinator().post("/v1/mail-lists", &list).expect(201).json());
    let recipient = json!({"mail_list_id": list, "address": "duty@tarn-valley.example"});
    let recipient = id_of(&town.coordinator().post("/v1/recipients", &recipient).expect(201).json());
    let incident = town.coordinator().post("/v1/incidents", &outages::incident()).expect(201).json();
    let promise = outages::promise(&unit, &town.sites[1]);
    let promise = town.coordinator().post("/v1/promises", &promise).expect(201).json();
    BTreeMap::from([
        ("{incident_id}", id_of(&incident)),
        ("{promise_id}", id_of(&promise)),
        ("{mail_list_id}", list),
        ("{recipient_id}", recipient),
        ("{site_id}", town.sites[0].clone()),
        ("{unit_id}", unit),
        ("{schedule_id}", town.schedule.clone()),
        ("{edition_id}", town.edition.clone()),
        ("{event_id}", id_of(&event)),
        ("{edit_id}", held),
        ("{handset_id}", id_of(&town.handset(&town.clients["viewer"], "Van 2"))),
        ("{import_id}", import.rsplit_once('/').unwrap().1.to_owned()),
    ])
}

fn send(client: &Client, method: &str, path: &str) -> Reply {
    match method {
        "GET" if path.ends_with("/engine-class") => client.get(&format!("{path}?source=area")),
        "GET" | "HEAD" => client.send(method, path, &[], None),
        "POST" if ["/revoke", "/release", "/cancel", "/apply"].iter().any(|end| path.ends_with(end)) => {
            client.post(path, &json!({}))
        }
        "PUT" => client.send("PUT", path, &[("content-type", "text/csv")], Some(b"name,zone\r\n")),
        "POST" if path.ends_with("/refuse") => client.post(path, &json!({"reason": "A slip"})),
        "POST" if path.ends_with("/load-check") => client.post(path, &json!({"loads": [{"name": "pump"}]})),
        "POST" => client.post(path, &edition()),
        "PATCH" => {
            let body = match path {
                _ if path.contains("/schedules/") => json!({"title": "x"}),
                _ if path.contains("/mail-lists/") => json!({"name": "x"}),
                _ if path.contains("/recipients/") => json!({"address": "x@tarn-valley.example"}),
                _ => json!({"note": "x"}),
            };
            client.patch(path, "\"1-0123456789abcdef\"", &body)
        }
        other => panic!("{other}"),
    }
}

/// D01 and D80 of the attacks, over every path of the description that names something by its id.
fn every_path_with_ids_of_others(backend: Backend) {
    let world = World::new(backend);
    let (ours, theirs) = (world.town(), world.town());
    let (own, foreign) = (ids(&ours), ids(&theirs));
    let absent: BTreeMap<&str, String> = own.keys().map(|place| (*place, new_id())).collect();
    let fill = |template: &str, ids: &BTreeMap<&str, String>| {
        ids.iter().fold(template.to_owned(), |path, (place, id)| path.replace(place, id))
    };
    let rows = world.database.log_rows();
    let mut failures = Vec::new();
    let mut paths = 0;
    for (template, methods) in description()["paths"].as_object().unwrap() {
        if !template.contains("_id}") {
            continue;
        }
        // All ids foreign; and with the schedule our own, its edition foreign.
        let mut pairs = vec![(fill(template, &foreign), fill(template, &absent))];
        if template.contains("{edition_id}") {
            let half = template.replace("{schedule_id}", &ours.schedule);
            pairs.push((fill(&half, &foreign), fill(&half, &absent)));
        }
        for (foreign, absent) in pairs {
            for method in methods.as_object().unwrap().keys() {
                paths += 1;
                let method = method.to_uppercase();
                for role in ["coordinator", "admin", "viewer"] {
                    let client = &ours.clients[role];
                    let (seen, unseen) = (send(client, &method, &foreign), send(client, &method, &absent));
                    if told(&seen) != told(&unseen) {
                        failures.push(format!("{method} {foreign} by {role}: {seen:?} unlike {unseen:?}"));
                    }
                    // Whom an action is never for is told so before anything is looked up.
                    if seen.status != 404 && !(role != "coordinator" && method != "GET" && seen.status == 403)
                    {
                        failures.push(format!("{method} {foreign} by {role}: {}", seen.status));
                    }
                }
            }
        }
    }
    assert!(paths >= 12, "the description names paths with ids: {paths}");
    none_failed(&failures);
    assert_eq!(world.database.log_rows(), rows);
    // What is no id at all is not there either.
    for path in
        ["/v1/units/1", "/v1/units/%27%20OR%201=1--", "/v1/units/..%2f..%2fetc", "/v1/service-events/\u{30a}"]
    {
        let path: String =
            path.chars().map(|c| if c.is_ascii() { c.to_string() } else { "%CC%8A".into() }).collect();
        ours.coordinator().get(&path).problem(404, "not_found");
    }
}

/// D03 of the attacks: an id that belongs to others is answered like one that belongs to nobody.
fn ids_of_others_in_bodies(backend: Backend) {
    let world = World::new(backend);
    let (ours, theirs) = (world.town(), world.town());
    let (own, foreign) = (ids(&ours), ids(&theirs));
    let person = theirs.people["technician"].to_string();
    let at = "2026-06-02T12:00:00Z";
    let unit = own["{unit_id}"].as_str();
    let event = |mut event: Value, member: &str, id: &str| {
        event["unit_id"] = json!(unit);
        event["occurred_at"] = json!(at);
        event[member] = json!(id);
        event
    };
    let reading = json!({"kind": "reading", "meter_hours": 6});
    let correction = json!({"kind": "correction", "action": "void", "reason": "x"});
    let moved =
        json!({"kind": "correction", "action": "reassign", "target_id": own["{event_id}"], "reason": "x"});
    let linked = json!({"kind": "correction", "action": "link", "reason": "x"});
    let service = json!({"kind": "service", "jobs": [{"job": "oil_change"}]});
    let service = id_of(&ours.happened(unit, at, service));
    let same_work = json!({"kind": "correction", "action": "link", "target_id": service, "reason": "x"});
    let cases: Vec<(&str, Value, &str, &str)> = vec![
        ("unit_id", reading.clone(), &foreign["{unit_id}"], "unknown_unit"),
        ("on_behalf_of", reading, &person, "unknown_person"),
        ("site_id", json!({"kind": "commissioning"}), &foreign["{site_id}"], "unknown_site"),
        ("site_id", json!({"kind": "placement"}), &foreign["{site_id}"], "unknown_site"),
        ("schedule_id", ours.adoption(), &foreign["{schedule_id}"], "unknown_schedule"),
        ("edition_id", ours.adoption(), &foreign["{edition_id}"], "unknown_edition"),
        ("target_id", correction, &foreign["{event_id}"], "unknown_event"),
        ("schedule_id", kinds::deferral(&ours), &foreign["{schedule_id}"], "unknown_schedule"),
        ("authorised_by", kinds::deferral(&ours), &person, "unknown_person"),
        ("run_id", json!({"kind": "run", "phase": "stop"}), &foreign["{event_id}"], "unknown_run"),
        ("tag_id", json!({"kind": "tag", "action": "removed"}), &foreign["{event_id}"], "unknown_tag"),
        (
            "finding_id",
            json!({"kind": "finding", "action": "closed"}),
            &foreign["{event_id}"],
            "unknown_finding",
        ),
        ("by", json!({"kind": "tag", "action": "hung", "tag": "locked_out"}), &person, "unknown_person"),
        ("to_unit_id", moved, &foreign["{unit_id}"], "unknown_unit"),
        ("other_unit_id", linked, &foreign["{unit_id}"], "unknown_unit"),
        ("other_id", same_work, &foreign["{event_id}"], "unknown_event"),
    ];
    let client = ours.coordinator();
    let rows = world.database.log_rows();
    for (member, body, id, code) in cases {
        let seen = client.post("/v1/service-events", &event(body.clone(), member, id));
        let unseen = client.post("/v1/service-events", &event(body, member, &new_id()));
        assert_eq!(told(&seen), told(&unseen), "{member}");
        seen.problem(400, "invalid_request");
        assert_eq!(seen.errors(), [(format!("/{member}"), code.to_owned())]);
    }
    let home = |id: &str| json!({"label": "A", "home_site_id": id, "fuel": "petrol"});
    let seen = client.post("/v1/units", &home(&foreign["{site_id}"]));
    assert_eq!(told(&seen), told(&client.post("/v1/units", &home(&new_id()))));
    seen.problem(400, "invalid_request");
    let path = format!("/v1/units/{unit}");
    let etag = client.get(&path).expect(200).etag();
    let moved = |id: &str| client.patch(&path, &etag, &json!({"home_site_id": id}));
    assert_eq!(told(&moved(&foreign["{site_id}"])), told(&moved(&new_id())));
    assert_eq!(world.database.log_rows(), rows);
    // A new record under an id that others use already: no word of theirs (D82).
    for (path, mut body, id) in [
        ("/v1/sites", json!({"name": "Y", "zone": "UTC"}), &foreign["{site_id}"]),
        ("/v1/units", home(&own["{site_id}"]), &foreign["{unit_id}"]),
        (
            "/v1/schedules",
            json!({"title": "T", "publisher": "P", "basis": "maker"}),
            &foreign["{schedule_id}"],
        ),
    ] {
        body["id"] = json!(id);
        client.post(path, &body).expect(201);
    }
}

/// D04 of the attacks.
fn ids_of_others_in_parameters(backend: Backend) {
    let world = World::new(backend);
    let (ours, theirs) = (world.town(), world.town());
    let (own, foreign) = (ids(&ours), ids(&theirs));
    let client = ours.coordinator();
    for (path, id) in [
        ("/v1/due?unit=", &foreign["{unit_id}"]),
        ("/v1/due?site=", &foreign["{site_id}"]),
        ("/v1/units?site=", &foreign["{site_id}"]),
        ("/v1/service-events?unit=", &foreign["{unit_id}"]),
    ] {
        let (seen, unseen) = (client.get(&format!("{path}{id}")), client.get(&format!("{path}{}", new_id())));
        assert_eq!(seen.status, unseen.status, "{path}");
        match seen.status {
            200 => assert_eq!(seen.json()["items"], json!([]), "{path}"),
            _ => assert_eq!(told(&seen), told(&unseen), "{path}"),
        }
    }
    // Lists hold one's own things only.
    let people: Vec<String> = ours.people.values().map(ToString::to_string).collect();
    for (path, id, expected) in [
        ("/v1/sites", "id", &ours.sites[..]),
        ("/v1/units", "id", std::slice::from_ref(&own["{unit_id}"])),
        ("/v1/schedules", "id", std::slice::from_ref(&ours.schedule)),
        ("/v1/handsets", "enrolled_by", &people[..]),
        ("/v1/due", "unit_id", std::slice::from_ref(&own["{unit_id}"])),
    ] {
        for item in client.all(path, 500) {
            assert!(expected.contains(&item[id].as_str().unwrap().to_owned()), "{path}: {item}");
        }
    }
}

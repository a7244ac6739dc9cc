//! An organization, another one, and the one runner of bad requests.

use blackbox::{
    Backend, Client, Reply, World,
    world::{id_of, new_id},
};
use serde_json::json;

use crate::outages;

pub(super) const JSON: &[(&str, &str)] = &[("content-type", "application/json")];
pub(super) const PATCH: &[(&str, &str)] =
    &[("content-type", "application/merge-patch+json"), ("if-match", "{etag}")];

/// An organization, another one, and what bad requests name of them.
pub(super) struct Ground {
    pub(super) world: World,
    /// The coordinator's token.
    pub(super) token: String,
    pub(super) client: Client,
    names: Vec<(&'static str, String)>,
}

impl Ground {
    pub(super) fn new(backend: Backend) -> Self {
        let world = World::new(backend);
        let (town, other) = (world.town(), world.town());
        let unit = town.unit_in_service("FS-1", 0);
        let reading =
            town.happened(&unit, "2026-02-01T09:00:00-07:00", json!({"kind": "reading", "meter_hours": 4.2}));
        let correction =
            json!({"kind": "correction", "action": "void", "target_id": id_of(&reading), "reason": "twice"});
        let correction = town.happened(&unit, "2026-02-01T09:01:00-07:00", correction);
        let list = json!({"name": "Daily", "zone": "UTC", "sites": "all", "role": "viewer"});
        let list = id_of(&town.coordinator().post("/v1/mail-lists", &list).expect(201).json());
        let recipient = json!({"mail_list_id": list, "address": "duty@tarn-valley.example"});
        let recipient = id_of(&town.coordinator().post("/v1/recipients", &recipient).expect(201).json());
        let incident = town.coordinator().post("/v1/incidents", &outages::incident()).expect(201).json();
        let promise = outages::promise(&unit, &town.sites[1]);
        let promise = town.coordinator().post("/v1/promises", &promise).expect(201).json();
        let of_other = town.unit_in_service("FS-2", 0);
        let elsewhere = town.happened(
            &of_other,
            "2026-02-01T09:00:00-07:00",
            json!({"kind": "reading", "meter_hours": 1}),
        );
        let etag = town.coordinator().get(&format!("/v1/units/{unit}")).expect(200).etag();
        let cursor = town.coordinator().get("/v1/units?limit=1").expect(200).json()["next"].clone();
        let import = json!({"mapping": {"records": "sites"}});
        let import = town.coordinator().post("/v1/imports", &import).expect(201);
        let names = vec![
            ("{mail_list}", list),
            ("{recipient}", recipient),
            ("{incident}", id_of(&incident)),
            ("{promise}", id_of(&promise)),
            ("{unit}", unit),
            ("{site}", town.sites[0].clone()),
            ("{schedule}", town.schedule.clone()),
            ("{edition}", town.edition.clone()),
            ("{handset}", id_of(&town.handset(town.coordinator(), "Van 2"))),
            ("{reading}", id_of(&reading)),
            ("{import}", id_of(&import.json())),
            ("{correction}", id_of(&correction)),
            ("{elsewhere}", id_of(&elsewhere)),
            ("{etag}", etag),
            ("{cursor}", cursor.as_str().unwrap().to_owned()),
            ("{foreign_unit}", other.unit("SH-1")),
            ("{foreign_site}", other.sites[0].clone()),
            ("{foreign_schedule}", other.schedule.clone()),
            ("{foreign_edition}", other.edition.clone()),
            ("{foreign_person}", other.people["technician"].to_string()),
            ("{nobody}", new_id()),
        ];
        let token = world.token(town.id, town.people["coordinator"]);
        Self { token, client: town.coordinator().clone(), world, names }
    }

    pub(super) fn fill(&self, text: &str) -> String {
        self.names.iter().fold(text.to_owned(), |text, (name, value)| text.replace(name, value))
    }

    /// Everything that a write could have left behind.
    pub(super) fn traces(&self) -> i64 {
        let tables =
            ["change_log", "record", "edition", "job", "service_event", "due_item", "feed", "private_text"];
        let counts = tables.map(|table| format!("(SELECT count(*) FROM {table})")).join(" + ");
        self.world.database.number(&format!("SELECT {counts} AS n"))
    }

    pub(super) fn send(&self, request: &str, headers: &[(&str, &str)], body: Option<&[u8]>) -> Reply {
        let (method, path) = request.split_once(' ').unwrap();
        let headers: Vec<(&str, String)> = headers.iter().map(|(n, v)| (*n, self.fill(v))).collect();
        let headers: Vec<(&str, &str)> = headers.iter().map(|(n, v)| (*n, v.as_str())).collect();
        self.client.send(method, &self.fill(path), &headers, body)
    }
}

/// What one bad request is told: its status and code, and each wrong place with its own code.
pub(super) type Told<'a> = (u16, &'a str, &'a [(&'a str, &'a str)]);

/// Sends one bad request and compares; what differs is pushed to `failures`.
pub(super) fn refused(
    ground: &Ground,
    failures: &mut Vec<String>,
    case: &str,
    told: Told<'_>,
    send: impl FnOnce() -> Reply,
) {
    let (status, code, errors) = told;
    let before = ground.traces();
    let reply = send();
    if (reply.status, reply.json()["type"].as_str()) != (status, Some(format!("/problems/{code}").as_str())) {
        failures.push(format!("{case}: expected {status} {code}, got {} {:.300}", reply.status, reply.text));
        return;
    }
    reply.problem(status, code);
    let expected: Vec<(String, String)> =
        errors.iter().map(|(pointer, code)| ((*pointer).to_owned(), (*code).to_owned())).collect();
    if reply.errors() != expected {
        failures.push(format!("{case}: expected {expected:?}, got {:?}", reply.errors()));
    }
    if ground.traces() != before {
        failures.push(format!("{case}: something was written"));
    }
}

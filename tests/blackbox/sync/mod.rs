//! `POST /v1/sync` as handsets use it: what becomes of each edit, and that every edit is somewhere.

mod accounted;
mod clocks;
mod copies;
mod foreign;
mod formats;
mod groups;
mod kept;
mod refused;
mod results;
mod reused;
mod standing;
mod states;
mod whole;
mod worked;

use std::cell::{Cell, RefCell};

use blackbox::{Client, Reply, Town, World, service::NOW, world::new_id};
use model::{Instant, edit::FORMAT, stamp::Stamp};
use serde_json::{Value, json};

const SYNC: &str = "/v1/sync";
const EVENTS: &str = "/v1/service-events";
/// A format of edits that no service knows yet.
pub(crate) const NEWER: i32 = FORMAT + 1;

/// A handset in somebody's hand.
pub(crate) struct Phone {
    client: Client,
    id: String,
    number: u32,
    /// How many edits it has made.
    made: Cell<u64>,
    /// The last of them.
    last: RefCell<Option<String>>,
}

impl Phone {
    /// A new one, enrolled by whoever has a role.
    pub(crate) fn new(town: &Town, role: &str) -> Self {
        Self::of(town, &town.clients[role])
    }

    /// A new one, enrolled by somebody.
    fn of(town: &Town, client: &Client) -> Self {
        Self::read(client, &town.handset(client, "Van 2"))
    }

    /// One with an id and a number that are known beforehand.
    fn known_as(town: &Town, role: &str, id: &str, number: u32) -> Self {
        let client = &town.clients[role];
        let previous = json!({"id": id, "number": number});
        let body = json!({"code": town.handset_code(), "name": "Van 2", "previous": previous});
        Self::read(client, &client.post("/v1/handsets", &body).expect(201).json())
    }

    fn read(client: &Client, handset: &Value) -> Self {
        Self {
            client: client.clone(),
            id: handset["id"].as_str().unwrap().to_owned(),
            number: u32::try_from(handset["number"].as_u64().unwrap()).unwrap(),
            made: Cell::new(0),
            last: RefCell::new(None),
        }
    }

    /// The same in somebody else's hand, who signs in.
    fn passed_to(&self, client: &Client) -> Self {
        let (made, last) = (self.made.clone(), self.last.clone());
        let passed = Self { client: client.clone(), id: self.id.clone(), number: self.number, made, last };
        passed.push(&[]);
        passed
    }

    /// A stamp of it.
    fn stamp(&self, at: &str, count: u64) -> String {
        stamp(self.number, at, count)
    }

    /// An edit as it makes it, an hour before it sends.
    fn edit(&self, kind: &str, action: &str, body: Value) -> Value {
        let number = self.made.get() + 1;
        self.made.set(number);
        let id = new_id();
        let mut edit = json!({"id": id, "format": 1, "number": number, "kind": kind, "action": action, "body": body,
            "stamp": self.stamp("2026-06-15T11:00:00Z", number)});
        if let Some(previous) = self.last.replace(Some(id)) {
            edit["previous"] = json!(previous);
        }
        edit
    }

    pub(crate) fn event(&self, body: Value) -> Value {
        self.edit("service_event", "create", body)
    }

    /// A reading of a unit in the days before.
    fn reading(&self, unit: &str, hours: f64) -> Value {
        self.event(reading(unit, "2026-06-14T12:00:00Z", hours))
    }

    /// A reading of what has not happened yet.
    fn ahead(&self, unit: &str) -> Value {
        self.event(reading(unit, "2026-06-16T12:00:00Z", 5.0))
    }

    /// A new site or unit.
    fn create(&self, kind: &str, body: Value) -> Value {
        let mut edit = self.edit(kind, "create", body);
        edit["record_id"] = edit["id"].clone();
        edit
    }

    fn new_unit(&self, label: &str, site: &str) -> Value {
        self.create("unit", json!({"label": label, "home_site_id": site, "fuel": "petrol"}))
    }

    /// Fields of a site or unit, by somebody who had seen `base` of them.
    fn set(&self, kind: &str, id: &str, body: Value, base: Value) -> Value {
        let mut edit = self.edit(kind, "set", body);
        edit["record_id"] = json!(id);
        edit["base"] = base;
        edit
    }

    /// What it sends.
    pub(crate) fn request(&self, edits: &[&Value]) -> Value {
        json!({"handset": self.id, "clock": NOW, "boot": 4, "edits": edits, "pull": false})
    }

    pub(crate) fn sync(&self, request: &Value) -> Reply {
        self.client.post(SYNC, request)
    }

    /// The answer to edits.
    #[track_caller]
    fn answer(&self, edits: &[&Value]) -> Value {
        self.sync(&self.request(edits)).expect(200).json()
    }

    /// The results of edits.
    #[track_caller]
    fn push(&self, edits: &[&Value]) -> Vec<Value> {
        results(&self.answer(edits))
    }

    /// What became of edits, each in a line.
    #[track_caller]
    pub(crate) fn told(&self, edits: &[&Value]) -> Vec<String> {
        self.push(edits).iter().map(line).collect()
    }

    /// What the service knows of it.
    fn known(&self, client: &Client) -> Value {
        client.get(&format!("/v1/handsets/{}", self.id)).expect(200).json()
    }
}

fn stamp(handset: u32, at: &str, count: u64) -> String {
    let millis = Instant::parse(at).unwrap().micros().unsigned_abs() / 1000;
    Stamp { clock: (millis << 16) + count, handset }.to_string()
}

fn reading(unit: &str, at: &str, hours: f64) -> Value {
    json!({"kind": "reading", "unit_id": unit, "occurred_at": at, "meter_hours": hours})
}

/// An edit with another member, or without it.
pub(crate) fn with(edit: &Value, member: &str, value: Value) -> Value {
    let mut edit = edit.clone();
    let members = edit.as_object_mut().unwrap();
    match value {
        Value::Null => members.remove(member),
        value => members.insert(member.to_owned(), value),
    };
    edit
}

fn of_group(edit: &Value, group: &str, size: u32) -> Value {
    with(edit, "group", json!({"id": group, "size": size}))
}

/// That somebody had seen what this edit wrote into these fields.
fn seen(edit: &Value, fields: &[&str]) -> Value {
    let version = json!([{"raw": edit["stamp"], "edit": edit["id"]}]);
    fields
        .iter()
        .map(|field| ((*field).to_owned(), version.clone()))
        .collect::<serde_json::Map<_, _>>()
        .into()
}

fn results(answer: &Value) -> Vec<Value> {
    answer["results"].as_array().unwrap().clone()
}

/// A result in a line, such as `held future_event`, `contested ?label` or `applied +clock_suspect`.
fn line(result: &Value) -> String {
    let texts = |name: &str| {
        let all = result[name].as_array().into_iter().flatten();
        all.map(|text| text.as_str().unwrap().to_owned()).collect::<Vec<_>>()
    };
    let words = ["result", "reason"].into_iter().filter_map(|name| result[name].as_str().map(str::to_owned));
    let fields = texts("contested").into_iter().map(|field| format!("?{field}"));
    let flags = texts("flags").into_iter().map(|flag| format!("+{flag}"));
    words.chain(fields).chain(flags).collect::<Vec<_>>().join(" ")
}

/// The places and codes of what is wrong with an edit, each in a line.
fn flaws(result: &Value) -> Vec<String> {
    let errors = result["problem"]["errors"].as_array().into_iter().flatten();
    errors
        .map(|error| format!("{} {}", error["pointer"].as_str().unwrap(), error["code"].as_str().unwrap()))
        .collect()
}

/// How many edits are kept beside the log.
fn beside(world: &World) -> i64 {
    world.database.number("SELECT count(*) AS n FROM inbox")
}

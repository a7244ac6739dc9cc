//! Every request among the examples is sent, in an order that works, and what comes back is compared with the example of
//! the answer. With `KEEPSTART_EXAMPLES=write` in the environment an example that differs is written anew.

use blackbox::{
    Backend, Client, Reply, World,
    contract::Operation,
    none_failed, on_both,
    world::{self, new_id},
};
use model::stamp::Stamp;
use serde_json::{Map, Value, json};

use super::{address, examples, file_of, in_order};

on_both!(examples_are_what_happens);

/// When the examples are played: the clock of the demonstration.
const CLOCK: &str = "2026-11-02T08:00:00-07:00";

/// What is another in every run; only its type is compared.
const VOLATILE: &[&str] = &[
    "as_of",
    "at",
    "author",
    "authorised_by",
    "clock",
    "count",
    "cursor",
    "edit",
    "enrolled_by",
    "etag",
    "expires_at",
    "finished_at",
    "fingerprint",
    "judged_at",
    "known_seq",
    "last_seen_at",
    "made_at",
    "next",
    "now",
    "number",
    "offset_seconds",
    "person_id",
    "raw",
    "received_at",
    "recorded_at",
    "revoked_at",
    "started_at",
];

/// The unit of the examples.
pub(super) const UNIT: &str = "01990593-db00-7b8f-812e-570f80052a99";

/// The media type of what a page sends.
pub(super) const FORM: &str = "application/x-www-form-urlencoded";

/// The recipient of the examples.
pub(super) const RECIPIENT: &str = "0199a2c4-3e00-7c12-9b03-71a8c5e0d902";

/// The code of the examples; no code is told twice.
const CODE: &str = "K7QM-2XWP-90TD";

/// A technician and the coordinator of Tarn Valley, who stand in the examples for those who act.
const PEOPLE: [(&str, &str); 4] = [
    ("author", "01990593-db00-769d-ab6e-f3c9cfb9c212"),
    ("authorised_by", "01990593-db00-7abb-9141-4ab362494dbf"),
    ("person_id", "01990593-db00-7abb-9141-4ab362494dbf"),
    ("enrolled_by", "01990593-db00-7abb-9141-4ab362494dbf"),
];

fn examples_are_what_happens(backend: Backend) {
    let world = World::at(backend, CLOCK);
    let (organization, people) = world.organization();
    let coordinator = people["coordinator"];
    let client = world.client(organization, coordinator);
    let mut failures = Vec::new();
    for operation in in_order() {
        // A stream does not end.
        if operation.id == "follow_changes" {
            continue;
        }
        let mut file = examples(&operation.id);
        offline(&client, &operation.id, &file);
        let mut asked = file.clone();
        if let Some(token) = asked.pointer_mut("/parameters/token") {
            *token = json!(world.leaving(organization, RECIPIENT));
        }
        brought_in(&client, &operation.id);
        let found = match operation.method.as_str() {
            "post" => sent(&client, json!(coordinator.to_string()), &operation, &asked),
            "patch" => changed(&client, &operation, &asked),
            "put" if operation.id == "send_blob" => blob_sent(&client, &operation, &asked),
            "put" => vec![placed(&client, &operation, &asked)],
            _ => read(&client, &operation, &asked),
        };
        let mut differs = false;
        for mut answer in found {
            answer.name_people(&coordinator.to_string());
            let known = list(&file["responses"][answer.status.to_string()]);
            let known = known.iter().find(|example| example["name"] == answer.name);
            let part = ["read_openapi", "list_policy_packs"].contains(&operation.id.as_str());
            if !known.is_some_and(|known| same("", &known["value"], &answer.value, part)) {
                differs = true;
                failures
                    .push(format!("{} {} {}: {}", operation.id, answer.status, answer.name, answer.value));
                answer.put_into(&mut file);
            }
        }
        if differs && std::env::var_os("KEEPSTART_EXAMPLES").is_some_and(|wish| wish == "write") {
            let text = serde_json::to_string_pretty(&file).unwrap() + "\n";
            std::fs::write(file_of(&operation.id), text).unwrap();
        }
    }
    none_failed(&failures);
}

/// What was answered to an example.
struct Answer {
    status: u16,
    name: String,
    summary: String,
    value: Value,
}

impl Answer {
    fn new(reply: &Reply, name: &Value, summary: &Value) -> Self {
        let kind = reply.header("content-type");
        let value = if kind.ends_with("json") { reply.json() } else { json!(reply.text) };
        let text = |value: &Value| value.as_str().unwrap().to_owned();
        Self { status: reply.status, name: text(name), summary: text(summary), value }
    }

    /// Of a table the person who acts is named as in the examples.
    fn name_people(&mut self, coordinator: &str) {
        if let Value::String(table) = &mut self.value {
            *table = table.replace(coordinator, PEOPLE[1].1);
        }
    }

    fn put_into(mut self, file: &mut Value) {
        replace_people(&mut self.value);
        let status = self.status.to_string();
        let mut known = list(&file["responses"][&status]).to_vec();
        let example = json!({"name": self.name, "summary": self.summary, "value": self.value});
        match known.iter_mut().find(|example| example["name"] == self.name) {
            Some(known) => *known = example,
            None => known.push(example),
        }
        file["responses"][&status] = json!(known);
    }
}

/// Every body is sent once, and the first one again, as after an answer that got lost.
fn sent(client: &Client, coordinator: Value, operation: &Operation, file: &Value) -> Vec<Answer> {
    let path = address(operation, file);
    let mut bodies = list(&file["request"]).to_vec();
    if operation.id == "enrol_handset" {
        bodies.iter_mut().for_each(|example| example["value"]["code"] = code(client));
    }
    let send = |example: &Value| {
        let mut body = example["value"].clone();
        stamped(client, &mut body);
        if let Some(person) = body.get_mut("authorised_by") {
            person.clone_from(&coordinator);
        }
        brought_in(client, &operation.id);
        let reply = match body.as_str() {
            Some(form) => client.send("POST", &path, &[("content-type", FORM)], Some(form.as_bytes())),
            None => client.post(&path, &body),
        };
        assert!(reply.status < 300, "{} {}: {}", operation.id, example["name"], reply.text);
        let mut answer = Answer::new(&reply, &example["name"], &example["summary"]);
        if operation.id == "make_handset_code" {
            assert_eq!(answer.value["code"].as_str().map(str::len), Some(CODE.len()));
            answer.value["code"] = json!(CODE);
        }
        answer
    };
    let repeats = ["200", "201"].iter().all(|status| operation.value["responses"].get(status).is_some());
    bodies.iter().chain(bodies.first().filter(|_| repeats)).map(send).collect()
}

/// Gives the edits of a sync stamps of their handset, whose number is drawn when it is enrolled.
pub(super) fn stamped(client: &Client, body: &mut Value) {
    let Some(handset) = body["handset"].as_str().map(str::to_owned) else { return };
    let number = client.get(&format!("/v1/handsets/{handset}")).expect(200).json()["number"].clone();
    let handset = u32::try_from(number.as_u64().unwrap()).unwrap();
    for edit in body["edits"].as_array_mut().unwrap() {
        let stamp = Stamp::parse(edit["stamp"].as_str().unwrap()).unwrap();
        edit["stamp"] = json!(Stamp { handset, ..stamp }.to_string());
    }
}

/// What a handset has to have sent for an operation to have something to show. It is not the one whose sync is shown.
fn offline(client: &Client, operation: &str, file: &Value) {
    let handset = || client.get("/v1/handsets/01990593-db00-7f16-a9d2-64c7e83b0e91").expect(200).json();
    let (asked, another) = (&file["parameters"]["edit_id"], "0199a2c4-3e00-7b67-95d1-c2804e7f3a19");
    let edit = match operation {
        "refuse_held" => world::ahead(&handset(), 1, asked.as_str().unwrap(), UNIT),
        "release_held" => {
            let id = asked.as_str().unwrap();
            let mut edit = world::edit(&handset(), 2, id, "unit", "set", json!({"rated_kw": 5}));
            edit["record_id"] = json!(UNIT);
            edit["author"] = json!(new_id());
            edit
        }
        "list_held" => world::ahead(&handset(), 3, another, UNIT),
        // Another content under the id of the first, which was refused.
        "list_handset_edits" => {
            let reading = json!({"kind": "reading", "unit_id": UNIT, "occurred_at": "2026-11-02T07:30:00-07:00",
                "meter_hours": 231.4, "note": "Read again by the gate"});
            world::edit(
                &handset(),
                1,
                "0199a2c4-3e00-7a94-b7e2-04c85d9f1a36",
                "service_event",
                "create",
                reading,
            )
        }
        _ => return,
    };
    let told = world::push(client, CLOCK, &handset(), &[edit]);
    let result = if operation == "list_handset_edits" { "refused" } else { "held" };
    assert_eq!(told[0]["result"], result, "{operation}: {told:?}");
}

/// The imports of the examples: a dry run, what it came to when it was written, and one that is stopped.
const IMPORTS: [&str; 3] = [
    "0199a2c4-3e00-7d18-a4c6-5f90b7e3128d",
    "0199a2c4-3e00-7e25-93fb-8a1c6d407b52",
    "0199a2c4-3e00-7f37-b85e-2c94d0a7613e",
];

/// Waits until what the examples bring in has come in, as far as it was sent.
fn brought_in(client: &Client, operation: &str) {
    if !operation.contains("import") || ["create_import", "send_import_file"].contains(&operation) {
        return;
    }
    if operation == "cancel_import" {
        let wanted = json!({"id": IMPORTS[2], "mapping": {"records": "sites"}});
        client.post("/v1/imports", &wanted);
    }
    for import in &IMPORTS[..2] {
        let path = format!("/v1/imports/{import}");
        if client.get(&path).status == 200 {
            crate::imports::ended(client, &path);
        }
    }
}

/// A file is sent as it is.
fn placed(client: &Client, operation: &Operation, file: &Value) -> Answer {
    let example = &list(&file["request"])[0];
    let bytes = example["value"].as_str().unwrap().as_bytes();
    let reply = client
        .send("PUT", &address(operation, file), &[("content-type", "text/csv")], Some(bytes))
        .expect(202);
    Answer::new(&reply, &example["name"], &example["summary"])
}

/// A paper is sent, and sent again.
fn blob_sent(client: &Client, operation: &Operation, file: &Value) -> Vec<Answer> {
    let example = &list(&file["request"])[0];
    let bytes = example["value"].as_str().unwrap().as_bytes();
    let send = |status: u16| {
        let path = address(operation, file);
        client.send("PUT", &path, &[("content-type", "application/pdf")], Some(bytes)).expect(status)
    };
    let again = &list(&file["responses"]["200"])[0];
    vec![
        Answer::new(&send(201), &example["name"], &example["summary"]),
        Answer::new(&send(200), &again["name"], &again["summary"]),
    ]
}

/// A code by which a handset can be enrolled.
pub(super) fn code(client: &Client) -> Value {
    client.post("/v1/handsets/codes", &json!({})).expect(201).json()["code"].clone()
}

fn changed(client: &Client, operation: &Operation, file: &Value) -> Vec<Answer> {
    let path = address(operation, file);
    let change = |example: &Value| {
        let reply = client.patch(&path, &client.get(&path).expect(200).etag(), &example["value"]).expect(200);
        Answer::new(&reply, &example["name"], &example["summary"])
    };
    list(&file["request"]).iter().map(change).collect()
}

fn read(client: &Client, operation: &Operation, file: &Value) -> Vec<Answer> {
    let path = address(operation, file);
    let reply = client.get(&path).expect(200);
    if operation.value["responses"].get("304").is_some() {
        client.send("GET", &path, &[("if-none-match", &reply.etag())], None).expect(304);
    }
    // What each kind of problem means stands in a table of the service's own.
    if operation.id == "read_problem" {
        return Vec::new();
    }
    let known = list(&file["responses"]["200"]).first().cloned();
    let known = known.unwrap_or_else(|| json!({"name": "answer", "summary": operation.value["summary"]}));
    vec![Answer::new(&reply, &known["name"], &known["summary"])]
}

/// Whether an example and what came have the same members with the same values, but for what differs in every run.
/// `part`: the example shows some of the members, and the first items, only.
fn same(name: &str, example: &Value, found: &Value, part: bool) -> bool {
    let member = |(name, value): (&String, &Value), found: &Map<String, Value>| {
        found.get(name).is_some_and(|found| same(name, value, found, part))
    };
    match (example, found) {
        (Value::Object(example), Value::Object(found)) => {
            (part || example.len() == found.len()) && example.iter().all(|pair| member(pair, found))
        }
        (Value::Array(example), Value::Array(found)) => {
            let as_many = if part { example.len() <= found.len() } else { example.len() == found.len() };
            as_many && example.iter().zip(found).all(|(e, f)| same(name, e, f, part))
        }
        (Value::String(_), Value::String(_)) | (Value::Number(_), Value::Number(_))
            if VOLATILE.contains(&name) =>
        {
            true
        }
        // Hours may have grown by a tick since the clock began.
        (Value::Number(example), Value::Number(found)) => {
            (example.as_f64().unwrap() - found.as_f64().unwrap()).abs() < 0.1
        }
        _ => example == found,
    }
}

/// People are made anew for each run.
fn replace_people(value: &mut Value) {
    match value {
        Value::Object(members) => {
            for (name, person) in PEOPLE {
                if let Some(member) = members.get_mut(name) {
                    *member = json!(person);
                }
            }
            members.values_mut().for_each(replace_people);
        }
        Value::Array(items) => items.iter_mut().for_each(replace_people),
        _ => {}
    }
}

fn list(value: &Value) -> &[Value] {
    value.as_array().map_or(&[], Vec::as_slice)
}

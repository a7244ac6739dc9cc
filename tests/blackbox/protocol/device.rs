//! A handset that does what the page asks of a client, and no more: it stamps its edits, names the one before, sends them,
//! and keeps a copy of what it is told, by which the fingerprints of the service are worked out again.

use std::collections::BTreeMap;

use blackbox::Client;
use merge::HybridClock;
use model::{Instant, edit::RecordKind, stamp::Stamp};
use proof::Fingerprint;
use serde_json::{Map, Value, json};
use uuid::Uuid;

/// A record's kind and id.
type Name = (String, String);

/// The handset.
#[derive(Clone)]
pub(super) struct Device {
    pub(super) client: Client,
    id: String,
    pub(super) number: u32,
    clock: HybridClock,
    count: u64,
    edits: BTreeMap<String, Value>,
    last: Option<String>,
    pub(super) cursor: Option<String>,
    /// What it has: of a record with fields also the stamp of each field.
    copy: BTreeMap<Name, Value>,
    /// When its own events were recorded, as it was told.
    recorded: BTreeMap<String, Value>,
    /// An echo of an edit that is not its own.
    pub(super) stranger: bool,
}

impl Device {
    /// The handset that was enrolled.
    pub(super) fn enrolled(client: &Client, handset: &Value) -> Self {
        let number = u32::try_from(handset["number"].as_u64().unwrap()).unwrap();
        Self {
            client: client.clone(),
            id: handset["id"].as_str().unwrap().to_owned(),
            number,
            clock: HybridClock::of(number),
            count: 0,
            edits: BTreeMap::new(),
            last: None,
            cursor: None,
            copy: BTreeMap::new(),
            recorded: BTreeMap::new(),
            stranger: false,
        }
    }

    /// Writes an edit down at what its clock says.
    pub(super) fn edit(&mut self, id: &str, at: &str, mut edit: Value) -> Value {
        self.count += 1;
        let stamp = self.clock.tick(Instant::parse(at).unwrap()).unwrap();
        edit["id"] = json!(id);
        edit["format"] = json!(1);
        edit["number"] = json!(self.count);
        edit["stamp"] = json!(stamp.to_string());
        edit["boot"] = json!(4);
        if let Some(last) = self.last.replace(id.to_owned()) {
            edit["previous"] = json!(last);
        }
        self.edits.insert(id.to_owned(), edit.clone());
        edit
    }

    /// What it has seen of a field: its value and all that contest it.
    pub(super) fn seen(&self, kind: &str, id: &str, field: &str) -> Value {
        let record = &self.copy[&(kind.to_owned(), id.to_owned())];
        let mut seen = vec![named(&record["versions"][field])];
        seen.extend(record["contested"][field].as_array().into_iter().flatten().map(named));
        seen.sort_by_key(Value::to_string);
        seen.dedup();
        json!(seen)
    }

    /// All that it wrote, in order.
    pub(super) fn written(&self) -> Vec<Value> {
        let mut all: Vec<Value> = self.edits.values().cloned().collect();
        all.sort_by_key(|edit| edit["number"].as_u64());
        all
    }

    /// A request with these edits.
    pub(super) fn request(&self, at: &str, edits: &[Value]) -> Value {
        let mut request = json!({"handset": self.id, "clock": at, "boot": 4, "waiting": edits.len()});
        if let Some(cursor) = &self.cursor {
            request["cursor"] = json!(cursor);
        }
        if !edits.is_empty() {
            request["edits"] = json!(edits);
        }
        request
    }

    /// Sends a request, and takes what is answered.
    #[track_caller]
    pub(super) fn sync(&mut self, request: &Value) -> Value {
        let answer = self.client.post("/v1/sync", request).expect(200).json();
        self.take(&answer);
        answer
    }

    /// Sends edits.
    #[track_caller]
    pub(super) fn send(&mut self, at: &str, edits: &[Value]) -> (Value, Value) {
        let request = self.request(at, edits);
        let answer = self.sync(&request);
        (request, answer)
    }

    /// Takes an answer: results first, then changes, then the cursor.
    fn take(&mut self, answer: &Value) {
        self.clock.hear(Stamp::parse(answer["clock"].as_str().unwrap()).unwrap());
        for result in answer["results"].as_array().unwrap() {
            if let Some(at) = result.get("recorded_at") {
                self.recorded.insert(result["id"].as_str().unwrap().to_owned(), at.clone());
            }
        }
        if answer["pull"]["reason"] == "restored" {
            self.cursor = None;
            self.copy.clear();
            return;
        }
        for change in answer["changes"].as_array().unwrap() {
            self.apply(change);
        }
        self.cursor = answer["cursor"].as_str().map(str::to_owned);
    }

    fn apply(&mut self, change: &Value) {
        let text = |member: &str| change[member].as_str().unwrap_or_default().to_owned();
        let name = (text("kind"), text("id"));
        match text("change").as_str() {
            "record" => drop(self.copy.insert(name, kept(change))),
            "forget" => self.copy.retain(|known, record| *known != name && record["unit_id"] != change["id"]),
            _ => change["edits"].as_array().unwrap().iter().for_each(|echo| self.echo(&name, echo)),
        }
    }

    /// Does to its copy what the service did with an edit of its own.
    fn echo(&mut self, name: &Name, echo: &Value) {
        let Some(edit) = self.edits.get(echo["id"].as_str().unwrap()).cloned() else {
            self.stranger = true;
            return;
        };
        let before = self.copy.get(name).map_or(0, |record| record["version"].as_u64().unwrap_or(1));
        if echo["version"].as_u64().unwrap() != before + 1 {
            return;
        }
        if name.0 == "service_event" {
            let mut event = edit["body"].clone();
            event["id"] = edit["id"].clone();
            event["author"] = edit["author"].clone();
            event["recorded_at"] = self.recorded[&name.1].clone();
            self.copy.insert(name.clone(), event);
            return;
        }
        let new = json!({"fields": {}, "versions": {}, "contested": {}});
        let record = self.copy.entry(name.clone()).or_insert(new);
        record["version"] = echo["version"].clone();
        for (field, value) in edit["body"].as_object().unwrap() {
            record["versions"][field] = json!({"raw": edit["stamp"], "edit": edit["id"]});
            record["contested"].as_object_mut().unwrap().remove(field);
            let fields = record["fields"].as_object_mut().unwrap();
            if value.is_null() {
                drop(fields.remove(field))
            } else {
                drop(fields.insert(field.clone(), value.clone()))
            }
        }
    }

    /// The fingerprint of its copy of a site that is the only one it sees: the site, what is not retired, and the events.
    pub(super) fn fingerprint(&self) -> (usize, String) {
        let gone = |record: &Value| record["fields"]["retired"] == true;
        let retired: Vec<&str> =
            self.copy.iter().filter(|(_, record)| gone(record)).map(|((_, id), _)| id.as_str()).collect();
        let of_site = self.copy.iter().filter(|((kind, id), record)| {
            let unit = record["unit_id"].as_str().unwrap_or(id);
            ["site", "unit", "service_event"].contains(&kind.as_str()) && !retired.contains(&unit)
        });
        let hash = |((kind, id), record): (&Name, &Value)| {
            let told = proof::canonical(&told(kind, record)).unwrap();
            proof::content_hash(RecordKind::parse(kind).unwrap(), Uuid::try_parse(id).unwrap(), &told)
        };
        let hashes: Vec<proof::Hash> = of_site.map(hash).collect();
        (hashes.len(), hashes.into_iter().collect::<Fingerprint>().to_string())
    }
}

/// The name of a value.
fn named(value: &Value) -> Value {
    json!({"raw": value["raw"], "edit": value["edit"]})
}

/// A record as it is kept: with fields each has its stamp.
fn kept(change: &Value) -> Value {
    let record = &change["record"];
    let Some(fields) = record.get("fields").and_then(Value::as_object) else { return record.clone() };
    let mut versions: Map<String, Value> =
        fields.keys().map(|field| (field.clone(), record["stamp"].clone())).collect();
    versions.extend(record["stamps"].as_object().cloned().unwrap_or_default());
    let contested = record.get("contested").cloned().unwrap_or_else(|| json!({}));
    json!({"version": record["version"], "fields": fields, "versions": versions, "contested": contested})
}

/// A record that is kept as the service tells it.
fn told(kind: &str, record: &Value) -> Value {
    if kind == "service_event" {
        return record.clone();
    }
    let (fields, versions) = (record["fields"].as_object().unwrap(), record["versions"].as_object().unwrap());
    let name = |version: &Value| ["raw", "edit"].map(|part| version[part].as_str().unwrap().to_owned());
    let mut times: BTreeMap<[String; 2], usize> = BTreeMap::new();
    fields.keys().for_each(|field| *times.entry(name(&versions[field])).or_default() += 1);
    let most = times.into_iter().max_by_key(|(name, times)| (*times, name.clone())).unwrap().0;
    let others =
        versions.iter().filter(|(field, version)| !fields.contains_key(*field) || name(version) != most);
    let others: Map<String, Value> =
        others.map(|(field, version)| (field.clone(), version.clone())).collect();
    let mut told =
        json!({"version": record["version"], "fields": fields, "stamp": {"raw": most[0], "edit": most[1]}});
    if !others.is_empty() {
        told["stamps"] = json!(others);
    }
    if record["contested"].as_object().is_some_and(|contested| !contested.is_empty()) {
        told["contested"] = record["contested"].clone();
    }
    told
}

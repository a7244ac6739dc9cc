//! How a device hands over what it recorded.

use blackbox::{Client, Reply, service::NOW};
use model::{Instant, stamp::Stamp};
use serde_json::{Value, json};

use crate::Made;

/// What became of one edit.
#[derive(Debug)]
pub struct Answer {
    /// Its id.
    pub id: String,
    /// The service's word for it, such as `applied`.
    pub result: String,
}

/// Why there is no answer. The edits may have been recorded nevertheless.
#[derive(Debug)]
pub enum NoAnswer {
    /// The connection broke.
    Broken(String),
    /// The service asked to come again.
    Later,
}

/// Hands edits over.
pub trait Push: Send + Sync {
    /// Sends edits; gives one answer for each, in order.
    fn push(&self, edits: &[&Made]) -> Result<Vec<Answer>, NoAnswer>;
}

/// The way that a device's edits go.
#[derive(Clone, Debug)]
pub enum Route {
    /// By `POST /v1/service-events/batch`.
    Batch,
    /// By `POST /v1/sync`, as this handset with its number.
    Sync(String, u32),
}

impl Route {
    /// That way, as somebody.
    pub fn by(&self, client: Client) -> Box<dyn Push> {
        match self {
            Self::Batch => Box::new(Batches(client)),
            Self::Sync(handset, number) => {
                Box::new(Syncs { client, handset: handset.clone(), number: *number })
            }
        }
    }
}

/// By `POST /v1/service-events/batch`.
pub struct Batches(pub Client);

/// By `POST /v1/sync`, as a handset.
pub struct Syncs {
    /// Who holds it.
    pub client: Client,
    /// Its id.
    pub handset: String,
    /// Its number.
    pub number: u32,
}

impl Push for Batches {
    fn push(&self, edits: &[&Made]) -> Result<Vec<Answer>, NoAnswer> {
        let events: Vec<&Value> = edits.iter().map(|made| &made.event).collect();
        let reply = post(&self.0, "/v1/service-events/batch", &json!({"events": events}))?;
        assert_eq!(reply.status, 207, "{}", reply.text);
        Ok(answers(&reply.json()))
    }
}

impl Push for Syncs {
    fn push(&self, edits: &[&Made]) -> Result<Vec<Answer>, NoAnswer> {
        let edits: Vec<Value> = edits.iter().map(|made| self.envelope(made)).collect();
        let body = json!({"handset": self.handset, "clock": NOW, "pull": false, "edits": edits});
        let reply = post(&self.client, "/v1/sync", &body)?;
        assert_eq!(reply.status, 200, "{}", reply.text);
        Ok(answers(&reply.json()))
    }
}

impl Syncs {
    fn envelope(&self, made: &Made) -> Value {
        let mut body = made.event.clone();
        let id = body.as_object_mut().unwrap().remove("id");
        // A clock that never stands still: one tick for each edit.
        let millis = Instant::parse(NOW).unwrap().micros().unsigned_abs() / 1000;
        let stamp = Stamp { clock: (millis << 16) + made.number, handset: self.number };
        let mut edit = json!({"id": id, "format": 1, "number": made.number, "stamp": stamp,
            "kind": "service_event", "action": "create", "body": body});
        if let Some(previous) = &made.previous {
            edit["previous"] = json!(previous);
        }
        edit
    }
}

/// An answer that is one: a service that is busy, or has lost its database, has taken nothing.
pub(crate) fn post(client: &Client, path: &str, body: &Value) -> Result<Reply, NoAnswer> {
    let headers = [("content-type", "application/json")];
    told(client.attempt("POST", path, &headers, Some(body.to_string().as_bytes())))
}

pub(crate) fn get(client: &Client, path: &str) -> Result<Reply, NoAnswer> {
    told(client.attempt("GET", path, &[], None))
}

fn told(reply: Result<Reply, String>) -> Result<Reply, NoAnswer> {
    let reply = reply.map_err(NoAnswer::Broken)?;
    if [429, 503].contains(&reply.status) { Err(NoAnswer::Later) } else { Ok(reply) }
}

fn answers(body: &Value) -> Vec<Answer> {
    let text = |value: &Value| value.as_str().unwrap_or_default().to_owned();
    let results = body["results"].as_array().unwrap();
    results.iter().map(|one| Answer { id: text(&one["id"]), result: text(&one["result"]) }).collect()
}

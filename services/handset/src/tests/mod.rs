//! The handset on a bench: a file of its own, a clock that the test sets, and answers that the test makes up.

mod disk;
mod fill;
mod full;
mod photos;
mod replica;
mod sessions;
mod views;

use std::{collections::VecDeque, time::Duration};

use model::{Instant, PersonId, stamp::Stamp};
use serde_json::{Map, Value, json};
use tempfile::TempDir;
use uuid::Uuid;

use crate::{
    Device, Ended, Handset, Kind, Outside, Synced, Wish,
    outside::{Asked, CodeFor, NoAnswer, People, Reply, Surroundings, Wire},
};

/// The number under which the handset of a bench is enrolled.
const NUMBER: u32 = 161_833_766;
const SITE: &str = "01990593-db00-7ca4-b9f8-c1a4abbbe207";
const UNIT: &str = "01990593-db00-7b8f-812e-570f80052a99";

fn person() -> PersonId {
    PersonId::from_uuid(Uuid::from_u128(7))
}

/// Time and chance of a test.
struct Around {
    now: Instant,
    ids: u128,
    waited: Vec<Duration>,
    /// Whether whoever waits is told to stop.
    stops: bool,
    /// Whether somebody wants the handset while photos go.
    wanted: bool,
    /// What somebody does while it waits.
    waiting: Option<Box<dyn FnMut()>>,
}

impl Surroundings for Around {
    fn now(&mut self) -> Instant {
        self.now
    }

    fn fresh_id(&mut self) -> Uuid {
        self.ids += 1;
        Uuid::from_u128(0x0199_0593_db00_7000_8000_0000_0000_0000 + self.ids)
    }

    fn chance(&mut self) -> f64 {
        0.5
    }

    fn wait(&mut self, wait: Duration) -> bool {
        self.waited.push(wait);
        if let Some(waiting) = &mut self.waiting {
            waiting();
        }
        !self.stops
    }

    fn wanted(&mut self) -> bool {
        self.wanted
    }
}

/// People with so many tokens and codes.
#[derive(Default)]
struct Desk {
    tokens: usize,
    codes: VecDeque<&'static str>,
    asked_for: Vec<CodeFor>,
}

impl People for Desk {
    fn token(&mut self, _: PersonId) -> Option<String> {
        Some(format!("token {}", self.tokens))
    }

    fn new_token(&mut self, _: PersonId) -> Option<String> {
        self.tokens = self.tokens.checked_sub(1)?;
        Some(format!("token {}", self.tokens))
    }

    fn code(&mut self, why: CodeFor) -> Option<String> {
        self.asked_for.push(why);
        self.codes.pop_front().map(str::to_owned)
    }
}

/// A service that says what a test has written down, one answer after the other.
#[derive(Default)]
struct Script {
    answers: VecDeque<Result<(u16, Value), NoAnswer>>,
    /// What was asked: the path, and the body.
    asked: Vec<(String, Value)>,
}

impl Wire for Script {
    fn ask(&mut self, asked: &Asked<'_>) -> Result<Reply, NoAnswer> {
        let path = asked.url.strip_prefix("http://service").unwrap().to_owned();
        self.asked.push((path, serde_json::from_slice(asked.body).unwrap_or_default()));
        let (status, body) =
            self.answers.pop_front().unwrap_or_else(|| panic!("asked too often: {:?}", self.asked))?;
        let retry_after = body["retry_after"].as_u64().map(Duration::from_secs);
        Ok(Reply { status, retry_after, body: body.to_string().into_bytes(), ..Reply::default() })
    }
}

/// A handset on a bench.
struct Bench {
    folder: TempDir,
    handset: Option<Handset>,
    around: Around,
    people: Desk,
    wire: Script,
}

impl Bench {
    /// One that is enrolled.
    fn new() -> Self {
        let folder = tempfile::tempdir().unwrap();
        let now = Instant::parse("2026-11-03T15:00:00Z").unwrap();
        let around = Around { now, ids: 0, waited: Vec::new(), stops: false, wanted: false, waiting: None };
        let mut bench =
            Self { folder, handset: None, around, people: Desk::default(), wire: Script::default() };
        bench.open("first start");
        bench.people.codes.push_back("K7QM-2XWP-90TD");
        bench.says(201, json!({"id": "01990593-db00-7e4a-8c3f-2d6b90f1a755", "number": NUMBER}));
        let device = Device::new("http://service/", "Van 2", person(), "first start");
        let Self { handset, around, people, wire, .. } = &mut bench;
        let enrolled = handset.as_mut().unwrap().enrol(device, Outside { around, people, wire }).unwrap();
        assert_eq!(enrolled.ended, Ended::Done);
        bench.wire.asked.clear();
        bench
    }

    /// Opens the file, again if it was open.
    fn open(&mut self, boot_mark: &str) {
        self.handset = None;
        self.handset = Some(Handset::open(&self.folder.path().join("van-2.db"), boot_mark).unwrap());
    }

    fn handset(&mut self) -> &mut Handset {
        self.handset.as_mut().unwrap()
    }

    /// The service's next answer.
    fn says(&mut self, status: u16, body: Value) {
        self.wire.answers.push_back(Ok((status, body)));
    }

    fn sync(&mut self) -> Synced {
        let Self { handset, around, people, wire, .. } = self;
        handset.as_mut().unwrap().sync(Outside { around, people, wire }).unwrap()
    }

    /// A sync with one answer.
    fn told(&mut self, answer: Value) -> Synced {
        self.says(200, answer);
        let synced = self.sync();
        assert!(self.wire.answers.is_empty(), "not all was asked for: {:?}", self.wire.asked);
        synced
    }

    fn write(&mut self, wish: Wish) -> String {
        let Self { handset, around, .. } = self;
        handset.as_mut().unwrap().write(around, wish).unwrap().to_string()
    }

    /// The edits that are kept, as they are sent.
    fn edits(&mut self) -> Vec<Value> {
        let queue = self.handset().queue().unwrap();
        queue.iter().map(|edit| serde_json::from_str(&edit.text).unwrap()).collect()
    }

    fn reading(&mut self, hours: f64) -> String {
        self.write(reading(hours))
    }

    /// Sets fields of the unit, by somebody who sees it as it is.
    fn set(&mut self, fields: Value) -> String {
        let fields = map(fields);
        let view = self.handset().view(Kind::Unit, unit()).unwrap().unwrap();
        let base = view.base(&fields);
        self.write(Wish::Set { kind: Kind::Unit, id: unit(), fields, base })
    }

    /// The state of each edit, in order.
    fn states(&mut self) -> Vec<&'static str> {
        self.handset().queue().unwrap().iter().map(|edit| edit.state.as_str()).collect()
    }

    /// The last request: what it says, and the ids of its edits.
    fn asked(&self) -> (&Value, Vec<String>) {
        let (_, body) = self.wire.asked.last().unwrap();
        (body, edits_of(body))
    }

    /// The values of a unit as its user sees it.
    fn fields(&mut self) -> Value {
        Value::Object(self.handset().view(Kind::Unit, unit()).unwrap().unwrap().fields())
    }
}

fn edits_of(body: &Value) -> Vec<String> {
    let edits = body["edits"].as_array().into_iter().flatten();
    edits.map(|edit| edit["id"].as_str().unwrap().to_owned()).collect()
}

fn unit() -> Uuid {
    Uuid::try_parse(UNIT).unwrap()
}

fn map(value: Value) -> Map<String, Value> {
    value.as_object().unwrap().clone()
}

fn reading(hours: f64) -> Wish {
    Wish::Event(map(json!({"kind": "reading", "unit_id": UNIT, "occurred_at": "2026-11-02T15:10:00-07:00",
        "meter_hours": hours})))
}

/// An answer at an instant of the service's clock.
fn at(now: &str, mut answer: Value) -> Value {
    answer["now"] = json!(now);
    answer
}

/// An answer with these members, and no more to come.
fn answer(results: Value, changes: Value) -> Value {
    json!({"results": results, "changes": changes, "cursor": "a cursor", "more": false, "pull": {"status": "ok"},
        "clock": "06GPPHI4BG0000000000", "now": "2026-11-03T15:00:00Z", "offset_seconds": -118.24,
        "limits": {"edits": 1000, "request_bytes": 4_194_304, "decompressed_bytes": 16_777_216, "edit_bytes": 65536,
            "edit_format": 1, "change_format": 1, "newer": {"a": 1}}, "newer": [1]})
}

/// An answer by which the handset begins again.
fn reset(reason: &str, results: Value, cursor: Value) -> Value {
    let mut answer = answer(results, json!([]));
    answer["pull"] = json!({"status": "reset", "reason": reason});
    answer["cursor"] = cursor;
    answer
}

/// A page that another one follows.
fn page(changes: Value) -> Value {
    let mut answer = answer(json!([]), changes);
    answer["more"] = json!(true);
    answer
}

fn result(id: &str, result: &str) -> Value {
    json!({"id": id, "result": result, "version": 1, "recorded_at": "2026-11-03T15:00:01Z"})
}

/// A record of the copy, as it is told.
fn record(kind: &str, id: &str, version: u64, fields: Value) -> Value {
    let stamp = Stamp { clock: (1_793_657_000_000 << 16) + version, handset: 0 };
    json!({"change": "record", "kind": kind, "id": id, "record": {"version": version, "fields": fields,
        "stamp": {"raw": stamp.to_string(), "edit": id}}})
}

fn pump(version: u64) -> Value {
    record(
        "unit",
        UNIT,
        version,
        json!({"label": "Pump 1", "home_site_id": SITE, "fuel": "petrol", "rated_kw": 5.5}),
    )
}

fn depot() -> Value {
    record("site", SITE, 1, json!({"name": "Ridge Road Fire Station", "zone": "America/Denver"}))
}

fn echo(kind: &str, id: &str, edits: &[(&str, u64)]) -> Value {
    let edits: Vec<Value> =
        edits.iter().map(|(edit, version)| json!({"id": edit, "version": version})).collect();
    json!({"change": "echo", "kind": kind, "id": id, "edits": edits})
}

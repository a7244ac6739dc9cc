//! A handset that knows two sites, a clock that the test sets, and answers that it makes up.

use std::{
    cell::RefCell,
    collections::VecDeque,
    io::{self, BufRead, Read, Write},
    rc::Rc,
    time::Duration,
};

use clap::Parser;
use diesel::{Connection, SqliteConnection, connection::SimpleConnection};
use handset::{
    Device, Ended, Handset, Outside,
    outside::{Asked, NoAnswer, Reply, Surroundings, Wire},
};
use model::{Instant, PersonId, Zone, stamp::Stamp};
use serde_json::{Value, json};
use tempfile::TempDir;
use uuid::Uuid;

use crate::{
    cli::{self, Cli},
    face::{Face, Screen, Trouble},
    machine::Given,
};

/// Time and chance of a test.
pub(super) struct Around {
    pub(super) now: Instant,
    ids: u128,
}

impl Surroundings for Around {
    fn now(&mut self) -> Instant {
        self.now
    }

    fn fresh_id(&mut self) -> Uuid {
        self.ids += 1;
        Uuid::from_u128(0x019e_0593_db00_7000_8000_0000_0000_0000 + self.ids)
    }

    fn chance(&mut self) -> f64 {
        0.5
    }

    fn wait(&mut self, _: Duration) -> bool {
        true
    }
}

/// A service that says what a test has written down, one answer after the other, and nothing after that.
#[derive(Default)]
pub(super) struct Script(VecDeque<(u16, Value)>);

impl Wire for Script {
    fn ask(&mut self, _: &Asked<'_>) -> Result<Reply, NoAnswer> {
        let (status, body) = self.0.pop_front().ok_or_else(|| NoAnswer("no signal".to_owned()))?;
        Ok(Reply { status, body: body.to_string().into_bytes(), ..Reply::default() })
    }
}

/// What is shown, and what is typed into it: as on a terminal.
#[derive(Clone, Default)]
struct Shown(Rc<RefCell<Vec<u8>>>);

impl Write for Shown {
    fn write(&mut self, bytes: &[u8]) -> io::Result<usize> {
        self.0.borrow_mut().write(bytes)
    }

    fn flush(&mut self) -> io::Result<()> {
        Ok(())
    }
}

struct Typed {
    text: Vec<u8>,
    read: usize,
    shown: Shown,
}

impl Read for Typed {
    fn read(&mut self, _: &mut [u8]) -> io::Result<usize> {
        unreachable!("lines are read")
    }
}

impl BufRead for Typed {
    fn fill_buf(&mut self) -> io::Result<&[u8]> {
        Ok(&self.text[self.read..])
    }

    fn consume(&mut self, amount: usize) {
        let read = &self.text[self.read..self.read + amount];
        self.shown.0.borrow_mut().extend_from_slice(read);
        self.read += amount;
    }
}

/// A handset on a bench.
pub(super) struct Bench {
    folder: TempDir,
    handset: Handset,
    pub(super) around: Around,
    wire: Script,
    pub(super) screen: Screen,
    /// Whether somebody can be asked.
    pub(super) asks: bool,
    /// What the service says that the device's clock lacks, in milliseconds.
    pub(super) lacks: i64,
}

/// What a command printed, and how it ended.
pub(super) struct Printed {
    pub(super) text: String,
    /// What was typed and not read.
    pub(super) left: String,
}

const BOOT: &str = "first start";

/// As on a disk without room SQLite says so, and takes back what the transaction did before.
const FULL: &str = "
    CREATE TRIGGER full_edit BEFORE INSERT ON edit BEGIN SELECT RAISE(ROLLBACK, 'database or disk is full'); END;
    CREATE TRIGGER full_drop BEFORE DELETE ON edit BEGIN SELECT RAISE(ROLLBACK, 'database or disk is full'); END;
    CREATE TRIGGER full_self BEFORE INSERT ON device BEGIN SELECT RAISE(ROLLBACK, 'database or disk is full'); END;";
const ROOM: &str =
    "DROP TRIGGER full_edit; DROP TRIGGER IF EXISTS full_drop; DROP TRIGGER IF EXISTS full_self;";
/// The same where there is room for the first entry.
const ROOM_FOR_ONE: &str = "
    CREATE TRIGGER full_edit BEFORE INSERT ON edit WHEN (SELECT count(*) FROM edit) > 0
    BEGIN SELECT RAISE(ROLLBACK, 'database or disk is full'); END;";

impl Bench {
    /// One that has been told of everything.
    pub(super) fn new() -> Self {
        let folder = tempfile::tempdir().unwrap();
        let around = Around { now: Instant::parse("2026-06-12T14:00:00Z").unwrap(), ids: 0 };
        let handset = Handset::open(&folder.path().join("van-2.db"), BOOT).unwrap();
        let screen = Screen { width: 40, colour: false };
        let mut bench =
            Self { folder, handset, around, wire: Script::default(), screen, asks: true, lacks: 0 };
        bench.says(201, json!({"id": "01990593-db00-7e4a-8c3f-2d6b90f1a755", "number": 161_833_766}));
        let person = PersonId::parse(ME).unwrap();
        let device = Device::new("http://service", "Van 2", person, BOOT);
        let Self { handset, around, wire, .. } = &mut bench;
        let people = &mut Given { token: Some("token".to_owned()), code: Some("N4MG-3N05-54QC".to_owned()) };
        let enrolled = handset.enrol(device, Outside { around, people, wire }).unwrap();
        assert_eq!(enrolled.ended, Ended::Done);
        for (name, text) in [("leak.pdf", "%PDF-1.7\nA leak\n%%EOF\n"), ("note.txt", "A leak")] {
            std::fs::write(bench.folder.path().join(name), text).unwrap();
        }
        bench.tells(json!([]), changes(), "2026-06-12T14:00:00Z");
        assert_eq!(bench.sync(), Ended::Done);
        bench
    }

    /// The service's next answer.
    pub(super) fn says(&mut self, status: u16, body: Value) {
        self.wire.0.push_back((status, body));
    }

    /// The service's next answer to a sync.
    pub(super) fn tells(&mut self, results: Value, changes: Value, now: &str) {
        self.says(
            200,
            json!({"results": results, "changes": changes, "cursor": "a cursor", "more": false, "pull": {"status": "ok"},
                "clock": "06GPPHI4BG0000000000", "now": now, "offset_seconds": (self.lacks as f64) / 1000.0,
                "limits": {"edits": 1000, "request_bytes": 4_194_304, "decompressed_bytes": 16_777_216,
                    "edit_bytes": 65536, "edit_format": 1, "change_format": 1}}),
        );
    }

    fn sync(&mut self) -> Ended {
        let Self { handset, around, wire, .. } = self;
        let people = &mut Given { token: Some("token".to_owned()), code: None };
        handset.sync(Outside { around, people, wire }).unwrap().ended
    }

    /// From now on the disk has no room, or has some again.
    pub(super) fn is_full(&mut self, is_full: bool) {
        self.changes(if is_full { FULL } else { ROOM });
    }

    /// From now on the disk has room for the first entry, and for no other.
    pub(super) fn has_room_for_one(&mut self) {
        self.changes(ROOM_FOR_ONE);
    }

    fn changes(&mut self, how: &str) {
        let file = self.folder.path().join("van-2.db");
        // It has the file alone while it is open.
        self.handset = Handset::open(&self.folder.path().join("another.db"), BOOT).unwrap();
        let mut conn = SqliteConnection::establish(file.to_str().unwrap()).unwrap();
        conn.batch_execute(how).unwrap();
        drop(conn);
        self.handset = Handset::open(&file, BOOT).unwrap();
    }

    /// What another run is told while this one has the handset.
    pub(super) fn in_another_run(&mut self) -> Trouble {
        cli::opened(&self.folder.path().join("van-2.db"), BOOT).err().unwrap()
    }

    /// The device is started, and the file opened; what is in the way of that.
    pub(super) fn started(&mut self) -> Option<Trouble> {
        let file = self.folder.path().join("van-2.db");
        self.handset = Handset::open(&self.folder.path().join("another.db"), BOOT).unwrap();
        let (opened, trouble) = match cli::opened(&file, "second start") {
            Ok(opened) => (opened, None),
            Err(trouble) => (Handset::open(&file, BOOT).unwrap(), Some(trouble)),
        };
        self.handset = opened;
        trouble
    }

    /// Edits that were entered and not answered, by id.
    pub(super) fn waiting(&mut self) -> Vec<String> {
        let queue = self.handset.queue().unwrap();
        queue.iter().filter(|edit| edit.state.as_str() == "queued").map(|edit| edit.id.to_string()).collect()
    }

    /// What was said of those that wait for a person.
    pub(super) fn held(&mut self) -> Vec<Value> {
        let queue = self.handset.queue().unwrap();
        let held = queue.iter().filter(|edit| edit.state.as_str() == "held");
        held.map(|edit| serde_json::from_str(edit.result.as_deref().unwrap()).unwrap()).collect()
    }

    /// How many edits were entered.
    pub(super) fn edits(&mut self) -> usize {
        self.handset.queue().unwrap().len()
    }

    /// Types a command, and what is asked for then.
    pub(super) fn types(&mut self, line: &str, input: &str) -> Printed {
        let words = ["keepstart-handset".to_owned(), "--file".to_owned(), "-".to_owned()];
        let cli = match Cli::try_parse_from(
            words.into_iter().chain(split(&line.replace("FOLDER", self.folder.path().to_str().unwrap()))),
        ) {
            Ok(cli) => cli,
            Err(error) => panic!("{line}: {error}"),
        };
        let mut out = Shown::default();
        let mut beside = out.clone();
        let mut input = Typed { text: input.as_bytes().to_vec(), read: 0, shown: out.clone() };
        let mut face = Face {
            handset: &mut self.handset,
            around: &mut self.around,
            wire: &mut self.wire,
            boot_mark: BOOT,
            zone: Some(Zone::parse("America/Denver").unwrap()),
            screen: self.screen,
            json: cli.json,
            asks: self.asks && !cli.json,
            input: &mut input,
            out: &mut out,
            beside: &mut beside,
        };
        if let Err(error) = cli::command(cli.command, &mut face) {
            let page = cli::troubled(&error, self.screen);
            out.write_all(page.as_bytes()).unwrap();
        }
        let text = |bytes: &[u8]| String::from_utf8(bytes.to_vec()).unwrap();
        Printed { text: text(&out.0.borrow()), left: text(&input.text[input.read..]) }
    }
}

/// Words of a command line, with quotes.
fn split(line: &str) -> Vec<String> {
    let pieces = line.split('"').enumerate();
    pieces
        .flat_map(|(n, piece)| {
            let words: Vec<&str> = if n % 2 == 1 { vec![piece] } else { piece.split_whitespace().collect() };
            words.into_iter().map(str::to_owned).collect::<Vec<_>>()
        })
        .collect()
}

const ME: &str = "01990593-db00-769d-ab6e-f3c9cfb9c212";
const OTHER: &str = "01990593-db00-769d-ab6e-f3c9cfb9d777";
const STATION: &str = "01990593-db00-7ca4-b9f8-c1a4abbbe207";
const MILL: &str = "01990593-db00-7ca4-b9f8-c1a4abbbe208";

/// A record with fields, as it is told.
fn record(kind: &str, id: &str, fields: Value) -> Value {
    let stamp = Stamp { clock: 1_793_657_000_000 << 16, handset: 0 };
    json!({"change": "record", "kind": kind, "id": id, "record": {"version": 1, "fields": fields,
        "stamp": {"raw": stamp.to_string(), "edit": id}}})
}

fn unit(number: u32, fields: Value) -> Value {
    record("unit", &unit_id(number), fields)
}

fn unit_id(number: u32) -> String {
    format!("01990593-db00-7b8f-812e-5{number:03}0f80052a")
}

/// An event of a unit.
fn event(number: u32, n: u32, at: &str, mut event: Value) -> Value {
    let id = format!("01990593-db00-7e00-8000-{number:04}{n:08}");
    event["id"] = json!(id);
    event["unit_id"] = json!(unit_id(number));
    event["occurred_at"] = json!(at);
    event["author"] = json!(OTHER);
    event["recorded_at"] = json!(at);
    json!({"change": "record", "kind": "service_event", "id": id, "unit_id": unit_id(number), "record": event})
}

/// A field of a unit that two people set.
pub(super) fn contested() -> Value {
    let unit =
        unit(2, json!({"label": "Pump 2", "home_site_id": STATION, "fuel": "petrol", "rated_kw": 5.5}));
    contested_about(unit, "rated_kw", [json!(5.5), json!(6)])
}

/// The same when somebody has settled it.
pub(super) fn settled() -> Value {
    let mut unit =
        unit(2, json!({"label": "Pump 2", "home_site_id": STATION, "fuel": "petrol", "rated_kw": 6}));
    unit["record"]["version"] = json!(3);
    json!([unit])
}

/// The same of a site.
pub(super) fn contested_site() -> Value {
    let site =
        record("site", MILL, json!({"name": "Mill Lane Pump House", "zone": "America/Denver", "note": "A"}));
    contested_about(site, "note", [json!("A"), json!("B")])
}

fn contested_about(mut record: Value, field: &str, [mine, theirs]: [Value; 2]) -> Value {
    let value = |value: Value, by: &str, n: u64| {
        let raw = Stamp { clock: (1_793_657_100_000 << 16) + n, handset: 3 };
        json!({"value": value, "raw": raw.to_string(), "edit": format!("01990593-db00-7aaa-8000-00000000000{n}"),
            "author": by, "at": "2026-06-12T16:00:00Z"})
    };
    let values = [value(mine, ME, 2), value(theirs, OTHER, 1)];
    record["record"]["version"] = json!(2);
    record["record"]["stamps"] = json!({field: {"raw": values[0]["raw"], "edit": values[0]["edit"]}});
    record["record"]["contested"] = json!({field: values});
    json!([record])
}

/// A tag that somebody else hung.
pub(super) fn tagged_by_another() -> Value {
    json!([event(
        2,
        9,
        "2026-06-14T16:00:00Z",
        json!({"kind": "tag", "action": "hung", "tag": "locked_out"})
    )])
}

/// Another entry of the first unit, which is retired and linked with it; somebody hung a tag there, and something is open.
pub(super) fn entered_twice() -> Value {
    let retired = json!({"label": "Old pump", "home_site_id": STATION, "fuel": "petrol", "retired": true});
    let linked = json!({"kind": "correction", "action": "link", "other_unit_id": unit_id(6),
        "reason": "The same machine, entered twice"});
    let leaks = json!({"kind": "finding", "action": "opened", "severity": "minor", "note": "It leaks"});
    let tag = json!({"kind": "tag", "action": "hung", "tag": "locked_out"});
    json!([
        unit(6, retired),
        event(1, 8, "2026-06-13T16:00:00Z", linked),
        event(6, 8, "2026-06-14T15:00:00Z", leaks),
        event(6, 9, "2026-06-14T16:00:00Z", tag),
    ])
}

/// An event of a kind that nobody knows, and a unit whose record nobody can read.
pub(super) fn not_readable() -> Value {
    json!([
        event(3, 9, "2026-06-14T16:00:00Z", json!({"kind": "relocation"})),
        unit(1, json!({"label": "Pump 1", "home_site_id": 5, "fuel": "petrol"})),
    ])
}

/// All that the service tells at first: two sites, five units, a schedule of common practice, and what happened.
fn changes() -> Value {
    let schedule: Value =
        serde_json::from_str(include_str!("../../../../../deploy/schedules/portable-common-practice.json"))
            .unwrap();
    let (schedule_id, edition_id) = (&schedule["schedule"]["id"], &schedule["edition"]["id"]);
    let mut edition = schedule["edition"].clone();
    edition["schedule_id"] = schedule_id.clone();
    let mut all = vec![
        record("site", STATION, json!({"name": "Ridge Road Fire Station", "zone": "America/Denver"})),
        record("site", MILL, json!({"name": "Mill Lane Pump House", "zone": "America/Denver"})),
        unit(
            1,
            json!({"label": "Pump 1", "home_site_id": STATION, "fuel": "petrol", "maker": "Thornwick", "rated_kw": 5}),
        ),
        unit(2, json!({"label": "Pump 2", "home_site_id": STATION, "fuel": "petrol", "rated_kw": 5.5})),
        unit(3, json!({"label": "Pump 3", "home_site_id": STATION, "fuel": "petrol"})),
        unit(4, json!({"label": "Spare", "home_site_id": STATION, "fuel": "propane"})),
        unit(5, json!({"label": "Spare", "home_site_id": MILL, "fuel": "propane"})),
        json!({"change": "record", "kind": "edition", "id": edition_id, "record": edition}),
    ];
    for number in 1..=3 {
        let adopted = json!({"kind": "adoption", "schedule_id": schedule_id, "edition_id": edition_id});
        all.push(event(number, 1, "2026-01-05T16:00:00Z", adopted));
    }
    for (number, hours) in [(1, 400.0), (2, 1190.0)] {
        let commissioned = json!({"kind": "commissioning", "site_id": STATION, "meter_hours": hours});
        all.push(event(number, 2, "2026-01-05T17:00:00Z", commissioned));
    }
    let done = |jobs: &[&str], hours: f64| {
        let jobs: Vec<Value> = jobs.iter().map(|job| json!({"job": job})).collect();
        json!({"kind": "service", "jobs": jobs, "meter_hours": hours})
    };
    let all_jobs = [
        "oil_change",
        "air_filter_replace",
        "plug_replace",
        "valve_clearance",
        "fuel_line_inspect",
        "exercise_run",
        "fuel_check",
    ];
    all.push(event(1, 3, "2026-03-02T17:00:00Z", done(&all_jobs, 410.0)));
    all.push(event(1, 4, "2026-06-01T17:00:00Z", json!({"kind": "reading", "meter_hours": 421.0})));
    all.push(event(2, 3, "2026-06-02T17:00:00Z", done(&all_jobs, 1199.5)));
    all.push(event(2, 4, "2026-06-10T17:00:00Z", json!({"kind": "reading", "meter_hours": 1203.1})));
    Value::Array(all)
}

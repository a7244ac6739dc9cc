//! The programs of the format of edits before this one, and ours: each understands the other. Where they are, the environment
//! says (`KEEPSTART_PREVIOUS`, a folder); `tests/run` builds them from the last commit that had that format.

#![allow(
    clippy::unwrap_used,
    clippy::expect_used,
    clippy::panic,
    clippy::indexing_slicing,
    reason = "a test fails by panicking; its functions stand outside #[test] so that both databases share them"
)]

use std::{
    io::Write,
    path::PathBuf,
    process::{Command, Stdio},
    time::{SystemTime, UNIX_EPOCH},
};

use blackbox::{
    Backend, Client, Database, Service, World, on_both,
    service::{self, in_folder},
    world::id_of,
};
use handset::{NewPhoto, PhotoState, State, words};
use model::{Instant, PersonId};
use serde_json::{Value, json};

#[path = "../service/van.rs"]
#[allow(dead_code, reason = "shared with the other tests, which use the rest")]
mod van;

use self::van::{Van, map};

on_both!(a_service_that_is_one_format_behind, a_service_that_is_one_format_ahead);

/// A photo that is on its way: any hash will do for a record.
const PHOTO: &str = "9f86d081884c7d659a2feaa0c55ad015a3bf4f1b2b0b822cd15d6c15b0f00a08";

/// Our handset writes what the service does not know yet: that waits there whole, all else counts, and counts itself once the
/// service is brought up to date.
fn a_service_that_is_one_format_behind(backend: Backend) {
    let database = Database::new(backend);
    let folder = database.folder().display().to_string();
    done(&mut previous("keepstart-api", &["migrate", "--database-url", database.url()]));
    done(&mut previous("keepstart-api", &["key", "--folder", &folder]));
    let key = in_folder(&database, "signing-key.pem");
    let found = ["organization", "--name", "Tarn Valley", "--person", "Ada", "--signing-key", &key];
    let found = done(previous("keepstart-api", &found).args(["--database-url", database.url()]));
    let found: Value = serde_json::from_str(found.trim()).unwrap();
    let (token, person) = (found["token"].as_str().unwrap(), PersonId::read(&found["person_id"]).unwrap());
    let jwks = in_folder(&database, "jwks.json");
    let serve = ["serve", "--jwks", &jwks, "--database-url", database.url()];
    let mut behind = Service::serving(&mut previous("keepstart-api", &serve));
    let unit = a_unit(&Client::unkept(behind.url(), Some(token)));
    let code =
        Client::unkept(behind.url(), Some(token)).post("/v1/handsets/codes", &json!({})).expect(201).json();
    let mut van = Van::enrolled(behind.url(), person, token, code["code"].as_str().unwrap(), &machine_now());
    van.reading(&unit, 12.5);
    let found = json!({"kind": "finding", "unit_id": unit, "occurred_at": van.true_time(-60), "action": "opened",
        "severity": "minor", "finding": "oil_leak"});
    let paper = NewPhoto { bytes: b"%PDF-1.7\nA hose\n%%EOF\n".to_vec(), name: None };
    van.write_with_photos(map(found), vec![paper]);
    van.reading(&unit, 12.6);
    van.agrees();
    assert_eq!(van.states(), [State::Applied, State::Parked, State::Applied]);
    // Its bytes have nowhere to go yet, and wait.
    assert_eq!(van.handset().photos().unwrap()[0].state, PhotoState::Waiting);
    let told = words::edit(&van.handset().queue().unwrap()[1]).unwrap().join(" ");
    assert!(told.contains("older than this program"), "{told}");

    behind.kill();
    store::migrate(&database.address()).unwrap();
    let blobs = in_folder(&database, "blobs");
    let ahead = Service::serving(&mut service::command(&[&serve[..], &["--blobs", &blobs]].concat()));
    van.handset().move_to(ahead.url()).unwrap();
    van.agrees();
    assert_eq!(van.states(), [State::Applied; 3]);
    let sent = van.handset().photos().unwrap().remove(0);
    assert_eq!(sent.state, PhotoState::Sent);
    let there =
        Client::unkept(ahead.url(), Some(token)).get(&format!("/v1/blobs/{}", sent.sha256)).expect(200);
    assert_eq!(there.text, "%PDF-1.7\nA hose\n%%EOF\n");
    service::is_clean(&database);
}

/// The handset of the format before keeps what it does not know, and goes on.
fn a_service_that_is_one_format_ahead(backend: Backend) {
    let world = World::at(backend, &machine_now());
    let town = world.town();
    let unit = town.unit_in_service("Pump 1", 0);
    let photo = json!({"kind": "finding", "action": "opened", "severity": "minor", "finding": "oil_leak",
        "attachments": [{"sha256": PHOTO, "media_type": "image/jpeg"}]});
    let seen = town.happened(&unit, &machine_now(), photo);
    let person = town.people["technician"];
    let token = world.token(town.id, person);
    let file = in_folder(&world.database, "van.db");
    let old = |arguments: &[&str], input: &str| {
        let mut command = previous("keepstart-handset", &["--file", &file]);
        lines(command.args(arguments).env("KEEPSTART_TOKEN", &token), input)
    };
    let (who, code) = (person.to_string(), town.handset_code());
    old(
        &["enrol", "--service", world.service.url(), "--name", "Van 2", "--person", &who, "--code", &code],
        "",
    );
    let filled = old(&["sync"], "");
    assert_eq!((&filled[0]["done"], &filled[0]["mended"]), (&json!(true), &json!(0)), "{filled:?}");
    let reading = json!({"event": {"kind": "reading", "unit_id": unit, "occurred_at": machine_now(), "meter_hours": 5}});
    old(&["write"], &format!("{reading}\n"));
    let synced = old(&["sync"], "");
    assert_eq!((&synced[0]["done"], &synced[0]["answered"]), (&json!(true), &json!(1)), "{synced:?}");
    assert_eq!(old(&["queue"], "")[0]["state"], "applied");
    let told = old(&["told", "service_event"], "");
    let kept = told.iter().find(|told| told["id"] == seen["id"]).unwrap();
    assert_eq!(kept["record"]["attachments"][0]["sha256"], PHOTO);
}

/// A program of the format before.
fn previous(name: &str, arguments: &[&str]) -> Command {
    let folder = std::env::var_os("KEEPSTART_PREVIOUS");
    let folder = folder
        .expect("KEEPSTART_PREVIOUS says where the programs of the format before are; tests/run builds them");
    let command = service::program(name, arguments);
    let mut other = Command::new(PathBuf::from(folder).join(name));
    other.args(arguments).current_dir(service::root());
    // What a test's own programs are not told, these are not, either.
    for (unset, _) in command.get_envs().filter(|(_, value)| value.is_none()) {
        other.env_remove(unset);
    }
    other
}

/// What a command says that has to succeed.
fn done(command: &mut Command) -> String {
    let output = command.output().unwrap();
    assert!(output.status.success(), "{command:?}: {}", String::from_utf8_lossy(&output.stderr));
    String::from_utf8(output.stdout).unwrap()
}

/// The lines of JSON that a command says which is given some input.
fn lines(command: &mut Command, input: &str) -> Vec<Value> {
    let mut child = command.stdin(Stdio::piped()).stdout(Stdio::piped()).spawn().unwrap();
    child.stdin.take().unwrap().write_all(input.as_bytes()).unwrap();
    let output = child.wait_with_output().unwrap();
    let said = String::from_utf8(output.stdout).unwrap();
    assert!(output.status.success(), "{command:?}: {said}");
    said.lines().map(|line| serde_json::from_str(line).unwrap()).collect()
}

/// A new unit at a new site.
fn a_unit(desk: &Client) -> String {
    let site = json!({"name": "Ridge Road Fire Station", "zone": "America/Denver"});
    let site = id_of(&desk.post("/v1/sites", &site).expect(201).json());
    let unit = json!({"label": "Pump 1", "home_site_id": site, "fuel": "petrol"});
    id_of(&desk.post("/v1/units", &unit).expect(201).json())
}

fn machine_now() -> String {
    let since = SystemTime::now().duration_since(UNIX_EPOCH).unwrap();
    Instant::from_micros(since.as_micros().try_into().unwrap()).to_string()
}

//! A technician's day with the program: told of everything in the morning, without a signal until the evening, on a screen of 40
//! columns. What the device works out is what the service does.

use std::process::Stdio;

use blackbox::{Backend, Town, World, on_both, service::is_clean};
use serde_json::Value;

use crate::program::Program;

on_both!(a_days_round);

/// What is typed in the course of the day, and what is printed among other things.
const ROUND: [(&str, &str); 17] = [
    ("sites", "as of just now"),
    ("at|Pump house", "You are at Pump house."),
    ("due", "Pump house"),
    ("ready|Pump 1", "Pump 1: NOT READY job overdue: oil change"),
    ("reading|Pump 1|12.5", "Saved: Pump 1, reading 12.5 h"),
    ("service|Pump 1|--job|oil_change|--meter|12.6", "Saved: Pump 1, service oil change, 12.6 h"),
    (
        "run|Pump 1|--from|2026-06-15 04:00|--to|2026-06-15 04:30|--reason|test|--load-kw|2.5",
        "Saved: Pump 1, run until",
    ),
    ("run|Pump 1|--start|--reason|test", "Run a portable set outdoors only"),
    ("run|Pump 1|--stop", "Saved: Pump 1, run stop"),
    ("fuel|Pump 1|5 gal|--bought|yesterday|--treated|no", "18.93 L"),
    ("battery|Pump 1|--volts|12.6|--result|passed", "passed, 12.6 V"),
    (
        "finding|Pump 1|Cracked hose|--severity|major|--photo|FOLDER/hose.pdf",
        "1 photo, sent after the records",
    ),
    (
        "fuel|Pump 1|1 L|--bought|yesterday|--treated|no|--photo|FOLDER/tank.jpg",
        "1 photo, sent after the records",
    ),
    ("tag|Pump 1|--hang|out_of_service", "tag hung, out of service"),
    ("tag|Pump 1|--remove", "tag removed"),
    ("reading|Pump 2|3.5", "Saved: Pump 2, reading 3.5 h"),
    ("take-back|12|--reason|The other pump", "Taken back: Pump 2"),
];

/// Where nobody can be asked, and an answer is missing.
const REFUSED: [(&str, &str); 3] =
    [("reading|Pump 1", "Say HOURS:"), ("reading|Pump 1|9999", "--keep"), ("due|Pump 9", "There is no unit")];

fn a_days_round(backend: Backend) {
    let world = World::new(backend);
    let town = world.town();
    let units = ["Pump 1", "Pump 2"].map(|label| town.unit_in_service(label, 0));
    let program = Program::enrolled(&world, &town);
    said(&program, "sync", true);
    std::fs::write(program.folder.path().join("hose.pdf"), "%PDF-1.7\nA hose\n%%EOF\n").unwrap();
    let (taken, kept) = photo();
    std::fs::write(program.folder.path().join("tank.jpg"), taken).unwrap();
    let site = town.coordinator().get(&format!("/v1/sites/{}", town.sites[0])).expect(200).json();
    let name = site["name"].as_str().unwrap();
    for (line, expected) in ROUND {
        let printed = said(&program, &line.replace("Pump house", name), true);
        let expected = expected.replace("Pump house", name);
        assert!(printed.contains(&expected), "{line}: {printed}");
    }
    for (line, expected) in REFUSED {
        let printed = said(&program, line, false);
        assert!(printed.contains(expected), "{line}: {printed}");
    }
    assert!(said(&program, "queue", true).contains("To be sent: 13"));
    let stranger =
        program.command(&["sync"]).env("KEEPSTART_TOKEN", "none").stdin(Stdio::null()).output().unwrap();
    assert_eq!(stranger.status.code(), Some(2), "{}", String::from_utf8_lossy(&stranger.stdout));
    assert!(said(&program, "sync", true).contains("Photos: 2 sent, 0 came, 0 wait."));
    assert!(said(&program, "photos", true).starts_with("2 photos, 0 not sent."));
    assert!(said(&program, "queue", true).starts_with("All that you entered is recorded."));
    // Where it was taken is told to nobody.
    let there = town.coordinator().send("HEAD", &format!("/v1/blobs/{}", proof::sha256(&kept)), &[], None);
    assert_eq!(there.status, 200);
    for unit in &units {
        agrees(&program, &town, unit);
    }
    is_clean(&world.database);
}

/// A photo with a note of where it was taken, and without.
fn photo() -> (Vec<u8>, Vec<u8>) {
    let (begins, place) = (b"\xFF\xD8".as_slice(), b"\xFF\xE1\x00\x0EExif\0\0GPS39N".as_slice());
    let picture = b"\xFF\xC0\x00\x07\x08\x00\x01\x00\x01\xFF\xDA\x00\x02pixels\xFF\xD9".as_slice();
    ([begins, place, picture].concat(), [begins, picture].concat())
}

/// What a command prints, its lines joined; none is wider than the screen.
fn said(program: &Program, line: &str, is_done: bool) -> String {
    let line = &line.replace("FOLDER", program.folder.path().to_str().unwrap());
    let words: Vec<&str> = line.split('|').collect();
    let mut command = program.command(&words);
    command.envs([("COLUMNS", "40"), ("TZ", "America/Denver")]).stdin(Stdio::null());
    let output = command.output().unwrap();
    let printed = String::from_utf8([output.stdout, output.stderr].concat()).unwrap();
    assert_eq!(output.status.success(), is_done, "{line}: {printed}");
    if !words.contains(&"--json") {
        assert_eq!(printed.lines().find(|line| line.chars().count() > 40), None, "{line}");
    }
    printed.split_whitespace().collect::<Vec<_>>().join(" ")
}

/// The device comes to the same as the service. Bounds of hours grow by the second, and are left out.
fn agrees(program: &Program, town: &Town, unit: &str) {
    let here: Value = serde_json::from_str(&said(program, &format!("--json|due|{unit}"), true)).unwrap();
    let there = town.coordinator().get(&format!("/v1/units/{unit}/due")).expect(200).json();
    let told = |due: &Value| -> Vec<Value> {
        let items = due["items"].as_array().unwrap().iter();
        let members =
            ["task", "state", "reason", "calendar", "due_at", "parts", "settings", "cautions", "edition_id"];
        let limit = |item: &Value| item["hours"]["limit_hours"].clone();
        items
            .map(|item| {
                Value::Array(
                    members.map(|member| item[member].clone()).into_iter().chain([limit(item)]).collect(),
                )
            })
            .collect()
    };
    assert!(!told(&there).is_empty());
    assert_eq!(told(&here), told(&there));
}

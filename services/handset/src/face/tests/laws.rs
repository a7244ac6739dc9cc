//! What holds of every command.

use model::Instant;
use serde_json::json;

use super::bench::{Bench, contested};
use crate::face::Screen;

/// Commands that miss an answer, and the flag that gives it.
const MISSING: [(&str, &str); 9] = [
    ("reading \"Pump 1\"", "HOURS"),
    ("service \"Pump 1\"", "--job or --failed"),
    ("run \"Pump 1\"", "--start, --stop, --no-start or --from"),
    ("run \"Pump 1\" --from 8:00", "--to"),
    ("fuel \"Pump 1\"", "AMOUNT"),
    ("battery \"Pump 1\"", "--volts, --result, --load-volts, --maintainer or --replaced"),
    ("finding \"Pump 1\" leaks", "--severity"),
    ("tag \"Pump 1\"", "--hang or --remove"),
    ("tag \"Pump 1\" --hang", "--hang"),
];

/// Where nobody can be asked, a missing answer is an error that names its flag, and nothing is written.
#[test]
fn nothing_is_saved_where_an_answer_is_missing() {
    let mut bench = Bench::new();
    bench.asks = false;
    for (line, flag) in MISSING {
        let printed = bench.types(line, "").text.replace('\n', " ");
        assert!(printed.contains(&format!("Say {flag}: ")), "{line}: {printed}");
        assert_eq!(bench.edits(), 0, "{line}");
    }
}

/// Whoever stops in the middle has saved nothing.
#[test]
fn nothing_is_saved_where_somebody_stops() {
    let mut bench = Bench::new();
    for (line, _) in MISSING {
        assert!(bench.types(line, "").text.ends_with("Stopped. Nothing was saved.\n"), "{line}");
        assert_eq!(bench.edits(), 0, "{line}");
    }
}

/// All that writes something down; the first entry was refused, and the second can be taken back.
const WRITING: [&str; 13] = [
    "reading \"Pump 1\" 422",
    "service \"Pump 1\" --job oil_change",
    "run \"Pump 1\" --start",
    "fuel \"Pump 1\" \"5 gal\"",
    "battery \"Pump 1\" --volts 12.6",
    "finding \"Pump 1\" leaks --severity minor --photo FOLDER/leak.pdf",
    "tag \"Pump 1\" --hang locked_out",
    "take-back 2 --reason wrong",
    "settle \"Pump 2\" rated_kw 2",
    "drop 1 --yes",
    "at ridge",
    "sign-in 01990593-db00-769d-ab6e-f3c9cfb9d777",
    "write",
];

/// Where the disk is full, whoever enters something is told that it was not saved and what to do; when there is room again, the
/// same is saved.
#[test]
fn nothing_is_saved_where_no_room_is_left() {
    let mut bench = Bench::new();
    bench.asks = false;
    for line in ["finding \"Pump 1\" leaks --severity minor", "reading \"Pump 1\" 422"] {
        bench.types(line, "");
    }
    let results = bench.waiting().into_iter().zip(["refused", "applied"]);
    let results = results.map(|(id, result)| json!({"id": id, "result": result, "version": 1})).collect();
    bench.tells(results, contested(), "2026-06-12T14:00:00Z");
    bench.types("sync --token token", "");
    let written = r#"{"set": {"kind": "unit", "id": "01990593-db00-7b8f-812e-50010f80052a", "fields": {"rated_kw": 6}}}"#;

    bench.is_full(true);
    for line in WRITING {
        let printed = bench.types(line, written).text.replace('\n', " ");
        let words = "No room is left on this device. Nothing was saved. Make room, then try again. ";
        assert!(printed.ends_with(words), "{line}: {printed}");
        assert_eq!(bench.edits(), 2, "{line}");
    }
    bench.is_full(false);
    for line in WRITING {
        let printed = bench.types(line, written).text;
        assert!(!printed.contains("Nothing was saved"), "{line}: {printed}");
    }
    assert_eq!(bench.edits(), 11);
}

/// After a start the file is written when it is opened: where that cannot be, nothing of what was entered is lost.
#[test]
fn all_is_kept_where_no_room_is_left_after_a_start() {
    let mut bench = Bench::new();
    bench.types("reading \"Pump 1\" 422", "");
    bench.is_full(true);
    let words =
        "No room is left on this device. All that you entered before is kept. Make room, then try again.";
    assert_eq!(bench.started().map(|trouble| trouble.to_string()), Some(words.to_owned()));
    bench.is_full(false);
    assert!(bench.started().is_none());
    assert_eq!(bench.edits(), 1);
}

/// Who waits for an answer is told, once for each wait; a script is not.
#[test]
fn whoever_waits_is_told() {
    let mut bench = Bench::new();
    let words = "No answer; trying again. Ctrl-C stops, nothing is lost.";
    let mut told = |line: &str| bench.types(line, "").text.replace('\n', " ").matches(words).count();
    assert_eq!((told("sync --token token"), told("--json sync --token token")), (8, 0));
    assert_eq!(told("queue"), 0);
}

#[test]
fn one_run_has_the_handset() {
    let words = "Another run has this handset; nothing was saved. Try again when it is done.";
    assert_eq!(Bench::new().in_another_run().to_string(), words);
}

/// What is done, told in JSON or in words, with a clock that lacks so many milliseconds, and so many seconds between two steps.
fn with_a_clock_that_lacks(millis: i64, pause: i64) -> Vec<String> {
    let mut bench = Bench::new();
    let now = Instant::parse("2026-06-15T14:00:30.5Z").unwrap();
    bench.asks = false;
    bench.around.now = Instant::from_micros(now.micros() - millis * 1000);
    bench.lacks = millis;
    bench.tells(json!([]), json!([]), "2026-06-15T14:00:00Z");
    let steps = [
        "sync --token token",
        "at ridge",
        "reading \"Pump 1\" 4249",
        "reading \"Pump 1\" 424.9",
        "service \"Pump 1\" --job oil_change --job exercise_run",
        "run \"Pump 2\" --start",
        "battery \"Pump 2\" --volts 12.6",
        "finding \"Pump 3\" leaks --severity minor --when 07:30",
        "finding \"Pump 3\" leaks --severity minor --when 08:30",
        "run \"Pump 2\" --stop",
        "tag \"Pump 3\" --hang locked_out",
        "--json due",
        "--json due \"Pump 1\"",
        "--json due \"Pump 2\"",
        "--json service \"Pump 1\" --list",
        "--json ready",
        "--json ready \"Pump 1\"",
        "units",
        "show unit \"Pump 3\"",
        "take-back 1 --reason wrong",
        "queue",
    ];
    let mut told = Vec::new();
    for line in steps {
        let text = bench.types(line, "").text;
        // A tag is told as it was written.
        let parts = serde_json::from_str(&text).map(|mut told: serde_json::Value| {
            told.as_object_mut().unwrap().remove("tags");
            told.to_string()
        });
        // What is less than a second stays off.
        let now = bench.around.now.plus_seconds(millis / 1000).to_string();
        told.push(format!("{line}\n{}", parts.unwrap_or(text).replace(&now, "now")));
        bench.around.now = bench.around.now.plus_seconds(pause);
    }
    told
}

/// Days or years off, as long as the service has said by how much: everything is as by the right clock.
#[test]
fn a_wrong_clock_changes_no_answer() {
    let right = with_a_clock_that_lacks(0, 600);
    for days in [-2, 2, -730, 730] {
        for (right, wrong) in right.iter().zip(with_a_clock_that_lacks(days * 24 * 3_600_000, 600)) {
            assert_eq!(wrong, *right, "{days} days");
        }
    }
}

/// Nor is what was entered just now ahead of the answer, where a part of a second is left over.
#[test]
fn a_part_of_a_second_changes_no_answer() {
    let right = with_a_clock_that_lacks(0, 0);
    for millis in [-900, 900, -1900, 1900] {
        for (right, wrong) in right.iter().zip(with_a_clock_that_lacks(millis, 0)) {
            assert_eq!(wrong, *right, "{millis} ms");
        }
    }
}

/// What a script reads is JSON, an object on each line, and nothing is asked.
#[test]
fn scripts_read_json() {
    let mut bench = Bench::new();
    let lines = [
        "sites",
        "at ridge",
        "units",
        "show unit \"Pump 1\"",
        "due",
        "due \"Pump 1\"",
        "ready",
        "ready \"Pump 1\"",
        "reading \"Pump 1\" 423.5",
        "service \"Pump 1\" --list",
        "service \"Pump 1\" --job oil_change",
        "run \"Pump 1\" --start",
        "run \"Pump 1\" --stop",
        "fuel \"Pump 1\" \"5 gal\"",
        "battery \"Pump 1\" --volts 12.6",
        "finding \"Pump 1\" leaks --severity minor",
        "tag \"Pump 1\" --hang locked_out",
        "tag \"Pump 1\" --remove",
        "take-back 1 --reason wrong",
        "queue",
        "told unit",
        "sync --token token",
    ];
    for line in lines {
        let printed = bench.types(&format!("--json {line}"), "").text;
        assert!(!printed.is_empty(), "{line}");
        for said in printed.lines() {
            let said: Result<serde_json::Value, _> = serde_json::from_str(said);
            assert!(said.is_ok_and(|said| said.is_object()), "{line}: {printed}");
        }
    }
}

/// Colour is never alone: without it the same words are there.
#[test]
fn colour_says_nothing_that_words_do_not() {
    for line in [
        "due --site Ridge",
        "units --all",
        "sites",
        "queue",
        "conflicts",
        "show unit \"Pump 1\"",
        "service \"Pump 1\" --list",
    ] {
        let plain = Bench::new().types(line, "").text;
        let mut bench = Bench::new();
        bench.screen = Screen { width: 40, colour: true };
        let coloured = bench.types(line, "").text;
        assert_ne!(coloured, plain, "{line}");
        assert_eq!(bare(&coloured), plain, "{line}");
    }
}

/// What the README shows is what is printed.
#[test]
fn the_readme_shows_what_is_printed() {
    let folder = concat!(env!("CARGO_MANIFEST_DIR"), "/src/face/tests/scripts");
    let scripts: String = std::fs::read_dir(folder)
        .unwrap()
        .map(|entry| std::fs::read_to_string(entry.unwrap().path()).unwrap())
        .collect();
    let blocks: Vec<&str> = include_str!("../../../README.md").split("```\n$ ").skip(1).collect();
    assert!(blocks.len() > 1);
    for block in blocks {
        let shown = format!("$ {}", block.split("```").next().unwrap_or_default());
        assert!(scripts.contains(&shown), "no script prints this:\n{shown}");
    }
}

/// Text without what sets colours.
fn bare(text: &str) -> String {
    let mut pieces = text.split('\u{1b}');
    let first = pieces.next().unwrap_or_default().to_owned();
    first + &pieces.map(|piece| piece.split_once('m').map_or("", |(_, rest)| rest)).collect::<String>()
}

/// On any screen nothing is wider than it.
#[test]
fn it_fits_any_screen() {
    for width in [20, 28, 40, 80] {
        let mut bench = Bench::new();
        bench.screen = Screen { width, colour: false };
        for line in [
            "due --site Ridge",
            "service \"Pump 1\" --list",
            "queue",
            "reading \"Pump 1\" 9999 --keep",
            "due \"Pump 2\" --all",
        ] {
            let printed = bench.types(line, "").text;
            let wide = |line: &&str| textwrap::core::display_width(line) > width;
            assert_eq!(printed.lines().find(wide), None, "{line} at {width}");
        }
    }
}

//! What is typed, and what is printed.

use std::{collections::BTreeSet, fs, path::PathBuf};

use clap::CommandFactory;
use serde_json::{Value, json};

use super::bench::{
    Bench, contested, contested_site, entered_twice, not_readable, settled, tagged_by_another,
};
use crate::cli::Cli;

/// In milliseconds.
const DAY: i64 = 24 * 3_600_000;

/// A step of a script: a line that begins with `$`, what is typed then, and what is printed.
struct Step<'s> {
    line: &'s str,
    input: Vec<&'s str>,
    printed: String,
}

/// Plays a script: `$` is a command, `<` what is typed when it asks, `@` sets the clock, `no-one` and `somebody` say whether
/// anybody can be asked, `tells` has the service answer, and `#` says what is shown.
fn play(name: &str) -> BTreeSet<String> {
    let writes = std::env::var("KEEPSTART_FACE").is_ok_and(|word| word == "write");
    let file = PathBuf::from(env!("CARGO_MANIFEST_DIR")).join("src/face/tests/scripts").join(name);
    let script = fs::read_to_string(&file).unwrap();
    let (mut bench, mut played, mut commands) = (Bench::new(), String::new(), BTreeSet::new());
    for step in steps(&script) {
        played.push_str(&format!("{}\n", step.line));
        step.input.iter().for_each(|line| played.push_str(&format!("< {line}\n")));
        let Some(line) = step.line.strip_prefix("$ ") else {
            set(&mut bench, step.line);
            played.push_str(&step.printed);
            continue;
        };
        commands.insert(line.split(' ').find(|word| !word.starts_with("--")).unwrap().to_owned());
        let input: String = step.input.iter().map(|line| format!("{line}\n")).collect();
        let printed = bench.types(line, &input);
        assert!(
            writes || printed.left.is_empty(),
            "{name}: {line}: not all that was typed was asked for: {}",
            printed.left
        );
        if !["told", "write", "--json"].iter().any(|word| line.starts_with(word)) {
            let wide = |line: &&str| textwrap::core::display_width(line) > 40;
            assert_eq!(printed.text.lines().find(wide), None, "{name}: {line}");
        }
        played.push_str(&printed.text);
        played.push('\n');
    }
    let played = format!("{}\n", played.trim_end());
    if writes {
        fs::write(&file, played).unwrap();
    } else {
        assert_eq!(played, script, "{name}: to write down what is printed now, set KEEPSTART_FACE=write");
    }
    commands
}

fn steps(script: &str) -> Vec<Step<'_>> {
    let mut steps: Vec<Step<'_>> = Vec::new();
    for line in script.lines() {
        match (line.get(..2), steps.last_mut()) {
            (Some("$ " | "@ " | "# " | "% "), _) => {
                steps.push(Step { line, input: Vec::new(), printed: String::new() })
            }
            (Some("< "), Some(step)) => step.input.push(&line[2..]),
            (_, Some(step)) => step.printed.push_str(&format!("{line}\n")),
            (_, None) => panic!("a script begins with a step: {line}"),
        }
    }
    steps
}

fn set(bench: &mut Bench, line: &str) {
    match line.split_at(2) {
        ("@ ", instant) => bench.around.now = model::Instant::parse(instant).unwrap(),
        ("% ", "no one can be asked") => bench.asks = false,
        ("% ", "somebody can be asked") => bench.asks = true,
        ("% ", "the disk is full") => bench.is_full(true),
        ("% ", "the disk has room for one entry") => bench.has_room_for_one(),
        ("% ", "there is room again") => bench.is_full(false),
        ("% ", "the clock is two hours fast") => bench.lacks = -7_200_000,
        ("% ", "the clock is two days fast") => bench.lacks = -2 * DAY,
        ("% ", "the clock is two years fast") => bench.lacks = -730 * DAY,
        ("% ", "the device is started anew") => assert!(bench.started().is_none()),
        ("% ", "the service takes all") => answer(bench, &[], json!([])),
        ("% ", "the service takes all, and doubts the first") => {
            let detail = "The reading does not fit the unit's other readings; it is kept, and not used until it is \
                confirmed or others bear it out.";
            let result = json!({"result": "applied", "version": 1, "recorded_at": "2026-06-15T18:00:00Z",
                "warnings": [{"code": "reading_set_aside", "detail": detail}], "flags": ["time_doubtful"]});
            answer(bench, &[result], json!([]));
        }
        ("% ", "the service takes all and refuses the first") => {
            let problem = json!({"type": "/problems/invalid_request", "status": 400, "title": "Members of the body are wrong",
                "errors": [{"code": "required", "detail": "This member is missing.", "pointer": "/meter_hours"}]});
            answer(
                bench,
                &[
                    json!({"result": "refused", "reason": "invalid", "problem": problem}),
                    json!({"result": "held", "reason": "future_event"}),
                ],
                json!([]),
            );
        }
        ("% ", "the service holds all") => {
            let held: Vec<Value> =
                bench.waiting().iter().map(|_| json!({"result": "held", "reason": "future_event"})).collect();
            answer(bench, &held, json!([]));
        }
        ("% ", "another hangs a tag") => answer(bench, &[], tagged_by_another()),
        ("% ", "Pump 1 was entered twice") => answer(bench, &[], entered_twice()),
        ("% ", "something comes that cannot be read") => answer(bench, &[], not_readable()),
        ("% ", "another has set the first otherwise") => {
            let result = json!({"result": "contested", "version": 2, "contested": ["rated_kw"],
                "recorded_at": "2026-06-15T18:00:00Z"});
            answer(bench, &[result], contested());
        }
        ("% ", "another has set the first otherwise, and the clock is doubted") => {
            let result = json!({"result": "contested", "version": 2, "contested": ["rated_kw"],
                "recorded_at": "2026-06-15T18:00:00Z", "flags": ["clock_suspect"]});
            answer(bench, &[result], contested());
        }
        ("% ", "the service takes all, and nobody disagrees") => answer(bench, &[], settled()),
        ("% ", "two people disagree about a site") => answer(bench, &[], contested_site()),
        ("% ", "two people disagree") => answer(bench, &[], contested()),
        ("% ", "the service knows no such code") => {
            bench.says(404, json!({"type": "/problems/handset_unknown"}));
        }
        ("% ", "the token is not good any more") => {
            bench.says(401, json!({"type": "/problems/unauthenticated"}))
        }
        ("# ", _) => {}
        (_, what) => panic!("nobody knows how to play {what}"),
    }
}

/// The service answers for all that waits: the first ones as given, the others recorded.
fn answer(bench: &mut Bench, first: &[Value], changes: Value) {
    let results = bench.waiting().into_iter().enumerate().map(|(n, id)| {
        let mut result = first.get(n).cloned().unwrap_or_else(
            || json!({"result": "applied", "version": 1, "recorded_at": "2026-06-15T18:00:00Z"}),
        );
        result["id"] = json!(id);
        result
    });
    let results = results.collect();
    bench.tells(results, changes, "2026-06-15T18:00:00Z");
    // What waits for a person is offered again, and still waits.
    let held = first.iter().filter(|result| result["result"] == "held").cloned();
    let held: Vec<Value> = held.chain(bench.held()).collect();
    if !held.is_empty() {
        bench.tells(Value::Array(held), json!([]), "2026-06-15T18:00:00Z");
    }
}

/// Every script, and every command is in one.
#[test]
fn what_is_typed_and_what_is_printed() {
    let folder = PathBuf::from(env!("CARGO_MANIFEST_DIR")).join("src/face/tests/scripts");
    let mut names: Vec<String> = fs::read_dir(folder)
        .unwrap()
        .map(|entry| entry.unwrap().file_name().into_string().unwrap())
        .collect();
    names.sort();
    let played: BTreeSet<String> = names.iter().flat_map(|name| play(name)).collect();
    let all = Cli::command()
        .get_subcommands()
        .map(|command| command.get_name().to_owned())
        .collect::<BTreeSet<_>>();
    let missing: Vec<&String> = all.difference(&played).collect();
    assert_eq!(missing, Vec::<&String>::new(), "no script has these");
}

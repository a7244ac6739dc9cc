//! Random histories, drawn and answered by the oracle, one a line, and judged as they come.

use std::{
    env,
    io::{self, BufRead, BufReader, Write},
    panic,
    path::PathBuf,
    process::{Child, Command, Stdio},
    thread,
};

use model::json;
use serde_json::Value;

use super::{Life, compared, judge};

/// Failing histories that are told of; the first of all is shrunk.
const TOLD: usize = 5;

/// Set where the shrinker runs this very program.
const ONE_CASE: &str = "KEEPSTART_ORACLE_ONE_CASE";

/// It needs Python with the oracle's packages, which `tests/run --histories` gives it.
#[test]
fn random_histories() {
    let (all, seed) = (number("KEEPSTART_ORACLE_HISTORIES", 1000), number("KEEPSTART_ORACLE_SEED", 9));
    let cores = thread::available_parallelism().map_or(1, usize::from);
    let share = all.div_ceil(cores);
    let starts = (0..all).step_by(share.max(1));
    let workers: Vec<_> =
        starts.map(|first| thread::spawn(move || judge_some(seed, first, share.min(all - first)))).collect();
    let results: Vec<Judged> = workers.into_iter().map(|worker| worker.join().unwrap()).collect();
    let judged: usize = results.iter().map(|judged| judged.count).sum();
    let failing: Vec<(Value, Vec<String>)> = results.into_iter().flat_map(|judged| judged.failing).collect();
    assert_eq!(judged, all, "every history is judged (seed {seed})");
    if let Some((first, _)) = failing.first() {
        let told = failing.iter().take(TOLD).map(|(_, wrong)| wrong.join("\n"));
        let told = told.collect::<Vec<_>>().join("\n\n");
        panic!("seed {seed}: {} of {all} histories differ:\n{told}\n\n{}", failing.len(), shrunk(first));
    }
}

/// What the shrinker asks: whether the one case on the standard input still differs. One that the wire refuses, after
/// this or that was taken from it, does not.
#[test]
fn one_case() {
    if env::var_os(ONE_CASE).is_none() {
        return;
    }
    let mut line = String::new();
    io::stdin().read_line(&mut line).unwrap();
    let case = json::parse(line.as_bytes()).unwrap();
    let Ok(life) = panic::catch_unwind(|| Life::read(&case)) else { return };
    let wrong = compared(&case, &life);
    assert!(wrong.is_empty(), "{}", wrong.join("\n"));
}

struct Judged {
    count: usize,
    failing: Vec<(Value, Vec<String>)>,
}

fn judge_some(seed: usize, first: usize, count: usize) -> Judged {
    let [seed, first, count] = [seed, first, count].map(|number| number.to_string());
    let mut oracle = python("generate.py")
        .args(["--seed", &seed, "--first", &first, "--count", &count])
        .stdout(Stdio::piped())
        .spawn()
        .unwrap();
    let mut judged = Judged { count: 0, failing: Vec::new() };
    for line in BufReader::new(oracle.stdout.take().unwrap()).lines() {
        let case = json::parse(line.unwrap().as_bytes()).unwrap();
        let wrong = judge(&case);
        judged.count += 1;
        if !wrong.is_empty() {
            judged.failing.push((case, wrong));
        }
    }
    assert!(ended_well(oracle), "the oracle broke off after {} histories", judged.count);
    judged
}

fn ended_well(mut oracle: Child) -> bool {
    oracle.wait().unwrap().success()
}

/// The smallest case that the shrinker finds.
fn shrunk(case: &Value) -> String {
    let judge = env::current_exe().unwrap();
    let mut shrinker = python("shrink.py")
        .arg("-")
        .arg("--")
        .arg(judge)
        .args(["--exact", "stream::one_case", "--nocapture"])
        .env(ONE_CASE, "yes")
        .stdin(Stdio::piped())
        .stdout(Stdio::piped())
        .spawn()
        .unwrap();
    shrinker.stdin.take().unwrap().write_all(case.to_string().as_bytes()).unwrap();
    String::from_utf8(shrinker.wait_with_output().unwrap().stdout).unwrap()
}

fn python(script: &str) -> Command {
    let tests = PathBuf::from(env!("CARGO_MANIFEST_DIR")).join("../../tests");
    let python = env::var_os("KEEPSTART_PYTHON").map_or(tests.join(".venv/bin/python"), PathBuf::from);
    let mut command = Command::new(python);
    command.arg(tests.join("oracle").join(script));
    command
}

fn number(name: &str, otherwise: usize) -> usize {
    env::var(name).map_or(otherwise, |text| text.parse().unwrap_or_else(|_| panic!("{name} is no number")))
}

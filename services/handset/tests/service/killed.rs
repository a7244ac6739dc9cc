//! The program is killed while it writes and while it syncs: nothing that it said was saved is lost, and nothing comes twice.

use std::{
    collections::BTreeSet,
    io::{BufRead, BufReader, Write},
    thread,
    time::Duration,
};

use blackbox::{Backend, World, on_both, service::is_clean};
use serde_json::{Value, json};

use crate::program::Program;

on_both!(killed_at_any_moment);

/// How often it is killed while it writes, and as often while it syncs.
const TIMES: u64 = 12;
/// So many readings it is given to write each time.
const READINGS: u32 = 60;

impl Program {
    /// Writes readings until it is killed; gives the ids of those that it said were saved.
    fn killed_while_it_writes(&self, unit: &str, after: Duration) -> Vec<String> {
        let mut child = self.started(&["write"]);
        let mut lines = child.stdin.take().unwrap();
        let unit = unit.to_owned();
        let writer = thread::spawn(move || {
            for n in 0..READINGS {
                let reading = json!({"event": {"kind": "reading", "unit_id": unit, "meter_hours": n,
                    "occurred_at": "2026-06-15T11:00:00Z"}});
                if writeln!(lines, "{reading}").is_err() {
                    return;
                }
            }
        });
        thread::sleep(after);
        child.kill().unwrap();
        child.wait().unwrap();
        writer.join().unwrap();
        let said = BufReader::new(child.stdout.take().unwrap()).lines().map(Result::unwrap);
        // The last line may have been cut.
        said.filter_map(|line| Some(serde_json::from_str::<Value>(&line).ok()?["id"].as_str()?.to_owned()))
            .collect()
    }

    /// Says whether it had not ended by itself.
    fn killed_while_it_syncs(&self, after: Duration) -> bool {
        let mut child = self.started(&["sync"]);
        thread::sleep(after);
        let goes_on = child.try_wait().unwrap().is_none();
        child.kill().unwrap();
        child.wait().unwrap();
        goes_on
    }
}

fn killed_at_any_moment(backend: Backend) {
    let world = World::new(backend);
    let town = world.town();
    let unit = town.unit_in_service("Pump 1", 0);
    let program = Program::enrolled(&world, &town);
    let (mut saved, mut struck) = (Vec::new(), [0, 0]);
    for n in 0..TIMES {
        let written = program.killed_while_it_writes(&unit, Duration::from_millis(10 + 13 * n));
        struck[0] += u64::from(written.len() < usize::try_from(READINGS).unwrap());
        saved.extend(written);
        let syncing = program.killed_while_it_syncs(Duration::from_millis(5 + 17 * (n * 5 % TIMES)));
        struck[1] += u64::from(syncing);
    }
    assert!(struck.iter().all(|times| *times > 0), "it had always ended before: {struck:?}");
    let synced = program.done(&["sync"]);
    assert!(synced.status.success(), "{}", String::from_utf8_lossy(&synced.stdout));
    let queue = String::from_utf8(program.done(&["--json", "queue"]).stdout).unwrap();
    let queue: Vec<Value> = queue.lines().map(|line| serde_json::from_str(line).unwrap()).collect();
    assert!(queue.iter().all(|edit| edit["state"] == "applied"));
    let numbers: Vec<u64> = queue.iter().map(|edit| edit["edit"]["number"].as_u64().unwrap()).collect();
    assert_eq!(numbers, (1..).take(queue.len()).collect::<Vec<_>>());
    let ids =
        |all: &[Value]| all.iter().map(|one| one["id"].as_str().unwrap().to_owned()).collect::<BTreeSet<_>>();
    let kept = ids(&queue);
    assert!(!saved.is_empty() && saved.iter().all(|id| kept.contains(id)), "{saved:?}");
    // The service has each of them, once.
    let recorded = town.coordinator().all(&format!("/v1/service-events?unit={unit}&kind=reading"), 100);
    assert_eq!((recorded.len(), ids(&recorded)), (kept.len(), kept));
    is_clean(&world.database);
}

//! The handset's program, each time as a whole process: its first fill, the sync of a day's work, and what is due.

use std::{
    io::Write,
    path::PathBuf,
    process::{Child, Command, Output, Stdio},
    thread,
    time::{Duration, Instant as Ticks},
};

use anyhow::{Context, Result, anyhow, ensure};
use blackbox::{
    Relay,
    service::{in_folder, program},
};
use model::Instant;
use serde_json::{Value, json};

use crate::{
    fleet::{Fleet, Past},
    fresh_store,
    handset::Handset,
    http::Server,
    memory,
    options::{On, Options},
    push::Pushes,
    reads::{served, settle},
    stats::{count, middle},
    sync::{FILL_EVENTS, FILL_UNITS, UNBOUNDED},
    table::{Line, seconds_of},
    town::{NOW, Town},
};

/// Edits that are written in a day.
const WRITTEN: usize = 50;
/// Batches that others write meanwhile: of each, 75 events and 20 units are told.
const MEANWHILE: usize = 5;
/// Units of the list of what is due, at one site, with as many events each as those of a fill.
const DUE_UNITS: usize = 200;
/// How often it is looked how much memory the program has.
const LOOK: Duration = Duration::from_millis(2);
/// Lists in a round.
const LISTS: u32 = 5;

/// The program with a file, at a service.
struct Program<'s> {
    file: PathBuf,
    service: &'s str,
    token: &'s str,
    clock: String,
}

/// What a process came to.
struct Ran {
    seconds: f64,
    megabytes: f64,
    said: Vec<Value>,
}

/// The lines about the program at a service on one database.
pub(crate) async fn lines(on: On, options: &Options) -> Result<Vec<Line>> {
    let (database, store) = fresh_store(on)?;
    let mut pushes = Pushes::build(&store, 1, FILL_UNITS, FILL_EVENTS).await?;
    settle(&database);
    let town = pushes.town()?.clone();
    let (_service, server) = served(&database, &town, &UNBOUNDED)?;
    let folder = in_folder(&database, "handsets");
    let drained = Handset::enrol(&server, "Van", Vec::new())?;
    let (mut fills, mut days, mut records) = (Fills::default(), Days::default(), 0);
    for round in 0..options.rounds {
        // It has a runtime of its own.
        let relay = tokio::task::block_in_place(|| Relay::round_robin(&[&server.url()]));
        let program = Program::enrolled(&format!("{folder}-{round}.db"), &server, &town, relay.url())?;
        let filled = program.run(&["sync"], "")?;
        records = fills.add(&program, &filled)?;
        fills.drained.push(timed(|| drained.drain(&server, &mut server.connect()?).map(drop))?);
        pushes.push(1, MEANWHILE).await?;
        program.writes(&pushes)?;
        days.add(&program, &relay)?;
    }
    Ok(vec![fills.line(on, records), days.line(on), due(on, options).await?])
}

/// What is due at a site of 200 units, worked out on the device, against the program's start and a look at its file.
async fn due(on: On, options: &Options) -> Result<Line> {
    let (database, store) = fresh_store(on)?;
    let town = Town::of_sites(&store, 1).await?;
    Fleet::build(&town, DUE_UNITS, Past::Events(FILL_EVENTS)).await?;
    settle(&database);
    let (_service, server) = served(&database, &town, &UNBOUNDED)?;
    let url = server.url();
    let program = Program::enrolled(&in_folder(&database, "due.db"), &server, &town, &url)?;
    program.run(&["sync"], "")?;
    let site = town.places.sites.first().context("no site")?.to_string();
    let (mut ours, mut bare, mut items) = (Vec::new(), Vec::new(), 0);
    for _ in 0..options.rounds * LISTS {
        let listed = program.run(&["due", "--site", &site], "")?;
        ours.push(listed.seconds);
        items = listed
            .said
            .first()
            .and_then(|here| here.get("units")?.as_array().map(Vec::len))
            .unwrap_or_default();
        bare.push(program.run(&["sites"], "")?.seconds);
    }
    ensure!(items == DUE_UNITS, "{items} units are listed");
    let (ours, bare) = (ordered(&ours), ordered(&bare));
    let ratio = middle(&ours) / middle(&bare);
    Ok(Line {
        bare: format!("{} to start and list the sites", milliseconds(&bare)),
        ratio: format!("{ratio:.2}"),
        ..Line::figure(
            &format!("what is due on {DUE_UNITS} units, by the handset's program"),
            on.name(),
            milliseconds(&ours),
            "under 50 ms",
            Some(middle(&ours) < 0.05),
        )
    })
}

impl<'s> Program<'s> {
    fn enrolled(file: &str, server: &'s Server, town: &Town, service: &'s str) -> Result<Self> {
        let machine = std::time::SystemTime::now().duration_since(std::time::UNIX_EPOCH)?;
        let machine = Instant::from_micros(i64::try_from(machine.as_micros())?);
        let clock = format!("{NOW}@{machine}");
        let program = Self { file: file.into(), service, token: server.token(), clock };
        let code = server.post("/v1/handsets/codes", &json!({}))?;
        let code = code.get("code").and_then(Value::as_str).context("no code")?;
        let person = town.person.to_string();
        let enrol =
            ["enrol", "--service", program.service, "--name", "Van", "--person", &person, "--code", code];
        program.run(&enrol, "")?;
        Ok(program)
    }

    fn command(&self, arguments: &[&str]) -> Command {
        let mut command = program("keepstart-handset", &[]);
        command.arg("--file").arg(&self.file).args(["--clock", &self.clock, "--json"]).args(arguments);
        command.env("KEEPSTART_TOKEN", self.token).stdin(Stdio::piped()).stdout(Stdio::piped());
        command
    }

    fn run(&self, arguments: &[&str], input: &str) -> Result<Ran> {
        let began = Ticks::now();
        let mut child = self.command(arguments).spawn()?;
        child.stdin.take().context("no input")?.write_all(input.as_bytes())?;
        let looking = looked_at(child.id());
        let Output { status, stdout, .. } = ended(child)?;
        let seconds = began.elapsed().as_secs_f64();
        let megabytes = looking.join().ok().flatten().unwrap_or_default();
        let stdout = String::from_utf8(stdout)?;
        ensure!(status.success(), "{arguments:?}: {stdout}");
        let said = stdout.lines().map(serde_json::from_str).collect::<Result<_, _>>()?;
        Ok(Ran { seconds, megabytes, said })
    }

    /// Megabytes of its file and what lies beside it.
    fn size(&self) -> Result<f64> {
        let mut bytes = 0;
        for end in ["", "-wal", "-shm"] {
            let file = PathBuf::from(format!("{}{end}", self.file.display()));
            bytes += std::fs::metadata(file).map_or(0, |found| found.len());
        }
        Ok(count(usize::try_from(bytes)?) / 1e6)
    }

    /// A day's work at as many units, in the words of whoever did it.
    fn writes(&self, pushes: &Pushes) -> Result<()> {
        let units = pushes.units()?;
        let mut lines = String::new();
        let begin = Instant::parse(NOW).map_err(|flaw| anyhow!(flaw))?;
        for (n, unit) in units.iter().rev().take(WRITTEN).enumerate() {
            let at = begin.plus_seconds(-600 * i64::try_from(n)?);
            let mut event = work(n);
            for (member, value) in [("unit_id", json!(unit.id)), ("occurred_at", json!(at))] {
                event.as_object_mut().context("no event")?.insert(member.to_owned(), value);
            }
            lines.push_str(&format!("{}\n", json!({"event": event})));
        }
        let written = self.run(&["write"], &lines)?;
        ensure!(written.said.len() == WRITTEN, "{} of {WRITTEN} are written", written.said.len());
        Ok(())
    }
}

/// One thing that was done in a day, no two with the same words or figures.
fn work(n: usize) -> Value {
    let hours = count(90_000 + n) / 10.0;
    match n % 5 {
        0 => json!({"kind": "reading", "meter_hours": hours}),
        1 => {
            json!({"kind": "service", "meter_hours": hours, "note": format!("Drained {n} tenths of a litre of water first."), "jobs": [
            {"job": "oil_change", "parts": [{"part": "engine oil", "quantity": count(60 + n) / 100.0, "unit": "litres"}]},
            {"job": "air_filter_clean", "result": "done"}]})
        }
        2 => {
            json!({"kind": "fuel", "action": "filled", "litres": 5.0 + count(n) / 4.0, "bought_on": "2026-06-12", "ethanol": "free"})
        }
        3 => {
            json!({"kind": "battery", "result": "passed", "volts": count(1200 + n) / 100.0, "rested_hours": n})
        }
        _ => json!({"kind": "finding", "action": "opened", "severity": "minor", "finding": "oil_leak",
            "note": format!("A drop every {n} seconds at the drain plug, wiped and tightened; look again next time.")}),
    }
}

/// Looks at the memory of a process until it is gone.
fn looked_at(pid: u32) -> thread::JoinHandle<Option<f64>> {
    thread::spawn(move || {
        let mut most = None;
        while let Some(found) = memory::most_of(pid) {
            most = Some(found);
            thread::sleep(LOOK);
        }
        most
    })
}

fn ended(child: Child) -> Result<Output> {
    Ok(child.wait_with_output()?)
}

fn timed(what: impl FnOnce() -> Result<()>) -> Result<f64> {
    let began = Ticks::now();
    what()?;
    Ok(began.elapsed().as_secs_f64())
}

/// The median of ordered seconds in milliseconds, with the shortest and the longest.
fn milliseconds(ordered: &[f64]) -> String {
    let end = |end: Option<&f64>| end.copied().unwrap_or_default() * 1e3;
    format!("{:.1} ms ({:.1} to {:.1})", middle(ordered) * 1e3, end(ordered.first()), end(ordered.last()))
}

fn number(said: &[Value], member: &str) -> Result<usize> {
    let found = said.last().and_then(|line| line.get(member)).and_then(Value::as_u64);
    Ok(usize::try_from(found.with_context(|| format!("no {member}"))?)?)
}

fn most(figures: &[f64]) -> f64 {
    figures.iter().copied().fold(0.0, f64::max)
}

fn ordered(figures: &[f64]) -> Vec<f64> {
    let mut figures = figures.to_vec();
    figures.sort_by(f64::total_cmp);
    figures
}

/// First fills.
#[derive(Default)]
struct Fills {
    seconds: Vec<f64>,
    drained: Vec<f64>,
    file: Vec<f64>,
    memory: Vec<f64>,
}

impl Fills {
    /// Adds one; gives how many records it told.
    fn add(&mut self, program: &Program<'_>, filled: &Ran) -> Result<usize> {
        self.seconds.push(filled.seconds);
        self.memory.push(filled.megabytes);
        self.file.push(program.size()?);
        number(&filled.said, "changes")
    }

    fn line(&self, on: On, records: usize) -> Line {
        let (took, file, memory) = (ordered(&self.seconds), most(&self.file), most(&self.memory));
        let ratios: Vec<f64> =
            self.seconds.iter().zip(&self.drained).map(|(ours, bare)| ours / bare).collect();
        let reached = middle(&took) < 5.0 && file < 100.0 && memory < 100.0;
        Line {
            bare: seconds_of(&ordered(&self.drained)),
            ratio: crate::table::spread(&ordered(&ratios)),
            ..Line::figure(
                &format!("first fill of {records} records by the handset's program"),
                on.name(),
                format!("{}, {file:.0} MB on its disk, {memory:.0} MB of memory", seconds_of(&took)),
                "under 5 s and 100 MB",
                Some(reached),
            )
        }
    }
}

/// Syncs of a day's work.
#[derive(Default)]
struct Days {
    seconds: Vec<f64>,
    kilobytes: Vec<f64>,
    requests: usize,
    changes: usize,
}

impl Days {
    fn add(&mut self, program: &Program<'_>, relay: &Relay) -> Result<()> {
        let before = relay.carried();
        let synced = program.run(&["sync"], "")?;
        // The connection is over with its process, but the relay may hear of that a little later.
        thread::sleep(LOOK * 50);
        ensure!(number(&synced.said, "answered")? == WRITTEN, "{:?}", synced.said);
        let queue = program.run(&["queue"], "")?.said;
        let lost = queue.iter().find(|edit| edit.get("state").is_none_or(|state| state != "applied"));
        ensure!(lost.is_none(), "not recorded: {lost:?}");
        self.seconds.push(synced.seconds);
        self.kilobytes.push(count(usize::try_from(relay.carried() - before)?) / 1e3);
        self.requests = self.requests.max(number(&synced.said, "requests")?);
        self.changes = number(&synced.said, "changes")?;
        Ok(())
    }

    fn line(&self, on: On) -> Line {
        let (took, kilobytes) = (ordered(&self.seconds), most(&self.kilobytes));
        Line::figure(
            &format!("a day's sync of {WRITTEN} edits and {} changes", self.changes),
            on.name(),
            format!("{} requests, {kilobytes:.0} kB both ways, {}", self.requests, seconds_of(&took)),
            "2 requests and 100 kB",
            Some(self.requests <= 2 && kilobytes < 100.0),
        )
    }
}

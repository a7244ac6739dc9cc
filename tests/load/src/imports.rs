//! Units that come in as a file, against events that come in batches; the memory of the service meanwhile, and how long
//! somebody waits who writes one thing after the other.

use std::{
    fmt::Write,
    sync::{
        Arc,
        atomic::{AtomicBool, Ordering},
    },
    thread,
    time::{Duration, Instant as Ticks},
};

use anyhow::{Context, Result, anyhow, bail, ensure};
use blackbox::Database;
use serde_json::{Value, json};

use crate::{
    batch::{EDITS, MORE, STEP, UNITS},
    fleet::{Fleet, Past},
    fresh_store,
    http::{Connection, Server},
    memory,
    options::{On, Options, progress},
    push::work_of,
    reads::{served, settle},
    stats::{Measured, count, middle},
    storm::sleeping,
    sync::UNBOUNDED,
    table::{Line, spread},
    town::Town,
    unit::Unit,
};

/// Units that are there before: batches are about some, whoever writes meanwhile is about the others.
const THERE: usize = 1000;
const OTHERS: usize = 200;
const EVENTS: usize = 20;
/// Between two readings of whoever writes meanwhile.
const EVERY: Duration = Duration::from_millis(50);
/// Between two looks at how far the import is.
const LOOK: Duration = Duration::from_millis(100);
const BAR: (f64, &str) = (0.5, "at least 0.5");

/// What an import came to.
struct Imported {
    rows: usize,
    seconds: f64,
}

/// The lines about imports on one database.
pub(crate) async fn lines(on: On, options: &Options) -> Result<Vec<Line>> {
    let (database, store) = fresh_store(on)?;
    let town = Town::new(&store).await?;
    let mut units = Fleet::build(&town, THERE, Past::Events(EVENTS)).await?.units;
    drop(store);
    settle(&database);
    let (service, server) = served(&database, &town, &UNBOUNDED)?;
    let others = units.split_off(THERE - OTHERS);
    let mut batches = Batches { server: server.clone(), units, next: 0 };
    let work = work_of(batches.send(4)?.rate(), options.time(), 1);
    let before = batches.send(work)?;
    let mut writer = Writer { server: server.clone(), units: others, next: 0 };
    let quiet = writer.until(&sleeping(Duration::from_secs(options.seconds.max(5))))?;
    let began = database.number("SELECT max(seq) AS n FROM change_log");
    memory::forget_most(service.pid())?;
    let over = Arc::new(AtomicBool::new(false));
    let writing = {
        let over = Arc::clone(&over);
        thread::spawn(move || writer.until(&over))
    };
    let imported = import(&server, options.fleet());
    over.store(true, Ordering::Relaxed);
    let meanwhile = writing.join().map_err(|_| anyhow!("whoever writes panicked"))??;
    let imported = imported?;
    let memory = memory::of_process("memory of the API during it", on, service.pid())?;
    let slices = slices(&database, began);
    let after = batches.send(work)?;
    let lines =
        vec![rates(on, &imported, [&before, &after]), memory, waits(on, &slices, [&quiet, &meanwhile])];
    lines.iter().for_each(|line| {
        progress(&format!("{}: {}: {}, {}, {}", line.on, line.what, line.ours, line.bare, line.ratio))
    });
    Ok(lines)
}

fn rates(on: On, imported: &Imported, batches: [&Measured; 2]) -> Line {
    let rate = count(imported.rows) / imported.seconds;
    let mut ratios = batches.map(|batches| rate / (batches.rate() * count(EDITS)));
    ratios.sort_by(f64::total_cmp);
    let bare = batches.map(|batches| format!("{:.0}", batches.rate() * count(EDITS)));
    Line {
        what: format!(
            "import of {} units as CSV, against POST /v1/service-events/batch of {EDITS}",
            imported.rows
        ),
        on: on.name(),
        ours: format!("{rate:.0} rows/s ({:.1} s)", imported.seconds),
        bare: format!("{} rows/s before and after", bare.join(" and ")),
        ratio: spread(&ratios),
        bar: BAR.1,
        reached: Some(middle(&ratios) >= BAR.0),
    }
}

fn waits(on: On, slices: &[f64], writes: [&Measured; 2]) -> Line {
    let [before, meanwhile] = writes.map(|waits| {
        format!("{:.1} / {:.1} / {:.1} ms", waits.percentile(50), waits.percentile(99), waits.percentile(100))
    });
    let longest = slices.last().copied().unwrap_or_default();
    let reached = writes[1].percentile(100) <= longest;
    let what = format!("a reading every {} ms meanwhile (p50 / p99 / longest)", EVERY.as_millis());
    let mut line =
        Line::figure(&what, on.name(), meanwhile, "no longer than the longest slice", Some(reached));
    line.bare = format!("{before} before; slices {:.1} / {longest:.1} ms (p50 / longest)", middle(slices));
    line
}

/// Brings in a file of so many units; the time begins when its bytes are sent, and ends when its last row is taken.
fn import(server: &Server, rows: usize) -> Result<Imported> {
    let table = table(rows)?;
    let mapping = json!({"records": "units", "system": "office_list"});
    let made = server.post("/v1/imports", &json!({ "mapping": mapping }))?;
    let path = format!("/v1/imports/{}", made.get("id").and_then(Value::as_str).context("no id")?);
    let file = server.put_request(&format!("{path}/file"), &table);
    let mut connection = server.connect()?;
    let began = Ticks::now();
    let answer = connection.answer(&file)?;
    ensure!(answer.status == 202, "{}: {}", answer.status, String::from_utf8_lossy(&answer.body));
    loop {
        let import: Value = serde_json::from_slice(&connection.ask(&server.get_request(&path))?)?;
        match import.get("state").and_then(Value::as_str) {
            Some("queued" | "running") => thread::sleep(LOOK),
            Some("done") => {
                let seconds = began.elapsed().as_secs_f64();
                ensure!(import.pointer("/counts/created") == Some(&json!(rows)), "not all are new: {import}");
                return Ok(Imported { rows, seconds });
            }
            _ => bail!("it came to nothing: {import}"),
        }
    }
}

/// A table of units as an office would have it, their homes by name.
fn table(rows: usize) -> Result<String> {
    let mut table =
        String::from("external_id,label,home_site,maker,model,serial,fuel,rated_kw,tank_litres,ignition\r\n");
    for n in 0..rows {
        write!(
            table,
            "GN-{n:06},TV-{n},Site {},Harrow & Pine,HP 55,{:08},petrol,5.5,24,spark\r\n",
            n % 200,
            n * 7
        )?;
    }
    Ok(table)
}

/// The milliseconds that the slices took in order of length, from when each was begun until the next was: that is what the
/// log says of its rows.
fn slices(database: &Database, after: i64) -> Vec<f64> {
    let begun = database.numbers()(&format!(
        "SELECT DISTINCT recorded_at AS n FROM change_log WHERE channel = 'import' AND seq > {after} ORDER BY 1"
    ));
    let milliseconds = |micros: i64| Duration::from_micros(micros.unsigned_abs()).as_secs_f64() * 1000.0;
    let mut took: Vec<f64> =
        begun.iter().zip(begun.iter().skip(1)).map(|(one, next)| milliseconds(next - one)).collect();
    took.sort_by(f64::total_cmp);
    took
}

/// Who sends batches of events, one after the other: readings, and every third time a service.
struct Batches {
    server: Server,
    units: Vec<Unit>,
    next: usize,
}

impl Batches {
    /// Sends so many, made before the clock starts; all of them must be taken.
    fn send(&mut self, batches: usize) -> Result<Measured> {
        let requests = (0..batches).map(|_| self.batch()).collect::<Result<Vec<_>>>()?;
        let mut connection = self.server.connect()?;
        let (mut each, mut answers) = (Vec::new(), Vec::new());
        let began = Ticks::now();
        for request in &requests {
            let asked = Ticks::now();
            answers.push(connection.answer(request)?);
            each.push(asked.elapsed());
        }
        let took = began.elapsed();
        for answer in answers {
            let said: Value = serde_json::from_slice(&answer.body)?;
            let results = said.get("results").and_then(Value::as_array).context("no results")?;
            let taken =
                results.iter().filter(|result| result.get("result") == Some(&json!("applied"))).count();
            ensure!(taken == EDITS, "{taken} of {EDITS} events were taken: {said}");
        }
        Ok(Measured::new(took, each))
    }

    /// The next one: five events of each of the units after those of the one before it.
    fn batch(&mut self) -> Result<Vec<u8>> {
        let mut events = Vec::with_capacity(EDITS);
        for n in 0..EDITS {
            let at = (self.next + n % UNITS) % self.units.len().max(1);
            let unit = self.units.get_mut(at).context("no units")?;
            let event = if n % 3 == 2 { unit.service(STEP, MORE)? } else { unit.reading(STEP, MORE)? };
            events.push(event);
        }
        self.next += UNITS;
        self.server.post_request("/v1/service-events/batch", &json!({ "events": events }))
    }
}

/// Somebody who records one reading after the other.
struct Writer {
    server: Server,
    units: Vec<Unit>,
    next: usize,
}

impl Writer {
    /// Writes until told to stop; says how long each took until it was taken.
    fn until(&mut self, over: &AtomicBool) -> Result<Measured> {
        let mut connection = self.server.connect()?;
        let began = Ticks::now();
        let mut each = Vec::new();
        while !over.load(Ordering::Relaxed) {
            let at = self.next % self.units.len().max(1);
            self.next += 1;
            let reading = self.units.get_mut(at).context("no units")?.reading(STEP, MORE)?;
            let request = self.server.post_request("/v1/service-events", &json!(reading))?;
            let took = written(&mut connection, &request)?;
            each.push(took);
            thread::sleep(EVERY.saturating_sub(took));
        }
        Ok(Measured::new(began.elapsed(), each))
    }
}

/// How long it takes until something is recorded; whoever is told to come again does.
fn written(connection: &mut Connection, request: &[u8]) -> Result<Duration> {
    let asked = Ticks::now();
    loop {
        let answer = connection.answer(request)?;
        match answer.status {
            201 => return Ok(asked.elapsed()),
            503 => thread::sleep(Duration::from_secs(answer.retry_after.unwrap_or(1))),
            other => bail!("answered {other}: {}", String::from_utf8_lossy(&answer.body)),
        }
    }
}

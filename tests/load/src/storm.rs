//! The return after a storm: many handsets that had no signal for days come back within a minute, each with its queue and
//! with a wish for what is new, while somebody goes on reading.

use std::{
    sync::{
        Arc,
        atomic::{AtomicBool, Ordering},
    },
    thread,
    time::{Duration, Instant as Ticks},
};

use anyhow::{Result, anyhow, bail};

use crate::{
    fleet::Fleet,
    fleet::Past,
    fresh_store,
    handset::{Handset, taken},
    http::{Connection, Server},
    options::{On, Options, progress},
    reads::{served, settle},
    stats::{Measured, count},
    table::Line,
    town::Town,
};

/// Edits that each handset has.
const EDITS: usize = 200;
/// Units that each writes about; the batches of 20 go round them.
const UNITS: usize = 4;
/// Events that each of the units has.
const EVENTS: usize = 20;
/// The time within which all of them come.
const WITHIN: Duration = Duration::from_secs(60);
/// Between two reads: somebody who looks at one thing after the other.
const PAUSE: Duration = Duration::from_millis(20);
/// Tries of a handset before something must be wrong.
const TRIES: usize = 100;

/// What became of a handset.
struct Came {
    /// From its first try until its queue was empty.
    took: Duration,
    /// How often it was told to come again later.
    sent_away: usize,
}

/// The lines about a storm on one database.
pub(crate) async fn lines(on: On, options: &Options) -> Result<Vec<Line>> {
    let handsets = usize::try_from(options.handsets)?;
    let (database, store) = fresh_store(on)?;
    let town = Town::new(&store).await?;
    let fleet = Fleet::build(&town, handsets * UNITS, Past::Events(EVENTS)).await?;
    drop(store);
    settle(&database);
    // With the limits that it has by itself: turning handsets away is part of what is measured.
    let (_service, server) = served(&database, &town, &[])?;
    let paths: Vec<Vec<u8>> =
        fleet.units.iter().map(|unit| server.get_request(&format!("/v1/units/{}", unit.id))).collect();
    let reader = Reader { server: server.clone(), requests: Arc::new(paths) };
    let mut queues = Vec::with_capacity(handsets);
    for (n, units) in fleet.units.chunks(UNITS).enumerate() {
        let mut handset = Handset::enrol(&server, &format!("Van {n}"), units.to_vec())?;
        queues.push(handset.push(&server, EDITS, true)?);
    }
    let quiet = reader.until(&sleeping(Duration::from_secs(options.seconds.max(5))))?;
    let over = Arc::new(AtomicBool::new(false));
    let reading = {
        let (reader, over) = (reader.clone(), Arc::clone(&over));
        thread::spawn(move || reader.until(&over))
    };
    let began = Ticks::now();
    let came = storm(&server, queues);
    let took = began.elapsed();
    over.store(true, Ordering::Relaxed);
    let meanwhile = reading.join().map_err(|_| anyhow!("the reader panicked"))??;
    let came = came?;
    let clean = database.number("SELECT count(*) AS n FROM change_log WHERE channel = 'sync'");
    progress(&format!("storm: {clean} rows of {}", handsets * EDITS));
    Ok(told(on, handsets, took, &came, [&quiet, &meanwhile]))
}

fn told(on: On, handsets: usize, took: Duration, came: &[Came], reads: [&Measured; 2]) -> Vec<Line> {
    let longest = came.iter().map(|came| came.took).max().unwrap_or_default();
    let away: usize = came.iter().map(|came| came.sent_away).sum();
    let rate = count(handsets * EDITS) / took.as_secs_f64();
    let drained = format!(
        "all after {:.0} s ({rate:.0} rows/s), each within {:.1} s of coming, {away} times told to wait",
        took.as_secs_f64(),
        longest.as_secs_f64()
    );
    let what = format!("{handsets} handsets with {EDITS} edits each within a minute");
    let [quiet, meanwhile] =
        reads.map(|read| format!("{:.1} / {:.1} ms", read.percentile(50), read.percentile(99)));
    let mut reads =
        Line::figure("GET one unit meanwhile (p50 / p99)", on.name(), meanwhile, "stays answered", None);
    reads.bare = format!("{quiet} before");
    vec![Line::figure(&what, on.name(), drained, "all drained", Some(came.len() == handsets)), reads]
}

/// Has every handset come at its time and go on until its queue is empty.
fn storm(server: &Server, queues: Vec<Vec<u8>>) -> Result<Vec<Came>> {
    let step = WITHIN / u32::try_from(queues.len().max(1))?;
    let began = Ticks::now();
    let handsets: Vec<_> = (0..)
        .zip(queues)
        .map(|(n, queue)| {
            let server = server.clone();
            thread::spawn(move || {
                thread::sleep((step * n).saturating_sub(began.elapsed()));
                come(&server, &queue)
            })
        })
        .collect();
    handsets.into_iter().map(|handset| handset.join().map_err(|_| anyhow!("a handset panicked"))?).collect()
}

/// Sends a queue, comes again when it is told to.
fn come(server: &Server, queue: &[u8]) -> Result<Came> {
    let began = Ticks::now();
    let mut connection: Connection = server.connect()?;
    for sent_away in 0..TRIES {
        let answer = connection.answer(queue)?;
        match answer.status {
            200 => {
                let took = began.elapsed();
                taken(&answer.body, EDITS)?;
                return Ok(Came { took, sent_away });
            }
            429 | 503 => thread::sleep(Duration::from_secs(answer.retry_after.unwrap_or(1))),
            other => bail!("answered {other}: {}", String::from_utf8_lossy(&answer.body)),
        }
    }
    bail!("sent away {TRIES} times")
}

/// Somebody who reads one unit after the other.
#[derive(Clone)]
struct Reader {
    server: Server,
    requests: Arc<Vec<Vec<u8>>>,
}

impl Reader {
    fn until(&self, over: &AtomicBool) -> Result<Measured> {
        let mut connection = self.server.connect()?;
        let began = Ticks::now();
        let mut each = Vec::new();
        for request in self.requests.iter().cycle() {
            if over.load(Ordering::Relaxed) {
                break;
            }
            let asked = Ticks::now();
            connection.ask(request)?;
            each.push(asked.elapsed());
            thread::sleep(PAUSE);
        }
        Ok(Measured::new(began.elapsed(), each))
    }
}

/// A sign that is given after this time.
pub(crate) fn sleeping(time: Duration) -> Arc<AtomicBool> {
    let over = Arc::new(AtomicBool::new(false));
    let sign = Arc::clone(&over);
    thread::spawn(move || {
        thread::sleep(time);
        sign.store(true, Ordering::Relaxed);
    });
    over
}

//! What handsets ask for over HTTP: pushes, a first fill, and what is new among much that is not.

use std::time::Instant as Ticks;

use anyhow::{Context, Result, ensure};
use blackbox::{Database, Service};
use serde_json::Value;

use crate::{
    batch::EDITS,
    fleets, fresh_store,
    handset::{Handset, taken},
    http::Server,
    log,
    options::{On, Options, Row, progress},
    push::{Pushes, work_of},
    push_bar,
    reads::{bare, served, settle},
    stats::{Measured, Rounds, count},
    table::Line,
    town::Town,
    unit::Unit,
};

/// Handsets are measured here, not what is thought fair: a service of these rates turns nobody away.
pub(crate) const UNBOUNDED: [&str; 8] = [
    "--handset-requests-per-minute",
    "1000000",
    "--handset-edits-per-minute",
    "100000000",
    "--organization-requests-per-minute",
    "1000000",
    "--organization-edits-per-minute",
    "100000000",
];

/// Units whose records and events are about 20,000 with those of the sites, 20 events each.
pub(crate) const FILL_UNITS: usize = 940;
pub(crate) const FILL_EVENTS: usize = 20;
/// Units in front of a feed that is mostly about others.
const PULL_UNITS: usize = 200;

/// The lines about handsets on one database.
pub(crate) async fn lines(on: On, options: &Options) -> Result<Vec<Line>> {
    let mut lines = Vec::new();
    if options.wants(Row::Sync) {
        for (events, units) in fleets(options) {
            lines.extend(push(on, events, units, options).await?);
        }
    }
    if options.wants(Row::Fill) {
        lines.push(fill(on, options).await?);
    }
    if options.wants(Row::Pull) {
        lines.push(pull(on, options).await?);
    }
    Ok(lines)
}

/// Pushes of as many handsets as there are clients, each about units of its own, against bare inserts by as many.
async fn push(on: On, events: usize, units: usize, options: &Options) -> Result<Vec<Line>> {
    let (database, store) = fresh_store(on)?;
    let pushes = Pushes::build(&store, 1, units, events).await?;
    settle(&database);
    let (_service, server) = served(&database, pushes.town()?, &UNBOUNDED)?;
    let mut units = pushes.units()?;
    let mut lines = Vec::new();
    for clients in &options.clients {
        let mut handsets = enrolled(&server, &mut units, *clients, options.clients.len())?;
        let rounds = compare(&server, &mut handsets, &pushes, options).await?;
        let what =
            format!("POST /v1/sync of 100 edits, units with {events} earlier events, {clients} handsets");
        lines.push(Line::of_rates(what, on.name(), &rounds, count(EDITS), "rows/s", push_bar(on)));
    }
    Ok(lines)
}

/// Handsets that have filled themselves, each with its part of the units; `parts` such groups share them.
fn enrolled(server: &Server, units: &mut Vec<Unit>, clients: usize, parts: usize) -> Result<Vec<Handset>> {
    let each = units.len() / (clients * parts).max(1);
    let each = each.max(1);
    (0..clients)
        .map(|n| {
            let own = units.split_off(units.len().saturating_sub(each));
            ensure!(!own.is_empty(), "too few units for {clients} handsets");
            let mut handset = Handset::enrol(server, &format!("Van {n}"), own)?;
            handset.fill(server)?;
            Ok(handset)
        })
        .collect()
}

async fn compare(
    server: &Server,
    handsets: &mut [Handset],
    pushes: &Pushes,
    options: &Options,
) -> Result<Rounds> {
    let clients = handsets.len();
    let first = play(server, handsets, 2)?;
    let bare_first = pushes.bare(clients, clients * 8).await?;
    let work = work_of(first.rate(), options.time(), clients);
    let bare_work = work_of(bare_first.rate(), options.time(), clients);
    let mut rounds = Rounds::default();
    for _ in 0..options.rounds {
        rounds.candidate.push(play(server, handsets, work / clients.max(1))?);
        rounds.baseline.push(pushes.bare(clients, bare_work).await?);
    }
    Ok(rounds)
}

/// Each handset sends so many batches, made before the clock starts.
pub(crate) fn play(server: &Server, handsets: &mut [Handset], batches: usize) -> Result<Measured> {
    let queue = |handset: &mut Handset| (0..batches).map(|_| handset.push(server, EDITS, false)).collect();
    let queues = handsets.iter_mut().map(queue).collect::<Result<Vec<Vec<Vec<u8>>>>>()?;
    server.play(queues, |answer| taken(answer, EDITS))
}

/// A first fill, page by page over one connection, against one SELECT of as many bodies.
async fn fill(on: On, options: &Options) -> Result<Line> {
    let (database, store) = fresh_store(on)?;
    let pushes = Pushes::build(&store, 1, FILL_UNITS, FILL_EVENTS).await?;
    settle(&database);
    let (_service, server) = served(&database, pushes.town()?, &UNBOUNDED)?;
    let (_bare, bare) = bare(&database, pushes.town()?)?;
    let mut handset = Handset::enrol(&server, "Van", Vec::new())?;
    let filled = handset.fill(&server)?;
    let (mut ours, mut theirs) = (server.connect()?, bare.connect()?);
    let select = bare.get_request(&format!("/v1/bodies/0/{}", filled.records));
    let selected = theirs.ask(&select)?;
    progress(&format!(
        "fill: {} records, {} bytes in {} pages, against {} bytes",
        filled.records,
        filled.bytes,
        filled.pages,
        selected.len()
    ));
    let mut rounds = Rounds::default();
    for _ in 0..options.rounds {
        rounds.candidate.push(again(options, || handset.drain(&server, &mut ours).map(drop))?);
        rounds.baseline.push(again(options, || theirs.ask(&select).map(drop))?);
    }
    let what = format!("first fill of {} records", filled.records);
    Ok(Line::of_rates(what, on.name(), &rounds, count(filled.records), "rows/s", (0.5, "at least 0.5")))
}

/// Does something over and over for the time of a round.
fn again(options: &Options, mut what: impl FnMut() -> Result<()>) -> Result<Measured> {
    let began = Ticks::now();
    let mut each = Vec::new();
    while began.elapsed() < options.time() {
        let asked = Ticks::now();
        what()?;
        each.push(asked.elapsed());
    }
    Ok(Measured::new(began.elapsed(), each))
}

/// The same pull of 100 new changes again and again, against the SELECT of the 100 rows.
async fn pull(on: On, options: &Options) -> Result<Line> {
    let (database, store) = fresh_store(on)?;
    let mut pushes = Pushes::build(&store, 1, PULL_UNITS, FILL_EVENTS).await?;
    log::fill(&database, pushes.town()?, options.feed_rows);
    settle(&database);
    let news = News::make(&database, &mut pushes).await?;
    let mut rounds = Rounds::default();
    // The first round warms caches and connections, and does not count.
    for round in 0..=options.rounds {
        let (candidate, baseline) = (news.pulled(options)?, news.selected(options)?);
        if round > 0 {
            rounds.candidate.push(candidate);
            rounds.baseline.push(baseline);
        }
    }
    let what = format!("pull of {} new changes among {} rows", news.changes, options.feed_rows);
    Ok(Line::of_tails(what, on.name(), &rounds, (3.0, "p99 within 3 ×")))
}

/// A hundred edits that a handset has not been told of.
pub(crate) struct News {
    services: [(Service, Server); 2],
    requests: [Vec<u8>; 2],
    /// The changes that they come to.
    pub(crate) changes: usize,
}

impl News {
    /// Has a handset read all there is, then a hundred edits made by somebody else.
    pub(crate) async fn make(database: &Database, pushes: &mut Pushes) -> Result<Self> {
        let town: Town = pushes.town()?.clone();
        let (service, server) = served(database, &town, &UNBOUNDED)?;
        let (bare_service, bare) = bare(database, &town)?;
        let mut handset = Handset::enrol(&server, "Van", Vec::new())?;
        let began = Ticks::now();
        let filled = handset.fill(&server)?;
        progress(&format!("filled {} records in {:.1} s", filled.records, began.elapsed().as_secs_f64()));
        let head = database.number("SELECT max(seq) AS n FROM change_log");
        for command in pushes.prepare(1)? {
            town.push(command).await?;
        }
        let requests = [handset.pull(&server)?, bare.get_request(&format!("/v1/bodies/{head}/{EDITS}"))];
        let [pull, select] = &requests;
        let page: Value = serde_json::from_slice(&server.connect()?.ask(pull)?)?;
        let changes = page.get("changes").and_then(Value::as_array).context("no changes")?.len();
        let rows: Vec<Value> = serde_json::from_slice(&bare.connect()?.ask(select)?)?;
        ensure!(changes > 0 && rows.len() == EDITS, "{changes} changes of {} rows", rows.len());
        Ok(Self { services: [(service, server), (bare_service, bare)], requests, changes })
    }

    /// Pulls them for the time of a round.
    pub(crate) fn pulled(&self, options: &Options) -> Result<Measured> {
        let ([(_, server), _], [pull, _]) = (&self.services, &self.requests);
        server.measure(vec![pull.clone()], 1, options.time())
    }

    /// Selects their rows for the time of a round.
    fn selected(&self, options: &Options) -> Result<Measured> {
        let ([_, (_, bare)], [_, select]) = (&self.services, &self.requests);
        bare.measure(vec![select.clone()], 1, options.time())
    }

    /// The service that answers.
    pub(crate) fn server(&self) -> &Server {
        let [(_, server), _] = &self.services;
        server
    }
}

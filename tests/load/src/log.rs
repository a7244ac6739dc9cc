//! Pushes and pulls in an organization whose change log is long, against one whose log is short.

use anyhow::Result;
use blackbox::{Backend, Database};

use crate::{
    batch::EDITS,
    fresh_store,
    handset::Handset,
    options::{On, Options, progress},
    push::{Pushes, work_of},
    reads::settle,
    stats::{Measured, Rounds, count},
    sync::{News, play},
    table::Line,
    town::Town,
};

/// Rows of the short log.
const SHORT: u32 = 100_000;
/// Rows that one statement adds.
const SLICE: u32 = 1_000_000;
const UNITS: usize = 1000;
const EVENTS: usize = 20;
const BAR: (f64, &str) = (1.0 / 1.3, "within 1.3 × (ratio at least 0.77)");

/// A log, with a service in front of it and handsets that have read it.
struct Ground {
    _database: Database,
    pushes: Pushes,
    news: News,
    handsets: Vec<Handset>,
}

/// A long log and a short one, each in a database of its own.
pub(crate) async fn lines(options: &Options) -> Result<Vec<Line>> {
    let clients = options.clients.first().copied().unwrap_or(4);
    let mut short = Ground::build(SHORT, clients).await?;
    let mut long = Ground::build(options.log_rows, clients).await?;
    let (mut stored, mut synced, mut pulled) = (Rounds::default(), Rounds::default(), Rounds::default());
    let first = short.stored(clients, clients * 2).await?;
    long.stored(clients, clients * 2).await?;
    let work = work_of(first.rate(), options.time(), clients);
    for round in 0..=options.rounds {
        let ours = (long.pulled(options)?, long.synced(work)?, long.stored(clients, work).await?);
        let others = (short.pulled(options)?, short.synced(work)?, short.stored(clients, work).await?);
        // The first round warms caches and connections, and does not count.
        if round > 0 {
            for (rounds, ours, other) in [
                (&mut pulled, ours.0, others.0),
                (&mut synced, ours.1, others.1),
                (&mut stored, ours.2, others.2),
            ] {
                rounds.candidate.push(ours);
                rounds.baseline.push(other);
            }
        }
    }
    let against = format!("with {} rows in the log, against {SHORT} rows", options.log_rows);
    let line = |what: &str, rounds: &Rounds, each: f64, unit: &str| {
        Line::of_rates(format!("{what} {against}"), On::Postgres.name(), rounds, each, unit, BAR)
    };
    Ok(vec![
        line("push", &stored, count(EDITS), "rows/s"),
        line("POST /v1/sync of 100 edits", &synced, count(EDITS), "rows/s"),
        line("pull of 100 new changes", &pulled, 1.0, "requests/s"),
    ])
}

impl Ground {
    async fn build(rows: u32, clients: usize) -> Result<Self> {
        let (database, store) = fresh_store(On::Postgres)?;
        let mut pushes = Pushes::build(&store, 1, UNITS, EVENTS).await?;
        fill(&database, pushes.town()?, rows);
        settle(&database);
        let news = News::make(&database, &mut pushes).await?;
        let mut units = pushes.give_half()?;
        let each = units.len() / clients.max(1);
        let mut handsets = Vec::new();
        for n in 0..clients {
            let own = units.split_off(units.len().saturating_sub(each));
            let mut handset = Handset::enrol(news.server(), &format!("Van {n}"), own)?;
            handset.fill(news.server())?;
            handsets.push(handset);
        }
        Ok(Self { _database: database, pushes, news, handsets })
    }

    async fn stored(&mut self, clients: usize, work: usize) -> Result<Measured> {
        self.pushes.push(clients, work).await
    }

    fn synced(&mut self, work: usize) -> Result<Measured> {
        let batches = work / self.handsets.len().max(1);
        play(self.news.server(), &mut self.handsets, batches)
    }

    fn pulled(&self, options: &Options) -> Result<Measured> {
        self.news.pulled(options)
    }
}

/// Adds rows to the log and the feed of a town, without what stands behind them.
pub(crate) fn fill(database: &Database, town: &Town, rows: u32) {
    let organization = database.id(town.organization);
    let mut left = rows;
    while left > 0 {
        let slice = left.min(SLICE);
        for statement in filler(database.backend(), &organization, slice) {
            database.sql(&statement);
        }
        left -= slice;
    }
    progress(&format!("filled a log with {rows} rows"));
}

/// Copies of the newest row and its line of the feed, under numbers of their own and ids that rise as real ones do.
fn filler(backend: Backend, organization: &str, rows: u32) -> [String; 3] {
    let (with, numbers, id) = match backend {
        Backend::Postgres => (
            String::new(),
            format!("generate_series(1, {rows}) AS number (i)"),
            "(encode(int8send(seq + i), 'hex') || left(md5(i::text), 16))::uuid",
        ),
        Backend::Sqlite => (
            format!(
                "WITH RECURSIVE number (i) AS (SELECT 1 UNION ALL SELECT i + 1 FROM number WHERE i < {rows}) "
            ),
            "number".to_owned(),
            "unhex(printf('%016X%016X', seq + i, i * 2654435761))",
        ),
    };
    let newest = |table: &str| {
        format!(
            "(SELECT * FROM {table} WHERE organization = {organization} ORDER BY seq DESC LIMIT 1) AS newest, {numbers}"
        )
    };
    [
        format!(
            "{with}INSERT INTO change_log (organization, seq, recorded_at, row_kind, channel, edit_id, format, \
             record_kind, record_id, unit_id, author, stamp_raw, stamp_effective, body, content_hash, leaf_hash) \
             SELECT organization, seq + i, recorded_at, row_kind, channel, {id}, format, record_kind, {id}, {id}, author, \
             stamp_raw, stamp_effective, body, content_hash, leaf_hash FROM {}",
            newest("change_log")
        ),
        format!(
            "{with}INSERT INTO feed (organization, site_id, seq, unit_id, kind, record_id) \
             SELECT organization, site_id, seq + i, {id}, kind, {id} FROM {}",
            newest("feed")
        ),
        format!("UPDATE organization SET next_seq = next_seq + {rows} WHERE id = {organization}"),
    ]
}

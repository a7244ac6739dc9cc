//! Pushes to an organization whose change log is long, against one whose log is short; on PostgreSQL.

use anyhow::Result;
use blackbox::Database;
use store::Store;

use crate::{
    batch::EDITS,
    options::{On, Options, progress},
    push::Pushes,
    reads::settle,
    stats::{Rounds, count},
    table::Line,
};

/// Rows of the short log.
const SHORT: u32 = 100_000;
/// Rows that one statement adds.
const SLICE: u32 = 1_000_000;
const UNITS: usize = 1000;
const EVENTS: usize = 20;

/// A long log and a short one, each in a database of its own.
pub(crate) async fn line(options: &Options) -> Result<Line> {
    let (_short_database, mut short) = filled(SHORT).await?;
    let (_long_database, mut long) = filled(options.log_rows).await?;
    let clients = options.clients.first().copied().unwrap_or(4);
    let first = short.push(clients, clients * 2).await?;
    long.push(clients, clients * 2).await?;
    let work = crate::push::work_of(first.rate(), options.time(), clients);
    let mut rounds = Rounds::default();
    for _ in 0..options.rounds {
        rounds.candidate.push(long.push(clients, work).await?);
        rounds.baseline.push(short.push(clients, work).await?);
    }
    let what = format!("push with {} rows in the log, against {SHORT} rows", options.log_rows);
    let bar = (1.0 / 1.3, "within 1.3 × (ratio at least 0.77)");
    Ok(Line::of_rates(what, On::Postgres.name(), &rounds, count(EDITS), "rows/s", bar))
}

async fn filled(rows: u32) -> Result<(Database, Pushes)> {
    let database = Database::new(On::Postgres.backend());
    store::migrate(&database.address())?;
    let store = Store::open(&database.address(), 8)?;
    let pushes = Pushes::build(&store, 1, UNITS, EVENTS).await?;
    let organization = pushes.town()?.organization.to_string();
    let mut left = rows;
    while left > 0 {
        let slice = left.min(SLICE);
        for statement in filler(&organization, slice) {
            database.sql(&statement);
        }
        left -= slice;
    }
    settle(&database);
    progress(&format!("filled a log with {rows} rows"));
    Ok((database, pushes))
}

/// Copies of the newest row and its line of the feed, under numbers of their own and ids that rise as real ones do.
fn filler(organization: &str, rows: u32) -> [String; 3] {
    let id = "(encode(int8send(seq + i), 'hex') || left(md5(i::text), 16))::uuid";
    let newest = |table: &str| {
        format!(
            "(SELECT * FROM {table} WHERE organization = '{organization}' ORDER BY seq DESC LIMIT 1) newest, \
             generate_series(1, {rows}) i"
        )
    };
    [
        format!(
            "INSERT INTO change_log (organization, seq, recorded_at, row_kind, channel, edit_id, format, record_kind, \
             record_id, unit_id, author, stamp_raw, stamp_effective, body, content_hash, leaf_hash) \
             SELECT organization, seq + i, recorded_at, row_kind, channel, {id}, format, record_kind, {id}, {id}, author, \
             stamp_raw, stamp_effective, body, content_hash, leaf_hash FROM {}",
            newest("change_log")
        ),
        format!(
            "INSERT INTO feed (organization, site_id, seq, unit_id, kind, record_id) \
             SELECT organization, site_id, seq + i, {id}, kind, {id} FROM {}",
            newest("feed")
        ),
        format!("UPDATE organization SET next_seq = next_seq + {rows} WHERE id = '{organization}'"),
    ]
}

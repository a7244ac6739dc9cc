//! Somebody who reads the log and the feed forward, from the last number seen to the next, beside many writers.
//!
//! What such a reader misses it misses for ever. With numbers taken from a sequence, a row can become visible behind one
//! that was read already; the last step of our write transaction is there to rule that out.

use std::{
    sync::atomic::{AtomicBool, Ordering},
    thread,
    time::Duration,
};

use blackbox::{
    Backend, Database, Direct, Town, World, direct, none_failed,
    world::{fresh, new_id},
};
use model::{SiteId, UnitId, edit::Target};
use serde_json::json;
use store::{Command, command::Proposal};

use super::together;

/// Writers of several organizations, and how many rows they write together.
struct Crowd {
    backend: Backend,
    organizations: usize,
    writers: usize,
    rows: usize,
}

/// Edits of one command; a reader meets small and large transactions.
const SIZES: [usize; 4] = [500, 20, 400, 80];

/// Readings of one unit.
const READINGS: usize = 50;

#[test]
fn eight_writers_and_forty_thousand_rows() {
    read_beside(&Crowd { backend: Backend::Postgres, organizations: 2, writers: 8, rows: 40_000 });
}

#[test]
fn four_writers_of_a_file() {
    read_beside(&Crowd { backend: Backend::Sqlite, organizations: 2, writers: 4, rows: 4_000 });
}

/// A row that is still to come behind one that is there already, as a number taken too early leaves it.
#[test]
fn a_number_passed_over_is_noticed() {
    let world = World::new(Backend::Sqlite);
    let town = world.town();
    let [_, feed] = tables(&world.database, &town);
    let last = last(&world.database, &town);
    world.database.sql(&format!(
        "INSERT INTO feed SELECT organization, site_id, {last} + 2, unit_id, kind, record_id FROM {feed} LIMIT 1"
    ));
    let reading = read_forward(&world.database, &feed, last, &AtomicBool::new(true));
    assert_eq!((reading.rows, reading.wrong.len()), (1, 1), "{:?}", reading.wrong);
}

fn read_beside(crowd: &Crowd) {
    let world = World::new(crowd.backend);
    let towns: Vec<Town> = (0..crowd.organizations).map(|_| world.town()).collect();
    // Two stores, as two instances have.
    let stores = [(); 2].map(|()| Direct::open(&world.database, 32));
    let works: Vec<_> = (0..crowd.writers)
        .map(|writer| work(&towns[writer % crowd.organizations], &stores[0], crowd.rows / crowd.writers))
        .collect();
    let before: Vec<i64> = towns.iter().map(|town| last(&world.database, town)).collect();
    let over = AtomicBool::new(false);
    let readings = thread::scope(|scope| {
        let reading: Vec<_> = towns
            .iter()
            .zip(&before)
            .flat_map(|(town, before)| tables(&world.database, town).map(|table| (table, *before)))
            .map(|(table, before)| {
                let (database, over) = (&world.database, &over);
                scope.spawn(move || read_forward(database, &table, before, over))
            })
            .collect();
        // Also if a writer fails, lest the readers wait for ever.
        let writing = Over(&over);
        together(crowd.writers, |writer| {
            let store = &stores[writer / crowd.organizations % 2];
            works[writer].iter().for_each(|command| store.apply(command.clone()));
        });
        drop(writing);
        reading.into_iter().map(|reader| reader.join().unwrap()).collect::<Vec<_>>()
    });
    let mut read = 0;
    let mut failures = Vec::new();
    for reading in &readings {
        read += reading.rows;
        failures.extend(reading.wrong.iter().map(|wrong| format!("{}: {wrong}", reading.table)));
        // Else it would have read behind them and not beside them.
        assert!(reading.beside > 1, "{} was not read beside the writers", reading.table);
    }
    none_failed(&failures);
    assert_eq!(read, 2 * crowd.rows, "every row is read once in the log and once in the feed");
}

/// Says that the writers are done, when it is dropped.
struct Over<'a>(&'a AtomicBool);

impl Drop for Over<'_> {
    fn drop(&mut self) {
        self.0.store(true, Ordering::SeqCst);
    }
}

/// The last number of a town's log.
fn last(database: &Database, town: &Town) -> i64 {
    let counter = format!("SELECT next_seq - 1 AS n FROM organization WHERE id = {}", database.id(town.id));
    database.number(&counter)
}

/// The log of a town, and its feed as seen from the site where everything happens: tables and which rows of them.
fn tables(database: &Database, town: &Town) -> [String; 2] {
    let of_town = format!("organization = {}", database.id(town.id));
    let site = database.id(SiteId::parse(&town.sites[0]).unwrap());
    [format!("change_log WHERE {of_town}"), format!("feed WHERE {of_town} AND site_id = {site}")]
}

/// Commands of `rows` edits together: each reads the meters of units of its own, so that writers meet nowhere but at
/// the counter.
fn work(town: &Town, store: &Direct, rows: usize) -> Vec<Command> {
    let units: Vec<UnitId> = (0..rows / READINGS).map(|_| fresh()).collect();
    for some in units.chunks(500) {
        let made = |unit: &UnitId| {
            let fields = json!({"label": unit, "home_site_id": town.sites[0], "fuel": "diesel"});
            direct::create(Target::Unit(*unit), &fields)
        };
        store.apply(direct::command(town.id, some.iter().map(made).collect()));
    }
    let mut edits = units.iter().flat_map(|unit| (0..READINGS).map(|n| reading(*unit, n)));
    let commands = SIZES.iter().cycle().map(|size| edits.by_ref().take(*size).collect::<Vec<_>>());
    let commands = commands.take_while(|edits| !edits.is_empty());
    commands.map(|edits| direct::command(town.id, edits)).collect()
}

fn reading(unit: UnitId, n: usize) -> Proposal {
    let at = format!("2026-05-01T12:{n:02}:00Z");
    let reading =
        json!({"id": new_id(), "kind": "reading", "unit_id": unit, "occurred_at": at, "meter_hours": 7});
    direct::event(&reading)
}

/// What a reader came to.
struct Reading {
    table: String,
    rows: usize,
    /// Pages while there were writers.
    beside: usize,
    wrong: Vec<String>,
}

/// Reads pages after the last number seen until the writers are done and nothing more comes.
///
/// Every row after `seen` belongs in the table here, so a page that does not go on with the next number has passed over
/// a row, or has one twice.
fn read_forward(database: &Database, table: &str, mut seen: i64, over: &AtomicBool) -> Reading {
    let mut select = database.numbers();
    let mut reading = Reading { table: table.to_owned(), rows: 0, beside: 0, wrong: Vec::new() };
    loop {
        // Asked before the page, so that an empty page after it means the end.
        let ends = over.load(Ordering::SeqCst);
        let page = select(&format!("SELECT seq AS n FROM {table} AND seq > {seen} ORDER BY seq LIMIT 1000"));
        let (Some(first), Some(last)) = (page.first(), page.last()) else {
            if ends {
                return reading;
            }
            // It yields the machine to those it waits for.
            thread::sleep(Duration::from_millis(25));
            continue;
        };
        if !page.iter().copied().eq(seen + 1..=seen + i64::try_from(page.len()).unwrap()) {
            reading.wrong.push(format!("after {seen} came {} numbers from {first} to {last}", page.len()));
        }
        seen = *last;
        reading.rows += page.len();
        reading.beside += usize::from(!ends);
    }
}

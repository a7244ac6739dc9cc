//! Where a push spends its time: every statement of it, how often and how long.

use std::{
    collections::BTreeMap,
    time::{Duration, Instant as Ticks},
};

use anyhow::Result;
use blackbox::{
    Database,
    statements::{self, Seen, Statement},
};
use store::Store;

use crate::{
    options::{On, progress},
    push::Pushes,
    reads::settle,
    stats::count,
};

/// Batches whose statements are watched.
const BATCHES: usize = 40;
const UNITS: usize = 200;
/// How the statement begins that takes the organization's counter: until the commit its other writers wait.
const COUNTER: &str = "UPDATE organization SET next_seq";
/// Statements that the table names; the others are few and short.
const NAMED: usize = 25;

/// The phases of a push and their statements, as Markdown.
pub(crate) async fn tables(on: On, events: usize) -> Result<String> {
    let database = Database::new(on.backend());
    store::migrate(&database.address())?;
    let store = Store::open(&database.address(), 8)?;
    let mut pushes = Pushes::build(&store, 1, UNITS, events).await?;
    settle(&database);
    push(&store, &mut pushes).await?;
    let whole = push(&store, &mut pushes).await?;
    // Only connections opened from here on are watched, so that watching does not count into the whole.
    statements::watch(COUNTER);
    let watched = Store::open(&database.address(), 8)?;
    push(&watched, &mut pushes).await?;
    statements::take();
    push(&watched, &mut pushes).await?;
    let seen = statements::take();
    progress(&format!("{}: {:.2} ms a batch", on.name(), milliseconds(whole)));
    Ok(text(on, events, whole, &seen))
}

/// Pushes by one client; gives the time they took in all.
async fn push(store: &Store, pushes: &mut Pushes) -> Result<Duration> {
    let commands = pushes.prepare(BATCHES)?;
    let mut town = pushes.town()?.clone();
    town.store = store.clone();
    let began = Ticks::now();
    for command in commands {
        town.push(command).await?;
    }
    Ok(began.elapsed())
}

fn text(on: On, events: usize, whole: Duration, seen: &Seen) -> String {
    let mut phases: BTreeMap<&str, Statement> = BTreeMap::new();
    let mut short: BTreeMap<String, Statement> = BTreeMap::new();
    for ((sql, counter_taken), statement) in seen {
        let sql = shortened(sql);
        phases.entry(phase(&sql, *counter_taken)).or_default().add(statement);
        short.entry(sql).or_default().add(statement);
    }
    let spent: Duration = phases.values().map(|statement| statement.took).sum();
    let times: usize = phases.values().map(|statement| statement.times).sum();
    let mut text = format!(
        "Push of 100 edits on {}, units with {events} earlier events, one client: {:.2} ms a batch, {:.1} statements.\n\n",
        on.name(),
        milliseconds(whole),
        count(times) / count(BATCHES)
    );
    text.push_str("| phase | statements a batch | ms a batch |\n|---|---:|---:|\n");
    for (phase, statement) in &phases {
        text.push_str(&row(phase, statement));
    }
    let own = Statement { times: 0, took: whole.saturating_sub(spent) };
    text.push_str(&row("our own code: judge, fold, hash, JSON, and the way to the writer", &own));
    text.push_str("\n| statement | times a batch | ms a batch |\n|---|---:|---:|\n");
    let mut by_time: Vec<_> = short.into_iter().collect();
    by_time.sort_by_key(|(_, statement)| std::cmp::Reverse(statement.took));
    for (sql, statement) in by_time.iter().take(NAMED) {
        text.push_str(&row(&format!("`{sql}`"), statement));
    }
    text
}

fn row(what: &str, statement: &Statement) -> String {
    format!(
        "| {what} | {:.1} | {:.2} |\n",
        count(statement.times) / count(BATCHES),
        milliseconds(statement.took)
    )
}

fn milliseconds(all: Duration) -> f64 {
    all.as_secs_f64() * 1000.0 / count(BATCHES)
}

/// What a statement is there for.
fn phase(sql: &str, counter_taken: bool) -> &'static str {
    let words = |some: &[&str]| some.iter().any(|word| sql.contains(word));
    if words(&["record_lock"]) {
        "1 lock"
    } else if sql.starts_with("SELECT") {
        if counter_taken { "6 answers, the counter held" } else { "2 load" }
    } else if words(&["UPDATE organization"]) {
        "4 counter"
    } else if words(&["INTO change_log", "INTO feed", "INTO outbox"]) {
        "5 log, feed, outbox"
    } else if words(&["INSERT", "UPDATE", "DELETE"]) {
        "3 records, events, folds"
    } else {
        "7 begin and commit"
    }
}

/// A statement without its lists of columns and values.
fn shortened(sql: &str) -> String {
    let mut sql = sql.replace('\n', " ");
    if let (true, Some(from)) = (sql.starts_with("SELECT "), sql.find(" FROM ")) {
        sql.replace_range("SELECT ".len()..=from, "… ");
    }
    if let (true, Some(open)) = (sql.starts_with("INSERT "), sql.find(" (")) {
        let conflict = sql.find(" ON CONFLICT").unwrap_or(sql.len());
        sql.replace_range(open..conflict, " …");
    }
    if let Some(set) = sql.find(" DO UPDATE SET") {
        sql.truncate(set + " DO UPDATE".len());
    }
    while sql.contains("?, ?") {
        sql = sql.replace("?, ?", "?");
    }
    sql.chars().take(160).collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn statements_are_named_without_their_lists_and_told_apart_by_what_they_are_for() {
        let cases = [
            ("BEGIN IMMEDIATE", "BEGIN IMMEDIATE", "7 begin and commit"),
            (
                "SELECT record.version, record.registers FROM record WHERE id IN (?, ?, ?)",
                "SELECT … FROM record WHERE id IN (?)",
                "2 load",
            ),
            ("INSERT INTO feed (a, b) SELECT * FROM unnest($1)", "INSERT INTO feed …", "5 log, feed, outbox"),
            (
                "INSERT INTO due_item (a) VALUES ($1) ON CONFLICT (a) DO UPDATE SET b = $2",
                "INSERT INTO due_item … ON CONFLICT (a) DO UPDATE",
                "3 records, events, folds",
            ),
            ("INSERT INTO record_lock (a) VALUES (?, ?)", "INSERT INTO record_lock …", "1 lock"),
            ("UPDATE organization SET n = $1", "UPDATE organization SET n = $1", "4 counter"),
        ];
        for (sql, short, is) in cases {
            assert_eq!(shortened(sql), short);
            assert_eq!(phase(&shortened(sql), false), is, "{sql}");
        }
        assert_eq!(phase("SELECT … FROM record", true), "6 answers, the counter held");
    }
}

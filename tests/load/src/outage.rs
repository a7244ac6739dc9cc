//! An outage of 72 hours, run through for many units at once.

use anyhow::{Context, Result, ensure};
use serde_json::Value;

use crate::{
    fleet::{Fleet, Past},
    fresh_store,
    options::{On, Options, progress},
    reads::{self, in_turn, settle},
    standing,
    stats::{Rounds, count, median},
    table::{Line, spread},
    town::Town,
};

const UNITS: usize = 1000;
const EVENTS: usize = 20;
const OUTAGE: &str = "run-through?hours=72&load=60&can_litres=20";
/// Milliseconds.
const BAR: f64 = 1000.0;

/// The line about an outage on one database: all units in one answer, against one unit in an answer.
pub(crate) async fn line(on: On, options: &Options) -> Result<Line> {
    let (database, store) = fresh_store(on)?;
    let town = Town::of_sites_with(&store, UNITS / standing::AT_A_SITE, &standing::site()).await?;
    let past = Past::StandBy { events: EVENTS, one_in: usize::MAX };
    let fleet = Fleet::build(&town, UNITS, past).await?;
    drop(store);
    settle(&database);
    let (_service, server) = reads::served(&database, &town, &[])?;
    let all = [format!("/v1/{OUTAGE}")];
    let each: Vec<String> =
        fleet.units.iter().map(|unit| format!("/v1/units/{}/{OUTAGE}", unit.id)).collect();
    for path in all.iter().chain(each.first()) {
        let answer: Value = serde_json::from_slice(&server.get(path)?)?;
        let burned =
            answer.pointer("/stage/fuel_burned_litres").or(answer.pointer("/plan/fuel_burned_litres"));
        ensure!(burned.and_then(Value::as_f64).context("no fuel")? > 0.0, "nothing runs: {answer}");
    }
    let rounds = in_turn(1, options, (&server, &all), (&server, &each))?;
    let line = of_rounds(on, &rounds);
    progress(&format!("{}: {}: {}, {}", line.on, line.what, line.ours, line.bare));
    Ok(line)
}

fn of_rounds(on: On, rounds: &Rounds) -> Line {
    let time = |percent| median(&rounds.candidate, |round| round.percentile(percent));
    let one = median(&rounds.baseline, |round| round.percentile(50));
    let longest = time(100);
    // A unit in an answer with all others, as a share of a unit in an answer of its own.
    let ratios: Vec<f64> = rounds.ratios().iter().rev().map(|ratio| 1.0 / (ratio * count(UNITS))).collect();
    Line {
        what: format!("run-through of {UNITS} units, {EVENTS} events each, 72 h, one client"),
        on: on.name(),
        ours: format!("{:.0} ms, {longest:.0} at most", time(50)),
        bare: format!("{one:.2} ms for one unit by itself"),
        ratio: spread(&ratios),
        bar: "under 1 s",
        reached: Some(longest < BAR),
    }
}

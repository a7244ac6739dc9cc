//! A unit with a long history: what a refold of it costs, and what one more event does.

use std::{collections::BTreeMap, hint::black_box, sync::Arc};

use anyhow::{Context, Result};
use interval::{Input, Policy, UnitFacts, refold_compact};
use model::{Hours, Instant, Zone};

use crate::{
    library::on_core,
    options::Options,
    stats::middle,
    table::Line,
    town::{Places, twelve_tasks},
    unit::Unit,
};

const EVENTS: usize = 10_000;
const REFOLD_BAR: f64 = 50.0;
const APPLY_BAR: f64 = 1.0;

/// Two lines of the table: the refold, and applying one event more.
pub(crate) fn lines(options: &Options) -> Result<Vec<Line>> {
    let places = Places::new();
    let mut unit = Unit::new(&places, 0, Instant::parse("2006-06-01T08:00:00Z")?);
    let events = unit.lives(EVENTS, Instant::parse("2026-06-09T12:00:00Z")?)?;
    let facts = UnitFacts::plain(true, Hours::from_hundredths(10), unit.site());
    let edition = Arc::new(twelve_tasks()?);
    let editions = places.schedules.iter().map(|(_, id)| (*id, Arc::clone(&edition))).collect();
    let zone = Zone::parse("America/Denver")?;
    let zones: BTreeMap<_, _> = places.sites.iter().map(|site| (*site, zone.clone())).collect();
    let policy = Policy::standard();
    let input = Input {
        unit: unit.id,
        facts: &facts,
        events: &events,
        zones: &zones,
        editions: &editions,
        policy: &policy,
    };

    let rounds = options.rounds.max(5);
    let kept = refold_compact(&input).compact.context("a plain unit keeps a compact state")?;
    let refold = milliseconds(rounds, 10, || drop(black_box(refold_compact(&input))))?;
    let more = [unit.reading(3600, 1)?];
    let after = Input { events: &more, ..input };
    kept.apply(&after).context("an event in order applies")?;
    let apply = milliseconds(rounds, 1000, || drop(black_box(kept.apply(&after))))?;
    let line = |what: &str, took: &[f64], bar: f64, bar_text: &'static str| {
        let end = |end: Option<&f64>| end.copied().unwrap_or_default();
        let (least, most) = (end(took.first()), end(took.last()));
        let text = format!("{:.3} ms ({least:.3} to {most:.3})", middle(took));
        Line::figure(what, "", text, bar_text, Some(middle(took) < bar))
    };
    Ok(vec![
        line("refold of one unit with 10,000 events, 12 tasks", &refold, REFOLD_BAR, "under 50 ms"),
        line("applying one event more to it", &apply, APPLY_BAR, "under 1 ms"),
    ])
}

/// The milliseconds that some work takes of a core, done so often in each round that its clock is fine enough; the
/// shortest first.
fn milliseconds(rounds: u32, times: u32, work: impl Fn()) -> Result<Vec<f64>> {
    let once =
        || on_core(|| (0..times).for_each(|_| work())).map(|seconds| seconds * 1000.0 / f64::from(times));
    let mut took = (0..rounds).map(|_| once()).collect::<Result<Vec<f64>>>()?;
    took.sort_by(f64::total_cmp);
    Ok(took)
}

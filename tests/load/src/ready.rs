//! Which units and sites are not ready, in a large fleet and in a small one with as many of them.

use std::time::Instant as Ticks;

use anyhow::Result;
use blackbox::{Database, Service};

use crate::{
    fleet::{Fleet, Past},
    fresh_store,
    http::Server,
    night::shift,
    options::{On, Options, progress},
    reads::{self, Answered, settle},
    standing,
    stats::count,
    table::Line,
    town::{NOW, Town},
};

/// Units that are not ready in every fleet, each at a site of its own.
const NOT_READY: usize = 50;
const SMALL: usize = 1000;
const EVENTS: usize = 8;

/// A fleet that is judged, with the service in front of it.
struct Ground {
    _database: Database,
    _service: Service,
    server: Server,
    /// Milliseconds that judging took for each unit.
    judged: f64,
}

/// The lines about lists of readiness on one database.
pub(crate) async fn lines(on: On, options: &Options) -> Result<Vec<Line>> {
    let large = Ground::build(on, options.fleet()).await?;
    let small = Ground::build(on, SMALL).await?;
    let lists = [
        ("sites", "/v1/readiness/sites?verdict=not_ready&limit=100"),
        ("units", "/v1/readiness?verdict=not_ready&limit=100"),
    ];
    let mut lines = Vec::new();
    for (of, path) in lists {
        let what = format!("list {NOT_READY} {of} not ready of {} units", options.units);
        let answered = Answered { what, path, items: NOT_READY, fleet: SMALL };
        lines.push(answered.line(on, (&large.server, &small.server), options)?);
    }
    let what = format!("judging {} units anew and their sites, by the night shift", options.units);
    lines.push(Line::figure(&what, on.name(), format!("{:.2} ms a unit", large.judged), "", None));
    Ok(lines)
}

impl Ground {
    async fn build(on: On, units: usize) -> Result<Self> {
        let (database, store) = fresh_store(on)?;
        let sites = units.div_ceil(standing::AT_A_SITE);
        let town = Town::of_sites_with(&store, sites, &standing::site()).await?;
        let past = Past::StandBy { events: EVENTS, one_in: units.div_ceil(NOT_READY) };
        let fleet = Fleet::build(&town, units, past).await?;
        drop(store);
        settle(&database);
        let began = Ticks::now();
        shift(&database, "once", NOW, &["--at", NOW])?;
        let judged = began.elapsed().as_secs_f64() * 1000.0 / count(units);
        settle(&database);
        let told =
            ["ready", "ready_with_limits", "unknown", "not_ready"].map(|verdict| told(&database, verdict));
        let built = fleet.took.as_secs_f64();
        progress(&format!("{}: built {units} units in {built:.0} s, judged: {}", on.name(), told.join(", ")));
        let (service, server) = reads::served(&database, &town, &[])?;
        Ok(Self { _database: database, _service: service, server, judged })
    }
}

/// How many units and sites have a verdict.
fn told(database: &Database, verdict: &str) -> String {
    let of = |table: &str| {
        database.number(&format!("SELECT count(*) AS n FROM {table} WHERE verdict = '{verdict}'"))
    };
    format!("{} units and {} sites {verdict}", of("unit_readiness"), of("site_readiness"))
}

//! Reads over HTTP: one unit, a list of what is overdue, and the memory of the process that answers.

use std::process::Command;

use access::{SigningKey, keys, token};
use anyhow::{Context, Result, ensure};
use blackbox::{
    Backend, Database, Service,
    service::{in_folder, serve},
    world::claims,
};
use serde_json::Value;
use store::Store;

use crate::{
    fleet::{Fleet, Past},
    http::Server,
    memory,
    options::{On, Options, Row, progress},
    stats::{Rounds, middle},
    table::Line,
    town::{NOW, Town},
};

/// Connections of the service to its database, and its worker threads: what it has unless told otherwise.
const CONNECTIONS: &str = "8";
const WORKERS: &str = "2";
/// Connections of the client.
const CLIENTS: usize = 8;
/// Items that are overdue in every fleet.
const OVERDUE: usize = 50;
const LIST: &str = "/v1/due?state=overdue&limit=100";
const SMALL: usize = 1000;
/// Paths that are asked for in turn.
const PATHS: usize = 5000;

/// A fleet with the service in front of it.
struct Ground {
    database: Database,
    town: Town,
    fleet: Fleet,
    service: Service,
    server: Server,
}

/// The lines about reads on one database.
pub(crate) async fn lines(on: On, options: &Options) -> Result<Vec<Line>> {
    let large = Ground::build(on, options.fleet()).await?;
    let mut lines = Vec::new();
    if options.wants(Row::Get) {
        lines.push(get(on, &large, options)?);
    }
    if options.wants(Row::List) {
        let small = Ground::build(on, SMALL).await?;
        let what = format!("list {OVERDUE} overdue items of {} units", options.units);
        let answered = Answered { what, path: LIST, items: OVERDUE, fleet: SMALL };
        lines.push(answered.line(on, (&large.server, &small.server), options)?);
    }
    if options.wants(Row::Memory) {
        lines.push(memory::line(on, options.units, large.service.pid())?);
    }
    Ok(lines)
}

fn get(on: On, ground: &Ground, options: &Options) -> Result<Line> {
    let (_bare, server) = bare(&ground.database, &ground.town)?;
    let step = (ground.fleet.units.len() / PATHS).max(1);
    let paths: Vec<String> =
        ground.fleet.units.iter().step_by(step).map(|unit| format!("/v1/units/{}", unit.id)).collect();
    let rounds = in_turn(CLIENTS, options, (&ground.server, &paths), (&server, &paths))?;
    let what = format!("GET one of {} units", options.units);
    Ok(Line::of_rates(what, on.name(), &rounds, 1.0, "requests/s", (0.5, "at least 0.5")))
}

/// A list that is answered alike in a large and in a small fleet.
pub(crate) struct Answered {
    pub(crate) what: String,
    pub(crate) path: &'static str,
    /// Items of the answer.
    pub(crate) items: usize,
    /// Units of the small fleet.
    pub(crate) fleet: usize,
}

impl Answered {
    /// The large fleet against the small one.
    pub(crate) fn line(self, on: On, (large, small): (&Server, &Server), options: &Options) -> Result<Line> {
        let Self { what, path, items, fleet } = self;
        for server in [large, small] {
            let answer: Value = serde_json::from_slice(&server.get(path)?)?;
            let found = answer.get("items").and_then(Value::as_array).map_or(0, Vec::len);
            ensure!(found == items, "{path} gives {found} items, not {items}");
        }
        let paths = [path.to_owned()];
        let rounds = in_turn(CLIENTS, options, (large, &paths), (small, &paths))?;
        // The bar is about time: the large fleet may take one and a half times as long.
        let bar = (1.0 / 1.5, "within 1.5 × (ratio at least 0.67)");
        let what = format!("{what}, against {fleet} units");
        let mut line = Line::of_rates(what, on.name(), &rounds, 1.0, "requests/s", bar);
        line.bare = format!("{}, {fleet} units", line.bare);
        Ok(line)
    }
}

/// Measures the one and the other in turn, over so many connections.
pub(crate) fn in_turn(
    clients: usize,
    options: &Options,
    ours: (&Server, &[String]),
    bare: (&Server, &[String]),
) -> Result<Rounds> {
    let once = |(server, paths): (&Server, &[String])| {
        let requests = paths.iter().map(|path| server.get_request(path)).collect();
        server.measure(requests, clients, options.time())
    };
    let mut rounds = Rounds::default();
    // The first round warms caches and connections, and does not count.
    for round in 0..=options.rounds {
        let (candidate, baseline) = (once(ours)?, once(bare)?);
        if round > 0 {
            rounds.candidate.push(candidate);
            rounds.baseline.push(baseline);
        }
    }
    progress(&format!("reads: ratio {:.2}", middle(&rounds.ratios())));
    Ok(rounds)
}

impl Ground {
    async fn build(on: On, units: usize) -> Result<Self> {
        let database = Database::new(on.backend());
        store::migrate(&database.address())?;
        let store = Store::open(&database.address(), 8)?;
        let town = Town::new(&store).await?;
        let fleet = Fleet::build(&town, units, Past::Recent { one_in: units / OVERDUE }).await?;
        drop(store);
        settle(&database);
        progress(&format!("{}: built {units} units in {:.0} s", on.name(), fleet.took.as_secs_f64()));
        let (service, server) = served(&database, &town, &[])?;
        Ok(Self { database, town, fleet, service, server })
    }
}

/// The service in front of a database, told what it is not by itself, and whoever may do everything in the town.
pub(crate) fn served(database: &Database, town: &Town, told: &[&str]) -> Result<(Service, Server)> {
    let key = SigningKey::from_seed(&[7; 32])?;
    std::fs::write(in_folder(database, "jwks.json"), keys::jwks([key.public()]).to_string())?;
    let token = token::sign(&key, &claims(town.organization, town.person)).context("signing a token")?;
    let mut command = serve(database, NOW);
    command.args(["--log", "warn", "--connections", CONNECTIONS, "--workers", WORKERS]).args(told);
    let service = Service::serving(&mut command);
    let server = Server::new(service.url(), Some(&token))?;
    Ok((service, server))
}

/// The server that answers with bare statements.
pub(crate) fn bare(database: &Database, town: &Town) -> Result<(Service, Server)> {
    let mut command = Command::new(std::env::current_exe()?);
    let organization = town.organization.to_string();
    command.args(["bare", "--database-url", database.url(), "--organization", &organization]);
    command.args(["--connections", CONNECTIONS, "--workers", WORKERS]);
    let service = Service::serving(&mut command);
    let server = Server::new(service.url(), None)?;
    Ok((service, server))
}

/// Has the database do at once what it would do in its own time, so that it does not fall into a measurement.
pub(crate) fn settle(database: &Database) {
    if database.backend() == Backend::Postgres {
        database.sql("VACUUM ANALYZE");
        database.sql("CHECKPOINT");
    }
}

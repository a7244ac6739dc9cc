//! `serve`: the API, until it is told to stop.

use std::{net::TcpListener, path::PathBuf, process::ExitCode, sync::Arc, time::Duration};

use access::{KeyRing, Leaving};
use actix_web::{App, HttpServer, middleware, web};
use anyhow::{Context, Result, anyhow};
use clap::Args;
use process::{
    Clock, ConfigFile, Database, Log, ReadinessRules,
    blobs::{BlobPlace, Blobs},
    readiness::PolicyJudge,
    stop_signal,
};
use store::{Address, Store};
use tokio::sync::Semaphore;

use super::{Trust, say};
use crate::{
    app,
    compress::compress,
    cursor::Cursors,
    enrolment::Tries,
    imports,
    limits::{Limits, Rates},
    random,
    signing::Parties,
    state::State,
    sync::{again, streams::Streams},
    throttle::Throttle,
    tokens::Tokens,
};

/// Photos that are put together and judged at the same time; each is in memory twice then.
const JUDGED_AT_ONCE: usize = 2;
/// How long requests under way may take when the service stops.
const STOP_SECONDS: u64 = 30;

#[derive(Args)]
pub(super) struct Serve {
    #[command(flatten)]
    config: ConfigFile,
    #[command(flatten)]
    database: Database,
    #[command(flatten)]
    trust: Trust,
    #[command(flatten)]
    network: Network,
    /// File with the public keys of who signs access tokens (a JWK set).
    #[arg(long, env = "KEEPSTART_JWKS", default_value = "jwks.json")]
    jwks: PathBuf,
    /// Begin the clock at this instant instead of the machine's; for tests. INSTANT@MACHINE is one for several processes:
    /// it showed INSTANT when the machine's showed MACHINE.
    #[arg(long, env = "KEEPSTART_CLOCK")]
    clock: Option<String>,
}

/// Where and how to listen, and what to log.
#[derive(Args, Clone)]
pub(super) struct Network {
    /// Address to listen on; port 0 takes a free one.
    #[arg(long, env = "KEEPSTART_LISTEN", default_value = "127.0.0.1:8080")]
    listen: String,
    /// Connections to the database at most; to a file half as many more, to plan what is written, and the one that writes.
    #[arg(long, env = "KEEPSTART_CONNECTIONS", default_value_t = 8, value_parser = clap::value_parser!(u32).range(2..=500))]
    connections: u32,
    /// Worker threads.
    #[arg(long, env = "KEEPSTART_WORKERS", default_value_t = 2, value_parser = clap::value_parser!(u16).range(1..=256))]
    workers: u16,
    #[command(flatten)]
    log: Log,
    #[command(flatten)]
    rates: Rates,
    #[command(flatten)]
    rules: ReadinessRules,
    #[command(flatten)]
    blobs: BlobPlace,
}

impl Serve {
    pub(super) fn run(self) -> Result<ExitCode> {
        let address = self.database.address()?;
        let parties = Parties::parse(&self.trust.issuer, &self.trust.audience)?;
        let keys = std::fs::read_to_string(&self.jwks).with_context(|| {
            format!("cannot read the key set {}; `keepstart-api key` makes one", self.jwks.display())
        })?;
        let clock = match &self.clock {
            None => Clock::machine(),
            Some(text) => Clock::parse(text).map_err(|flaw| anyhow!("clock: {flaw}"))?,
        };
        // The embedded database belongs to this one process, which brings it up to date itself; but only the default
        // file is made here, since a mistyped path must not be served as an empty database.
        if let Address::Sqlite(file) = &address {
            anyhow::ensure!(
                self.database.is_default() || std::path::Path::new(file).exists(),
                "there is no database {file}; `keepstart-api migrate` makes one"
            );
            store::migrate(&address)?;
        }
        self.network.serve(&address, &parties, &keys, clock, |_| async { Ok(()) })
    }
}

impl Network {
    /// Opens the database, does `first`, then serves until told to stop.
    pub(super) fn serve<F: Future<Output = Result<()>>>(
        &self,
        address: &Address,
        parties: &Parties,
        keys: &str,
        clock: Clock,
        first: impl FnOnce(State) -> F,
    ) -> Result<ExitCode> {
        self.log.start()?;
        let listener =
            TcpListener::bind(&self.listen).with_context(|| format!("cannot listen on {}", self.listen))?;
        actix_web::rt::System::new().block_on(async {
            let judge = self.rules.judge()?;
            let means = Means {
                connections: self.connections,
                rates: self.rates,
                judge,
                blobs: self.blobs.open(address)?,
            };
            let state = open(address, parties, keys, clock, means).await?;
            first(state.clone()).await?;
            say(&format!("Keepstart listens on http://{}", listener.local_addr()?));
            tokio::spawn(again::keep_trying(state.clone()));
            tokio::spawn(imports::keep_importing(state.clone()));
            let (streams, stop) = (state.streams.clone(), stop_signal()?);
            let server = HttpServer::new(move || {
                App::new()
                    .app_data(web::Data::new(state.clone()))
                    .wrap(middleware::from_fn(compress))
                    .wrap(middleware::from_fn(app::frame))
                    .configure(app::configure)
            });
            server
                .workers(self.workers.into())
                .tcp_nodelay(true)
                .client_request_timeout(Duration::from_secs(10))
                .keep_alive(Duration::from_secs(75))
                .shutdown_timeout(STOP_SECONDS)
                .shutdown_signal(async move {
                    stop.await;
                    streams.end();
                })
                .listen(listener)?
                .run()
                .await?;
            Ok(ExitCode::SUCCESS)
        })
    }
}

/// With what a service works.
pub(super) struct Means {
    /// Connections to the database at most.
    pub connections: u32,
    /// How much handsets may send.
    pub rates: Rates,
    /// Who judges readiness.
    pub judge: PolicyJudge,
    /// Where photos and papers lie.
    pub blobs: Blobs,
}

/// Opens everything that requests reach.
pub(super) async fn open(
    address: &Address,
    parties: &Parties,
    keys: &str,
    clock: Clock,
    means: Means,
) -> Result<State> {
    let Means { connections, rates, judge, blobs } = means;
    let store = Store::open(address, connections)?;
    let keys = KeyRing::from_jwks(parties.issuer.clone(), parties.audience.clone(), keys)?;
    let fresh = random::bytes::<32>().map_err(|_| anyhow!("no randomness"))?;
    let secret = store.secret("cursor", fresh.to_vec()).await?;
    let fresh = random::bytes::<32>().map_err(|_| anyhow!("no randomness"))?;
    let leaving = Leaving::new(&store.secret(Leaving::SECRET, fresh.to_vec()).await?);
    Ok(State {
        store,
        keys: Arc::new(keys),
        tokens: Tokens::default(),
        clock,
        judge: Arc::new(judge),
        leaving,
        cursors: Cursors::new(&secret),
        streams: Streams::default(),
        tries: Tries::default(),
        limits: Limits::of(rates),
        throttle: Arc::new(Throttle::new(rates)),
        blobs,
        judging: Arc::new(Semaphore::new(JUDGED_AT_ONCE)),
        imports_wait: Arc::default(),
    })
}

//! Whether the process lives and what has failed: `/livez`, `/readyz` and `/metrics`.

use std::{net::TcpListener, sync::Arc};

use actix_web::{App, HttpResponse, HttpServer, dev::Server, web};
use anyhow::Result;
use process::Clock;
use prometheus_client::{
    encoding::{EncodeLabelSet, text::encode},
    metrics::{counter::Counter, family::Family, gauge::Gauge},
    registry::Registry,
};
use serde::Serialize;
use store::{
    Store,
    chores::{ChoreKind, NIGHTLY},
};

/// A round that began longer ago than this has got stuck, or the process was asleep.
const SILENT_SECONDS: i64 = 300;

/// What has been done since the process began.
#[derive(Clone, Debug, Default)]
pub(crate) struct Counts {
    ended: Family<Ended, Counter>,
    failing: Gauge,
}

/// Which kind of chore ended how.
#[derive(Clone, Debug, PartialEq, Eq, Hash, EncodeLabelSet)]
struct Ended {
    kind: &'static str,
    outcome: &'static str,
}

/// How a chore ended, for the count.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) enum How {
    Done,
    Withdrawn,
    Again,
    Failed,
}

const HOWS: &[(&str, How)] = &[
    ("done", How::Done),
    ("withdrawn", How::Withdrawn),
    ("tried_again", How::Again),
    ("failed", How::Failed),
];
const KINDS: &[ChoreKind] = &[ChoreKind::Digest, ChoreKind::Mail];

impl Counts {
    /// Counts the end of a chore.
    pub(crate) fn count(&self, kind: ChoreKind, how: How) {
        let outcome = HOWS.iter().find(|(_, known)| *known == how).map_or("", |(word, _)| *word);
        self.ended.get_or_create(&Ended { kind: kind.as_str(), outcome }).inc();
    }

    /// Keeps how much is failing now.
    pub(crate) fn set_failing(&self, failing: u64) {
        self.failing.set(i64::try_from(failing).unwrap_or(i64::MAX));
    }

    /// What was done, in a line.
    pub(crate) fn told(&self) -> String {
        let of = |kind: ChoreKind| {
            let each = HOWS.iter().map(|(outcome, _)| {
                let count = self.ended.get_or_create(&Ended { kind: kind.as_str(), outcome }).get();
                format!("{count} {}", outcome.replace('_', " "))
            });
            format!("{}: {}", kind.as_str(), each.collect::<Vec<_>>().join(", "))
        };
        let kinds: Vec<String> = KINDS.iter().map(|kind| of(*kind)).collect();
        format!("{}; failing now: {}", kinds.join("; "), self.failing.get())
    }
}

/// What the answers rest on.
#[derive(Clone)]
pub(crate) struct Health {
    store: Store,
    clock: Clock,
    registry: Arc<Registry>,
}

impl Health {
    /// Of a worker that counts in `counts`.
    pub(crate) fn new(store: Store, clock: Clock, counts: Counts) -> Self {
        let mut registry = Registry::with_prefix("keepstart_nightly");
        registry.register("chores", "Chores that came to an end or were put off, by kind", counts.ended);
        registry.register("failing", "Chores that failed within a day, or are late", counts.failing);
        Self { store, clock, registry: Arc::new(registry) }
    }
}

/// Serves the answers.
pub(crate) fn serve(listener: TcpListener, health: Health) -> Result<Server> {
    let server = HttpServer::new(move || {
        App::new()
            .app_data(web::Data::new(health.clone()))
            .route("/livez", web::get().to(livez))
            .route("/readyz", web::get().to(readyz))
            .route("/metrics", web::get().to(metrics))
    });
    Ok(server.workers(1).disable_signals().listen(listener)?.run())
}

/// Whether the worker is about, and how much fails.
#[derive(Serialize)]
struct Readiness {
    status: &'static str,
    failing: u64,
}

async fn livez() -> HttpResponse {
    HttpResponse::Ok().json(Readiness { status: "ok", failing: 0 })
}

/// 503 while the database does not answer, no round ends, or something fails.
async fn readyz(health: web::Data<Health>) -> HttpResponse {
    let Ok(worker) = health.store.worker(NIGHTLY).await else {
        return HttpResponse::ServiceUnavailable().json(Readiness { status: "no_database", failing: 0 });
    };
    let now = health.clock.now();
    let (since, ahead) = (now.plus_seconds(-SILENT_SECONDS), now.plus_seconds(SILENT_SECONDS));
    match worker {
        // One that was seen in time to come had a wrong clock, and says nothing of now.
        Some(worker) if worker.seen_at < since || worker.seen_at > ahead => {
            HttpResponse::ServiceUnavailable().json(Readiness { status: "silent", failing: worker.failing })
        }
        Some(worker) if worker.failing > 0 => {
            HttpResponse::ServiceUnavailable().json(Readiness { status: "failing", failing: worker.failing })
        }
        Some(_) => HttpResponse::Ok().json(Readiness { status: "ok", failing: 0 }),
        None => HttpResponse::ServiceUnavailable().json(Readiness { status: "starting", failing: 0 }),
    }
}

async fn metrics(health: web::Data<Health>) -> HttpResponse {
    let mut text = String::new();
    match encode(&mut text, &health.registry) {
        Ok(()) => HttpResponse::Ok()
            .content_type("application/openmetrics-text; version=1.0.0; charset=utf-8")
            .body(text),
        Err(_) => HttpResponse::InternalServerError().finish(),
    }
}

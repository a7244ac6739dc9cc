//! The bare HTTP server that reads are held against: a keyed SELECT in a read transaction through the same pool.

use std::{io::Write, net::TcpListener};

use actix_web::{App, HttpResponse, HttpServer, web};
use anyhow::Result;
use clap::Args;
use model::{OrganizationId, UnitId};
use store::{Address, Store};

/// What the service takes by the same names.
#[derive(Args)]
pub(crate) struct Bare {
    #[arg(long)]
    database_url: String,
    #[arg(long)]
    organization: String,
    #[arg(long)]
    listen: String,
    #[arg(long)]
    connections: u32,
    #[arg(long)]
    workers: usize,
}

#[derive(Clone)]
struct State {
    store: Store,
    organization: OrganizationId,
}

impl Bare {
    pub(crate) fn run(&self) -> Result<()> {
        let address: Address = self.database_url.parse()?;
        let state = State {
            store: Store::open(&address, self.connections)?,
            organization: OrganizationId::parse(&self.organization)?,
        };
        let listener = TcpListener::bind(&self.listen)?;
        let url = listener.local_addr()?;
        actix_web::rt::System::new().block_on(async {
            let server = HttpServer::new(move || {
                App::new()
                    .app_data(web::Data::new(state.clone()))
                    .route("/v1/units/{id}", web::get().to(unit))
                    .route("/v1/bodies/{after}/{most}", web::get().to(bodies))
            });
            let server = server.workers(self.workers).tcp_nodelay(true).listen(listener)?.run();
            // The words by which the harness of the tests knows that a service listens.
            writeln!(std::io::stdout(), "Keepstart listens on http://{url}")?;
            Ok(server.await?)
        })
    }
}

async fn unit(state: web::Data<State>, id: web::Path<String>) -> HttpResponse {
    let Ok(id) = UnitId::parse(&id) else { return HttpResponse::BadRequest().finish() };
    match state.store.bare_read(state.organization, id).await {
        Ok(Some(text)) => HttpResponse::Ok().content_type("application/json").body(text),
        Ok(None) => HttpResponse::NotFound().finish(),
        Err(_) => HttpResponse::InternalServerError().finish(),
    }
}

/// The bodies of the log after a number, as a JSON array.
async fn bodies(state: web::Data<State>, of: web::Path<(i64, i64)>) -> HttpResponse {
    let (after, most) = of.into_inner();
    match state.store.bare_bodies(state.organization, after, most).await {
        Ok(bodies) => {
            HttpResponse::Ok().content_type("application/json").body(format!("[{}]", bodies.join(",")))
        }
        Err(_) => HttpResponse::InternalServerError().finish(),
    }
}

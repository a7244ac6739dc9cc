//! `demo`: the demonstration fleet, served from a folder.

use std::{fs, path::PathBuf, process::ExitCode};

use anyhow::{Context, Result};
use clap::Args;
use process::Clock;
use serde_json::{Map, Value, json};
use store::Address;

use super::{Trust, say, serve::Network};
use crate::{
    demo::{self, Actor},
    signing::{self, Parties},
};

/// Hours that the printed tokens are good for.
const TOKEN_HOURS: i64 = 24;

#[derive(Args)]
pub(super) struct Demo {
    /// Folder for the database, the signing key and the tokens.
    #[arg(long, env = "KEEPSTART_DEMO_FOLDER", default_value = "keepstart-demo")]
    folder: PathBuf,
    /// Folder with the fleet's files.
    #[arg(long, env = "KEEPSTART_DEMO_DATA", default_value = "deploy/demo")]
    data: PathBuf,
    /// Address of the database; absent means a file in the folder. Never taken from the environment: a demonstration
    /// must not end up in a database that is in use.
    #[arg(long)]
    database_url: Option<String>,
    #[command(flatten)]
    trust: Trust,
    #[command(flatten)]
    network: Network,
}

impl Demo {
    pub(super) fn run(self) -> Result<ExitCode> {
        fs::create_dir_all(&self.folder).with_context(|| format!("cannot make {}", self.folder.display()))?;
        let described = demo::describe(&self.data)?;
        let address: Address = match &self.database_url {
            Some(url) => url.parse()?,
            None => Address::Sqlite(self.folder.join("keepstart.db").display().to_string()),
        };
        store::migrate(&address)?;
        let (private, public) = (self.folder.join("signing-key.pem"), self.folder.join("jwks.json"));
        signing::make(&private, &public)?;
        let parties = Parties::parse(&self.trust.issuer, &self.trust.audience)?;
        let clock = Clock::starting_at(described.clock);
        let keys = fs::read_to_string(&public)?;
        let (data, folder) = (self.data.clone(), self.folder.clone());
        let key = signing::load(&private)?;
        let signers = parties.clone();
        self.network.serve(&address, &parties, &keys, clock, move |state| async move {
            let counts = demo::import(&state, &data, &described).await?;
            match counts.new {
                0 => say("The fleet is there already."),
                _ => say(&format!(
                    "Imported {} sites, {} units, {} editions of schedules, {} service events ({} with a warning).",
                    counts.sites, counts.units, counts.editions, counts.events, counts.warnings
                )),
            }
            say(&format!("{} — it is {} there; the service's clock begins then.", described.name, described.clock));
            let mut tokens = Map::new();
            for actor in demo::actors(&data)? {
                let token = signing::access_token(&key, &signers, described.id, actor.id, state.clock.now(), TOKEN_HOURS)?;
                if !tokens.contains_key(&actor.role) {
                    say(&format!("token {} ({}, {}): {token}", actor.role, actor.name, reach(&actor)));
                    tokens.insert(actor.role.clone(), Value::from(token));
                }
            }
            let file = folder.join("tokens.json");
            signing::write_private(&file, &json!(tokens).to_string())
        })
    }
}

fn reach(actor: &Actor) -> &'static str {
    if actor.everywhere { "all sites" } else { "some sites" }
}

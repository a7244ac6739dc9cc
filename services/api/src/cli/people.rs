//! `organization`, `token`, `key`: what is needed before the first request.

use std::{path::PathBuf, process::ExitCode};

use anyhow::{Result, anyhow};
use clap::Args;
use model::{OrganizationId, PersonId};
use process::{Clock, ConfigFile, Database, blobs::BlobPlace, readiness::PolicyJudge};
use serde_json::json;

use super::{
    Trust, block_on, say,
    serve::{self, Means},
};
use crate::{
    limits::Rates,
    setup,
    signing::{self, Parties},
};

#[derive(Args)]
pub(super) struct Organization {
    #[command(flatten)]
    config: ConfigFile,
    #[command(flatten)]
    database: Database,
    #[command(flatten)]
    signer: Signer,
    /// What the organization is called.
    #[arg(long)]
    name: String,
    /// The name of its first person, who administers it and runs its fleet.
    #[arg(long)]
    person: String,
}

#[derive(Args)]
pub(super) struct Token {
    #[command(flatten)]
    config: ConfigFile,
    #[command(flatten)]
    signer: Signer,
    /// The organization's id.
    #[arg(long)]
    organization: String,
    /// The person's id.
    #[arg(long)]
    person: String,
    /// Hours that the token is good for.
    #[arg(long, default_value_t = 8, value_parser = clap::value_parser!(i64).range(1..=24))]
    hours: i64,
}

#[derive(Args)]
pub(super) struct Key {
    /// Folder for signing-key.pem and jwks.json; what is there stays.
    #[arg(long, default_value = ".")]
    folder: PathBuf,
}

#[derive(Args)]
struct Signer {
    #[command(flatten)]
    trust: Trust,
    /// File with the private key that signs access tokens.
    #[arg(long, env = "KEEPSTART_SIGNING_KEY", default_value = "signing-key.pem")]
    signing_key: PathBuf,
}

impl Organization {
    pub(super) fn run(self) -> Result<ExitCode> {
        let key = signing::load(&self.signer.signing_key)?;
        let parties = Parties::parse(&self.signer.trust.issuer, &self.signer.trust.audience)?;
        let keys = access::keys::jwks([key.public()]).to_string();
        let address = self.database.address()?;
        block_on(async {
            let means = Means {
                connections: 2,
                rates: Rates::DEFAULT,
                judge: PolicyJudge::standard(),
                blobs: BlobPlace::default().open(&address)?,
            };
            let state = serve::open(&address, &parties, &keys, Clock::machine(), means).await?;
            let (organization, person) = setup::found(&state, &self.name, &self.person).await?;
            let token = signing::access_token(&key, &parties, organization, person, state.clock.now(), 8)?;
            say(&json!({"organization_id": organization, "person_id": person, "token": token}).to_string());
            Ok(ExitCode::SUCCESS)
        })
    }
}

impl Token {
    pub(super) fn run(self) -> Result<ExitCode> {
        let key = signing::load(&self.signer.signing_key)?;
        let parties = Parties::parse(&self.signer.trust.issuer, &self.signer.trust.audience)?;
        let organization = OrganizationId::parse(&self.organization).map_err(|flaw| anyhow!("{flaw}"))?;
        let person = PersonId::parse(&self.person).map_err(|flaw| anyhow!("{flaw}"))?;
        say(&signing::access_token(
            &key,
            &parties,
            organization,
            person,
            Clock::machine().now(),
            self.hours,
        )?);
        Ok(ExitCode::SUCCESS)
    }
}

impl Key {
    pub(super) fn run(self) -> Result<ExitCode> {
        signing::make(&self.folder.join("signing-key.pem"), &self.folder.join("jwks.json"))?;
        say(&format!("signing-key.pem and jwks.json are in {}.", self.folder.display()));
        Ok(ExitCode::SUCCESS)
    }
}

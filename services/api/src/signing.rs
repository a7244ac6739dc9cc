//! The service's own signing key, in files that only its owner reads.

use std::{fs, io::Write, os::unix::fs::OpenOptionsExt, path::Path};

use access::{Audience, Claims, ClientId, Issuer, SigningKey, TokenId, keys, token};
use anyhow::{Context, Result, anyhow};
use model::{Instant, OrganizationId, PersonId};

use crate::random;

/// Who signs and for whom.
#[derive(Clone, Debug)]
pub(crate) struct Parties {
    /// The issuer.
    pub issuer: Issuer,
    /// The audience.
    pub audience: Audience,
}

impl Parties {
    /// From their texts.
    pub(crate) fn parse(issuer: &str, audience: &str) -> Result<Self> {
        Ok(Self {
            issuer: Issuer::parse(issuer).map_err(|flaw| anyhow!("issuer: {flaw}"))?,
            audience: Audience::parse(audience).map_err(|flaw| anyhow!("audience: {flaw}"))?,
        })
    }
}

/// Makes a signing key and the set of public keys that goes with it; files that are there stay as they are.
pub(crate) fn make(private: &Path, public: &Path) -> Result<()> {
    if !private.exists() {
        let seed = random::bytes::<32>().map_err(|_| anyhow!("no randomness"))?;
        write_private(private, &SigningKey::from_seed(&seed)?.to_pkcs8_pem())?;
    }
    let key = load(private)?;
    if public.exists() {
        let set = fs::read_to_string(public).with_context(|| format!("cannot read {}", public.display()))?;
        anyhow::ensure!(
            set.contains(key.public().kid()),
            "{} does not hold the public key of {}; add it there",
            public.display(),
            private.display()
        );
        return Ok(());
    }
    fs::write(public, keys::jwks([key.public()]).to_string())
        .with_context(|| format!("cannot write {}", public.display()))
}

/// Writes a file that only its owner may read.
pub(crate) fn write_private(file: &Path, text: &str) -> Result<()> {
    let mut options = fs::OpenOptions::new();
    let opened = options.write(true).create(true).truncate(true).mode(0o600).open(file);
    opened
        .and_then(|mut file| file.write_all(text.as_bytes()))
        .with_context(|| format!("cannot write {}", file.display()))
}

/// Reads a signing key.
pub(crate) fn load(private: &Path) -> Result<SigningKey> {
    let pem = fs::read_to_string(private)
        .with_context(|| format!("cannot read {}; `keepstart-api key` makes one", private.display()))?;
    SigningKey::from_pkcs8_pem(&pem).with_context(|| format!("{} holds no Ed25519 key", private.display()))
}

/// An access token for a person, good for `hours` from `now`.
pub(crate) fn access_token(
    key: &SigningKey,
    parties: &Parties,
    organization: OrganizationId,
    person: PersonId,
    now: Instant,
    hours: i64,
) -> Result<String> {
    let flaw = |flaw| anyhow!("{flaw}");
    let claims = Claims {
        issuer: parties.issuer.clone(),
        audience: parties.audience.clone(),
        subject: person,
        organization,
        client_id: ClientId::parse("keepstart-api").map_err(flaw)?,
        token_id: TokenId::parse(&uuid::Uuid::new_v4().to_string()).map_err(flaw)?,
        issued_at: now,
        expires_at: now.plus_seconds(hours.saturating_mul(3600)),
    };
    Ok(token::sign(key, &claims)?)
}

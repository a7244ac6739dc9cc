//! Who may do what: access tokens say who is asking, grants say what they may do where, and one function decides.
//!
//! A request passes three steps. [`token::verify`] turns the text of a bearer token into [`Claims`]: an
//! organization and a person, nothing about rights. Whoever calls loads that person's grants as a [`Principal`] and
//! the thing asked about as an [`Object`], both with the organization in the key. [`decide()`] then answers
//! [`Decision::Allow`], [`Decision::Forbidden`] or [`Decision::Hidden`]. Rights are never read from a token, so a
//! grant that is taken away is gone with the next request.
//!
//! Nothing here reads a clock, draws random numbers or does I/O; the instant comes in as an argument.
//!
//! ```
//! use access::{
//!     Action, Audience, Claims, ClientId, Decision, Grant, Issuer, KeyRing, Object, Principal, SigningKey, TokenId,
//!     keys, token,
//! };
//! use model::{Instant, OrganizationId, PersonId, SiteId, event::EventKind, person::{Role, SiteScope}};
//!
//! # fn main() -> Result<(), Box<dyn std::error::Error>> {
//! let now = Instant::parse("2026-11-02T08:00:00-07:00")?;
//! let tarn_valley = OrganizationId::parse("019a0b5e-7c00-7000-8000-000000000001")?;
//! let custodian = PersonId::parse("019a0b5e-7c00-7000-8000-000000000002")?;
//! let fire_station = SiteId::parse("019a0b5e-7c00-7000-8000-000000000003")?;
//! let pump_station = SiteId::parse("019a0b5e-7c00-7000-8000-000000000004")?;
//!
//! // A key from 32 random bytes, and the ring of those who trust it.
//! let key = SigningKey::from_seed(&[7; 32])?;
//! let (issuer, audience) = (Issuer::parse("https://tarn.example")?, Audience::parse("keepstart")?);
//! let ring = KeyRing::from_jwks(issuer.clone(), audience.clone(), &keys::jwks([key.public()]).to_string())?;
//!
//! let claims = Claims {
//!     issuer,
//!     audience,
//!     subject: custodian,
//!     organization: tarn_valley,
//!     client_id: ClientId::parse("demo")?,
//!     token_id: TokenId::parse("019a0b5e-7c00-7000-8000-000000000005")?,
//!     issued_at: now,
//!     expires_at: now.plus_seconds(3600),
//! };
//! let bearer = token::sign(&key, &claims)?;
//! let asking = token::verify(&ring, &bearer, now)?;
//! assert_eq!(asking, claims);
//!
//! let principal = Principal {
//!     person: asking.subject,
//!     organization: asking.organization,
//!     grants: vec![Grant {
//!         role: Role::Custodian,
//!         sites: SiteScope::Only([fire_station].into()),
//!         from: now,
//!         until: None,
//!     }],
//! };
//! let ours = Object::at(tarn_valley, [fire_station]);
//! let theirs = Object::at(tarn_valley, [pump_station]);
//! let reading = Action::RecordEvent(EventKind::Reading);
//! assert_eq!(access::decide(&principal, reading, &ours, now), Decision::Allow);
//! assert_eq!(access::decide(&principal, Action::EditUnit, &ours, now), Decision::Forbidden);
//! assert_eq!(access::decide(&principal, Action::ReadUnit, &theirs, now), Decision::Hidden);
//! # Ok(())
//! # }
//! ```

mod claims;
mod decide;
pub mod keys;
mod leaving;
mod principal;
mod seal;
pub mod token;

pub use claims::{Audience, Claims, ClientId, Issuer, TokenId};
pub use decide::{Action, Decision, Object, Place, decide, sites_for};
pub use keys::{KeyError, KeyRing, PublicKey, SigningKey};
pub use leaving::Leaving;
pub use principal::{Grant, Principal};
pub use seal::Seal;
pub use token::{SignError, TokenError};

//! Access tokens: JSON Web Tokens of type `at+jwt` (RFC 9068), signed with Ed25519 and checked as RFC 8725 advises.
//!
//! The library underneath signs bytes and verifies signatures; everything that a token says is read and judged here,
//! so that no check depends on the machine's clock or on what a token says about itself.

use data_encoding::BASE64URL_NOPAD;
use model::{Instant, json};
use serde_json::{Map, Value};

use crate::{
    claims::{self, Claims},
    keys::{ALGORITHM, KeyRing, LONGEST_KEY_ID, SigningKey},
};

/// The longest token that is looked at, in bytes.
pub const LONGEST_TOKEN: usize = 8192;
/// How far clocks may differ, in seconds.
pub const LEEWAY_SECONDS: i64 = 60;
/// The longest that a token may live, in seconds: one day.
pub const LONGEST_LIFE_SECONDS: i64 = 86_400;

const TYPE: &str = "at+jwt";
/// Header members that would have the token choose its key, its encoding or its rules.
const REFUSED: &[&str] = &["crit", "enc", "zip", "b64", "jku", "jwk", "x5u", "x5c"];

/// Why a token is not accepted. For the log only: whoever asked learns nothing but 401.
///
/// No text of the token is repeated here, so it can be logged as it is.
#[derive(Clone, Copy, Debug, PartialEq, Eq, thiserror::Error)]
pub enum TokenError {
    /// More bytes than [`LONGEST_TOKEN`].
    #[error("the token is longer than {LONGEST_TOKEN} bytes")]
    TooLong,
    /// Not three parts between dots; an encrypted token has five.
    #[error("the token has not three parts")]
    Parts,
    /// The named part is not base64url without padding.
    #[error("the {0} of the token is not base64url without padding")]
    Encoding(&'static str),
    /// The named part is not a JSON object, or names a member twice.
    #[error("the {0} of the token is not one JSON object with distinct members")]
    Json(&'static str),
    /// Another algorithm than EdDSA, `none` included.
    #[error("the token is not signed with EdDSA")]
    Algorithm,
    /// Not an access token: an ID token, a refresh token, something else.
    #[error("the token is not of type at+jwt")]
    Type,
    /// The header has a member that is never followed.
    #[error("the token header has the member {0}")]
    Header(&'static str),
    /// The header names no key, or not by a short text.
    #[error("the token names no key")]
    KeyId,
    /// The key named is not on the ring; a newer set of the issuer's keys might have it.
    #[error("the token names a key that is not known")]
    UnknownKey,
    /// The signature is not that of the key.
    #[error("the signature of the token is wrong")]
    Signature,
    /// The named claim is missing or has another form.
    #[error("the claim {0} is missing or malformed")]
    Claim(&'static str),
    /// Made by somebody else.
    #[error("the token is from another issuer")]
    Issuer,
    /// Made for somebody else.
    #[error("the token is for another audience")]
    Audience,
    /// The issuer speaks for another organization only.
    #[error("the issuer does not speak for the organization in the token")]
    Organization,
    /// Bound to a key of the sender (`cnf`), which is not checked yet; taken as a bearer token it would lose that.
    #[error("the token is bound to a sender's key")]
    Bound,
    /// Lives longer than [`LONGEST_LIFE_SECONDS`], or ends before it begins.
    #[error("the token ends before it begins, or lives longer than {LONGEST_LIFE_SECONDS} seconds")]
    Lifetime,
    /// Made in the future.
    #[error("the token is issued in the future")]
    IssuedAhead,
    /// Not to be used yet.
    #[error("the token is not valid yet")]
    NotYet,
    /// Over.
    #[error("the token has expired")]
    Expired,
}

/// Why a token is not made.
#[derive(Clone, Copy, Debug, PartialEq, Eq, thiserror::Error)]
pub enum SignError {
    /// It would not be accepted: it ends before it begins, or lives longer than [`LONGEST_LIFE_SECONDS`].
    #[error("a token lives from 1 to {LONGEST_LIFE_SECONDS} seconds")]
    Lifetime,
    /// The cryptographic library failed.
    #[error("the token could not be signed")]
    Signing,
}

/// Makes an access token of the claims.
///
/// # Errors
/// [`SignError::Lifetime`] when [`verify`] would never accept it.
pub fn sign(key: &SigningKey, claims: &Claims) -> Result<String, SignError> {
    if !fair_life(claims) {
        return Err(SignError::Lifetime);
    }
    let header = serde_json::json!({"alg": ALGORITHM, "typ": TYPE, "kid": key.public().kid()});
    let encode = |value: &Value| BASE64URL_NOPAD.encode(value.to_string().as_bytes());
    let message = format!("{}.{}", encode(&header), encode(&claims.to_value()));
    let signature = key.sign(message.as_bytes()).ok_or(SignError::Signing)?;
    Ok(format!("{message}.{}", BASE64URL_NOPAD.encode(&signature)))
}

/// Checks an access token at the instant `now` and gives what it says.
///
/// Clocks may differ by [`LEEWAY_SECONDS`]: a token is over from `exp` plus the leeway on, and begins the leeway
/// before `iat` and `nbf`.
///
/// # Errors
/// The first reason found, in the order size, form, header, signature, claims; no claim is read before the signature
/// is verified.
pub fn verify(ring: &KeyRing, token: &str, now: Instant) -> Result<Claims, TokenError> {
    verify_source(ring, token)?.at(now)
}

/// A token of which everything is right that time does not change.
#[derive(Clone, Debug)]
pub struct Verified {
    claims: Claims,
    not_before: Option<Instant>,
}

impl Verified {
    /// What the token says, if it is in force at `now`.
    ///
    /// # Errors
    /// That its times are wrong, or that it is not in force.
    pub fn at(&self, now: Instant) -> Result<Claims, TokenError> {
        check_times(&self.claims, self.not_before, now)?;
        Ok(self.claims.clone())
    }
}

/// Checks all of an access token but its times.
///
/// # Errors
/// As [`verify`].
pub fn verify_source(ring: &KeyRing, token: &str) -> Result<Verified, TokenError> {
    let (header, payload, signature, message) = parts(token)?;
    let header = object("header", header)?;
    let key = ring.key(key_id(&header)?).ok_or(TokenError::UnknownKey)?;
    if !key.verifies(message.as_bytes(), decoded("signature", signature)?) {
        return Err(TokenError::Signature);
    }
    let members = object("payload", payload)?;
    let claims = Claims::read(&members).map_err(TokenError::Claim)?;
    check_source(ring, &claims, &members)?;
    let not_before = claims::time(&members, "nbf").map_err(TokenError::Claim)?;
    Ok(Verified { claims, not_before })
}

/// Header, payload and signature as they stand, and what is signed.
fn parts(token: &str) -> Result<(&str, &str, &str, &str), TokenError> {
    if token.len() > LONGEST_TOKEN {
        return Err(TokenError::TooLong);
    }
    let (message, signature) = token.rsplit_once('.').ok_or(TokenError::Parts)?;
    let (header, payload) = message.split_once('.').ok_or(TokenError::Parts)?;
    if payload.contains('.') { Err(TokenError::Parts) } else { Ok((header, payload, signature, message)) }
}

/// Strict base64url: no padding, no blanks, no stray bits in the last character, so one token has one text.
fn decoded(part: &'static str, text: &str) -> Result<Vec<u8>, TokenError> {
    BASE64URL_NOPAD.decode(text.as_bytes()).map_err(|_| TokenError::Encoding(part))
}

fn object(part: &'static str, text: &str) -> Result<Map<String, Value>, TokenError> {
    match json::parse(&decoded(part, text)?) {
        Ok(Value::Object(members)) => Ok(members),
        _ => Err(TokenError::Json(part)),
    }
}

/// The key that the header names, once the header has been found to ask for nothing but what is expected.
fn key_id(header: &Map<String, Value>) -> Result<&str, TokenError> {
    let text = |name: &str| header.get(name).and_then(Value::as_str);
    if text("alg") != Some(ALGORITHM) {
        return Err(TokenError::Algorithm);
    }
    if !text("typ").is_some_and(access_token_type) {
        return Err(TokenError::Type);
    }
    if let Some(name) = REFUSED.iter().find(|name| header.contains_key(**name)) {
        return Err(TokenError::Header(name));
    }
    text("kid").filter(|kid| (1..=LONGEST_KEY_ID).contains(&kid.len())).ok_or(TokenError::KeyId)
}

/// Media types know no case and may drop `application/` (RFC 7515 section 4.1.9).
fn access_token_type(typ: &str) -> bool {
    typ.eq_ignore_ascii_case(TYPE) || typ.eq_ignore_ascii_case("application/at+jwt")
}

fn check_source(ring: &KeyRing, claims: &Claims, members: &Map<String, Value>) -> Result<(), TokenError> {
    if claims.issuer != *ring.issuer() {
        Err(TokenError::Issuer)
    } else if claims.audience != *ring.audience() {
        Err(TokenError::Audience)
    } else if !ring.speaks_for(claims.organization) {
        Err(TokenError::Organization)
    } else if members.contains_key("cnf") {
        Err(TokenError::Bound)
    } else {
        Ok(())
    }
}

fn check_times(claims: &Claims, not_before: Option<Instant>, now: Instant) -> Result<(), TokenError> {
    let soon = now.plus_seconds(LEEWAY_SECONDS);
    if !fair_life(claims) {
        Err(TokenError::Lifetime)
    } else if claims.issued_at > soon {
        Err(TokenError::IssuedAhead)
    } else if not_before.is_some_and(|begin| begin > soon) {
        Err(TokenError::NotYet)
    } else if claims.expires_at.plus_seconds(LEEWAY_SECONDS) <= now {
        Err(TokenError::Expired)
    } else {
        Ok(())
    }
}

fn fair_life(claims: &Claims) -> bool {
    (1..=LONGEST_LIFE_SECONDS).contains(&claims.life())
}

#[cfg(test)]
mod tests;

//! What an access token says: the claims of RFC 9068, and the organization.

use std::fmt;

use model::{Instant, OrganizationId, PersonId, read::Flaw};
use serde_json::{Map, Value, json};

/// What an access token says about who is asking. It says nothing about what they may do.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Claims {
    /// Who made the token (`iss`).
    pub issuer: Issuer,
    /// For whom it was made (`aud`).
    pub audience: Audience,
    /// The person asking (`sub`).
    pub subject: PersonId,
    /// The organization they ask in (`organization`).
    pub organization: OrganizationId,
    /// The program that asks for them (`client_id`).
    pub client_id: ClientId,
    /// The token's own id, by which it can be denied (`jti`).
    pub token_id: TokenId,
    /// When it was made (`iat`); travels as whole seconds, a fraction is dropped.
    pub issued_at: Instant,
    /// The first instant it holds no more, leeway aside (`exp`); travels as whole seconds, a fraction is dropped.
    pub expires_at: Instant,
}

macro_rules! texts {
    ($($name:ident $doc:literal;)*) => {$(
        #[doc = $doc]
        #[doc = "\n\n1 to 255 printable ASCII characters, compared byte by byte: no case, slash or escape is evened out."]
        #[derive(Clone, Debug, PartialEq, Eq, PartialOrd, Ord, Hash)]
        pub struct $name(Box<str>);

        impl $name {
            /// Takes a text of 1 to 255 printable ASCII characters.
            pub fn parse(text: &str) -> Result<Self, Flaw> {
                printable(text).map(Self)
            }

            /// The text.
            pub fn as_str(&self) -> &str {
                &self.0
            }
        }

        impl fmt::Display for $name {
            fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
                f.write_str(&self.0)
            }
        }
    )*};
}

texts! {
    Issuer "Who makes tokens, usually a URL.";
    Audience "Who tokens are made for: the name that this service goes by at the issuer.";
    ClientId "A program that holds tokens: a handset application, another system.";
    TokenId "The id of one token, unique at its issuer.";
}

/// RFC 6749 appendix A.1 allows these characters in a client id; they are also safe to write to a log.
fn printable(text: &str) -> Result<Box<str>, Flaw> {
    if (1..=255).contains(&text.len()) && text.bytes().all(|b| (0x20..=0x7e).contains(&b)) {
        Ok(text.into())
    } else {
        Err(Flaw::new("invalid_token_text", "This is 1 to 255 printable ASCII characters."))
    }
}

impl Claims {
    /// From `iat` to `exp` in seconds, as they travel.
    pub(crate) fn life(&self) -> i64 {
        seconds(self.expires_at) - seconds(self.issued_at)
    }

    /// The claims as the JSON object that is signed.
    pub(crate) fn to_value(&self) -> Value {
        json!({
            "iss": self.issuer.as_str(),
            "aud": self.audience.as_str(),
            "sub": self.subject.to_string(),
            "organization": self.organization.to_string(),
            "client_id": self.client_id.as_str(),
            "jti": self.token_id.as_str(),
            "iat": seconds(self.issued_at),
            "exp": seconds(self.expires_at),
        })
    }

    /// Reads the claims, or names the first one that is missing or has another form.
    ///
    /// An `aud` that is an array is refused: a token made for several services could be replayed at this one by any
    /// of the others. Unknown claims are passed over, as RFC 7519 section 4 asks.
    pub(crate) fn read(claims: &Map<String, Value>) -> Result<Self, &'static str> {
        Ok(Self {
            issuer: text(claims, "iss", Issuer::parse)?,
            audience: text(claims, "aud", Audience::parse)?,
            subject: text(claims, "sub", PersonId::parse)?,
            organization: text(claims, "organization", OrganizationId::parse)?,
            client_id: text(claims, "client_id", ClientId::parse)?,
            token_id: text(claims, "jti", TokenId::parse)?,
            issued_at: time(claims, "iat")?.ok_or("iat")?,
            expires_at: time(claims, "exp")?.ok_or("exp")?,
        })
    }
}

/// Reads a claim that is a whole number of seconds since 1970, if it is there; its name otherwise.
pub(crate) fn time(claims: &Map<String, Value>, name: &'static str) -> Result<Option<Instant>, &'static str> {
    let Some(value) = claims.get(name) else { return Ok(None) };
    let stated = value.as_i64().ok_or(name)?;
    let instant = Instant::FIRST.plus_seconds(stated);
    // Instants are drawn into their range; a time outside it does not come back the same.
    if seconds(instant) == stated { Ok(Some(instant)) } else { Err(name) }
}

fn text<T>(
    claims: &Map<String, Value>,
    name: &'static str,
    parse: impl FnOnce(&str) -> Result<T, Flaw>,
) -> Result<T, &'static str> {
    claims.get(name).and_then(Value::as_str).and_then(|text| parse(text).ok()).ok_or(name)
}

fn seconds(instant: Instant) -> i64 {
    instant.seconds_since(Instant::FIRST)
}

//! Text about or by people, which must be erasable without breaking the log.

use std::fmt;

use data_encoding::HEXLOWER;
use serde_json::{Value, json};

use crate::{read::Flaw, text};

/// A note, a description or a person's name: in the clear on its way in, as a commitment in the log.
///
/// The log holds only a salted hash of it; text and salt live beside the log and can be erased.
/// `Debug` shows nothing of the text.
#[derive(Clone, PartialEq, Eq)]
pub enum PrivateText {
    /// As somebody typed it.
    Clear {
        /// The text.
        text: Box<str>,
        /// 16 bytes chosen by the author's device; the service chooses them when absent.
        salt: Option<Salt>,
    },
    /// As the log holds it: 64 hexadecimal digits of SHA-256.
    Sealed(Box<str>),
}

/// The random bytes that keep a short text from being guessed from its hash.
pub type Salt = [u8; 16];

/// The member that marks a commitment in a body of the log.
pub const SEALED: &str = "private";

/// The member that stands where private text was erased.
pub const ERASED: &str = "erased";

impl PrivateText {
    /// Reads either plain text, or `{"text", "salt"}` with 32 hexadecimal digits of salt.
    pub fn read(value: &Value) -> Result<Self, Flaw> {
        let Value::Object(members) = value else {
            return text::prose(value).map(|text| Self::Clear { text, salt: None });
        };
        let flaw = || {
            Flaw::new(
                "invalid_private_text",
                "Private text is a string, or an object of text and salt (32 hexadecimal digits).",
            )
        };
        let (Some(text), Some(Value::String(salt)), 2) =
            (members.get("text"), members.get("salt"), members.len())
        else {
            return Err(flaw());
        };
        let bytes = HEXLOWER.decode(salt.as_bytes()).map_err(|_| flaw())?;
        Ok(Self::Clear { text: text::prose(text)?, salt: Some(bytes.try_into().map_err(|_| flaw())?) })
    }

    /// Reads a commitment, as bodies of the log hold it.
    pub fn read_sealed(value: &Value) -> Result<Self, Flaw> {
        match value.get(SEALED).and_then(Value::as_str) {
            Some(hash) => Ok(Self::Sealed(hash.into())),
            None => Err(Flaw::wrong_type("a commitment")),
        }
    }

    /// Reads what a service tells: text in the clear, or that it was erased.
    pub fn read_told(value: &Value) -> Result<Self, Flaw> {
        match value.get(ERASED) {
            Some(Value::Bool(true)) => Ok(Self::Sealed("".into())),
            _ => Self::read(value),
        }
    }

    /// The form that a body holds.
    pub fn to_value(&self) -> Value {
        match self {
            Self::Clear { text, salt: None } => Value::from(&**text),
            Self::Clear { text, salt: Some(salt) } => json!({"text": text, "salt": HEXLOWER.encode(salt)}),
            Self::Sealed(hash) => json!({SEALED: hash}),
        }
    }
}

impl serde::Serialize for PrivateText {
    fn serialize<S: serde::Serializer>(&self, s: S) -> Result<S::Ok, S::Error> {
        self.to_value().serialize(s)
    }
}

impl fmt::Debug for PrivateText {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str("PrivateText(..)")
    }
}

//! Marks: what is either so or not said.

use serde::Serialize;
use serde_json::Value;

use crate::read::{Flaw, boolean};

/// A mark on a record: written `true`, absent otherwise; a patch takes it away with null.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Marked;

impl Marked {
    /// Reads the mark; only `true` is one.
    pub fn read(value: &Value) -> Result<Self, Flaw> {
        if boolean(value)? { Ok(Self) } else { Err(Flaw::wrong_type("true")) }
    }
}

impl Serialize for Marked {
    fn serialize<S: serde::Serializer>(&self, s: S) -> Result<S::Ok, S::Error> {
        s.serialize_bool(true)
    }
}

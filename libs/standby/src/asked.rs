//! What to enter where an answer cannot be given without it.

use serde::Serialize;
use utoipa::ToSchema;

/// Something that is missing, and that would let the question be answered.
#[derive(Clone, Debug, PartialEq, Eq, PartialOrd, Ord, Serialize, ToSchema)]
#[schema(as = StandbyAsked)]
pub struct Asked {
    /// Where it belongs in the input, as a JSON pointer.
    #[schema(example = "/parcels/0/bought_on")]
    pub pointer: String,
    /// What to enter, in plain words.
    #[schema(value_type = String)]
    pub enter: &'static str,
}

impl Asked {
    /// At a place, in words.
    pub fn at(pointer: impl Into<String>, enter: &'static str) -> Self {
        Self { pointer: pointer.into(), enter }
    }
}

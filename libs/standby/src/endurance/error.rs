//! What a set cannot be.

use thiserror::Error;

use crate::load::LoadError;

/// What is wrong with what was entered about a set.
#[derive(Clone, Debug, PartialEq, Eq, Error)]
pub enum EnduranceError {
    /// What is wrong with its load.
    #[error(transparent)]
    Load(#[from] LoadError),
    /// The tank is never above its reserve.
    #[error("The reserve is less than the tank holds.")]
    ReserveFillsTheTank,
    /// An amount or a time below nothing.
    #[error("The value at {pointer} is not below 0.")]
    BelowNothing {
        /// The field.
        pointer: &'static str,
    },
}

impl EnduranceError {
    /// A short name for it.
    #[must_use]
    pub const fn code(&self) -> &'static str {
        match self {
            Self::Load(error) => error.code(),
            Self::ReserveFillsTheTank => "reserve_fills_the_tank",
            Self::BelowNothing { .. } => "below_nothing",
        }
    }

    /// Which field it is about.
    #[must_use]
    pub fn pointer(&self) -> &str {
        match self {
            Self::Load(error) => error.pointer(),
            Self::ReserveFillsTheTank => "/reserve_litres",
            Self::BelowNothing { pointer } => pointer,
        }
    }
}

//! What handsets ask for: their edits judged and recorded, what was parked tried again, and what they are told.

pub(crate) mod again;
mod authors;
pub(crate) mod pull;
pub(crate) mod push;
mod read;
pub(crate) mod results;
pub(crate) mod streams;

pub(crate) use authors::Authors;

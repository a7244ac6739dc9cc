//! Which item of a regulation's maintenance tables an engine falls under, and what that item asks of a job.

mod class;
mod engine;
mod power;

pub use class::{Asked, EngineClass, asked_of, classify};
pub use engine::Engine;

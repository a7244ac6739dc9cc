//! What comes in from outside: time, chance, patience, the wire, and what only people can give.

use std::time::Duration;

use model::{Instant, PersonId};
use uuid::Uuid;

/// The time and the chance of a device.
pub trait Surroundings {
    /// What the device's clock says, right or wrong.
    fn now(&mut self) -> Instant;
    /// A new id: a UUID of version 7 is best.
    fn fresh_id(&mut self) -> Uuid;
    /// A number between 0 and 1, by chance.
    fn chance(&mut self) -> f64;
    /// Waits; says whether it did, rather than being told to stop.
    fn wait(&mut self, wait: Duration) -> bool;
}

/// What only people can give.
pub trait People {
    /// The token of whoever is signed in.
    fn token(&mut self, person: PersonId) -> Option<String>;
    /// A new token for the same person, since the last one is not good any more; none while nobody signs in.
    fn new_token(&mut self, person: PersonId) -> Option<String>;
    /// A code that a coordinator has made; none while there is none.
    fn code(&mut self, why: CodeFor) -> Option<String>;
}

/// Why a code is asked for.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum CodeFor {
    /// The handset is new.
    First,
    /// There are two copies of it.
    Forked,
    /// It was revoked.
    Revoked,
    /// The service does not know it any more, having been restored from a backup.
    Forgotten,
}

/// How a request is sent.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Method {
    /// It reads.
    Get,
    /// It sends a body.
    Post,
}

/// A request.
#[derive(Clone, Copy, Debug)]
pub struct Asked<'a> {
    /// How.
    pub method: Method,
    /// Where, with the service's address.
    pub url: &'a str,
    /// Whose.
    pub token: &'a str,
    /// JSON; empty of one that reads.
    pub body: &'a [u8],
}

/// An answer, whatever its status.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Reply {
    /// The status.
    pub status: u16,
    /// How long to wait, if it says so.
    pub retry_after: Option<Duration>,
    /// The body, unpacked.
    pub body: Vec<u8>,
}

/// There was no answer; the request may have been taken all the same.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
#[error("no answer: {0}")]
pub struct NoAnswer(pub String);

/// The way to the service.
pub trait Wire {
    /// Sends a request, and waits for its answer to be whole.
    fn ask(&mut self, asked: &Asked<'_>) -> Result<Reply, NoAnswer>;
}

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
    /// Nobody answers, and the same is tried again after a wait that begins now: whoever looks on may be told.
    fn no_answer(&mut self) {}
    /// Whether somebody wants the handset while photos go: they stop after the piece that is on its way, and go on from there when
    /// they are sent again.
    fn wanted(&mut self) -> bool {
        false
    }
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
    /// It asks whether something is there, and how much of it.
    Head,
    /// It reads the bytes from the first to the last.
    GetPart {
        /// The first byte.
        first: u64,
        /// The last byte; there may be fewer.
        last: u64,
    },
    /// It sends bytes of something, in order.
    PutPart {
        /// Which one its first byte is.
        first: u64,
        /// How many bytes there are in all.
        total: u64,
    },
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
    /// JSON, or bytes of a photo; empty of one that reads.
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
    /// How many bytes have come of what is not there as a whole, if it says so.
    pub upload_offset: Option<u64>,
    /// Of how many bytes the body is a part, if it is one.
    pub total: Option<u64>,
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

//! The handset: a field client that works without a signal, as an example of how to write one.
//!
//! It keeps a copy of what its people may see and a queue of what they enter, both in one file; sends the queue, takes what
//! changed, and ends with the same records as everybody else. `openapi/sync.md` is the protocol, and the rules that are kept
//! here are explained there.
//!
//! [`Disk`] is the file. [`Handset`] is what a program is written with: it writes edits down ([`Handset::write`]), shows
//! records with the edits that wait on top ([`Handset::view`]), and syncs ([`Handset::sync`]). Time, chance, tokens and the
//! wire come in from [`outside`], so that tests drive them.

mod backoff;
mod batch;
mod copy;
pub mod disk;
mod error;
mod fingerprint;
mod handset;
mod http;
pub mod outside;
mod photos;
mod queue;
mod renumber;
mod replica;
mod session;
mod view;
pub mod wire;
pub mod words;

#[cfg(test)]
mod tests;

pub use self::{
    copy::{RecordCopy, Rival},
    disk::{Device, Disk, Enrolment, PhotoState, State, StoredEdit, StoredPhoto, StoredRecord},
    error::{Error, Result},
    handset::Handset,
    http::Http,
    photos::NewPhoto,
    queue::{Kind, Wish},
    replica::KEPT_FOR_DAYS,
    session::{Ended, Outside, PhotosSynced, Synced},
    view::{EventView, View},
};

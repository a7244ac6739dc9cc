//! The due digest: what it says, what it never says, and what a mail of it is made of.

#![allow(clippy::unwrap_used, clippy::panic, clippy::indexing_slicing, reason = "helpers of tests")]

mod fixture;
mod golden;
mod hostile;
mod judged;
mod large;
mod laws;
mod mail;
mod order;
mod picture;
mod read;

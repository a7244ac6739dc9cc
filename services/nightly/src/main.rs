//! `keepstart-nightly`: work that nobody asks for. It makes the due digest of each mail list once a day and sends it, and
//! keeps stored states up to the present.
//!
//! [`worker`] is one round of all of it; what is to be done stands in the database, and of several processes one at a time
//! takes each piece ([`store::chores`]). [`dates`] says when a list is due, [`digest`] what it tells, [`post`] sends it.

mod advance;
mod blobs;
mod cli;
mod dates;
mod digest;
mod health;
mod judging;
mod post;
mod preview;
mod settings;
mod worker;

fn main() -> std::process::ExitCode {
    cli::run()
}

//! Keepstart's HTTP service.
//!
//! A request passes, in this order: the frame (`app`: request id, headers, problems for whatever fails), its
//! route (`routes`), extraction of who asks and what (`extract`), the decision whether they may (crate
//! `access`), and the store, which judges and records (crate `store`). `intake` is the one way from JSON to a
//! proposal, `problem` the one table of what clients are told when something is wrong.

mod answer;
mod app;
mod blobs;
pub mod cli;
mod compress;
mod cursor;
mod demo;
mod enrolment;
mod extract;
mod imports;
mod intake;
mod limits;
mod members;
mod openapi;
mod packs;
mod problem;
mod random;
mod routes;
mod setup;
mod signing;
mod state;
mod sync;
mod throttle;
mod tokens;
mod what_if;

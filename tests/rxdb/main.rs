//! RxDB, unmodified, as a client: two devices with its replication converge through the service.
//!
//! The scenario is JavaScript (`tests/sync/rxdb/scenario`); here it gets a service, a site, and two people.

#![allow(
    clippy::unwrap_used,
    clippy::indexing_slicing,
    reason = "a test fails by panicking; its functions stand outside #[test]"
)]

use std::{path::PathBuf, process::Command};

use blackbox::{
    Backend, World, on_both,
    service::{NOW, is_clean, root},
};
use serde_json::json;

on_both!(two_devices_converge);

fn two_devices_converge(backend: Backend) {
    let world = World::new(backend);
    let town = world.town();
    let first = town.people["coordinator"];
    let second = world.person(town.id, &[("coordinator", json!("all"))]);

    let mut scenario = Command::new(node());
    scenario.args(["--test", "--test-reporter=spec", "scenario/*.test.js"]);
    scenario.current_dir(root().join("tests/sync/rxdb"));
    scenario.env("KEEPSTART_URL", world.service.url()).env("KEEPSTART_CLOCK", NOW);
    scenario.env("KEEPSTART_SITE", &town.sites[0]);
    scenario.env("KEEPSTART_FIRST_TOKEN", world.token(town.id, first));
    scenario.env("KEEPSTART_SECOND_TOKEN", world.token(town.id, second));
    let ended = scenario.status().unwrap();
    assert!(ended.success(), "the scenario failed on {backend:?}: {ended}");

    is_clean(&world.database);
}

/// The program that `tests/run` installs.
fn node() -> PathBuf {
    let node = root().join("tests/.venv/bin/node");
    assert!(node.exists(), "there is no {}: run ./tests/run", node.display());
    node
}

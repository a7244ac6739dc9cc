//! Whether units are ready, how long they last, and what has to be staged: one file for each question of `libs/standby`.

pub(super) mod battery;
pub(super) mod endurance;
pub(super) mod fuel;
pub(super) mod fuel_storage;
pub(super) mod hours_ledger;
pub(super) mod load_check;
pub(super) mod outage;
pub(super) mod readiness;
pub(super) mod residence;
pub(super) mod run_through;
mod story;
pub(super) mod survival;
pub(super) mod tests;

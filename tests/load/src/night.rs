//! The night shift on a database.

use anyhow::{Result, ensure};
use blackbox::{
    Database,
    service::{in_folder, program},
};

/// Runs the night shift to its end, its clock beginning at `clock`; gives what it said.
pub(crate) fn shift(database: &Database, name: &str, clock: &str, more: &[&str]) -> Result<String> {
    let mut command = program("keepstart-nightly", &[name]);
    command.args(["--database-url", database.url(), "--clock", clock, "--log", "warn"]).args(more);
    if name == "once" {
        command.args(["--mail-folder", &in_folder(database, "sent")]);
    }
    let output = command.output()?;
    let said =
        [output.stdout, output.stderr].map(|bytes| String::from_utf8_lossy(&bytes).into_owned()).concat();
    ensure!(output.status.success(), "keepstart-nightly {name}: {said}");
    Ok(said)
}

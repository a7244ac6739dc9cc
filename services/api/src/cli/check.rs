//! `rebuild --check`: every fold recomputed from the log.

use std::process::ExitCode;

use anyhow::Result;
use clap::Args;
use store::Store;

use process::{ConfigFile, Database};

use super::{block_on, say};

#[derive(Args)]
pub(super) struct Rebuild {
    #[command(flatten)]
    config: ConfigFile,
    #[command(flatten)]
    database: Database,
    /// Compare with what is stored and report each difference; nothing is changed.
    #[arg(long, required = true)]
    check: bool,
}

impl Rebuild {
    pub(super) fn run(self) -> Result<ExitCode> {
        debug_assert!(self.check, "required by the command line");
        let store = Store::open(&self.database.address()?, 2)?;
        block_on(async {
            let mut found = 0;
            for organization in store.organizations().await? {
                let report = store.check(organization).await?;
                for difference in &report.differences {
                    say(&format!("{organization}: {}: {}", difference.what, difference.detail));
                }
                found += report.differences.len();
                say(&format!(
                    "{organization}: {} rows, {} units, {} differences",
                    report.rows,
                    report.units,
                    report.differences.len()
                ));
            }
            Ok(if found == 0 { ExitCode::SUCCESS } else { ExitCode::FAILURE })
        })
    }
}

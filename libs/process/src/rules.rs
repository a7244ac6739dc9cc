//! By which rules readiness is judged.

use std::path::PathBuf;

use anyhow::{Context, Result};
use clap::Args;
use standby::readiness::ReadinessPolicy;

use crate::readiness::PolicyJudge;

/// The rules of readiness.
#[derive(Args, Clone, Debug)]
pub struct ReadinessRules {
    /// File with the rules by which readiness is judged, as `deploy/readiness/standard.json`, which holds where no file is
    /// named. The API and the night shift of one database take the same file.
    #[arg(long, env = "KEEPSTART_READINESS_POLICY")]
    readiness_policy: Option<PathBuf>,
}

impl ReadinessRules {
    /// Who judges by them.
    ///
    /// # Errors
    /// Where the file cannot be read, or where a rule in it cannot be.
    pub fn judge(&self) -> Result<PolicyJudge> {
        let Some(file) = &self.readiness_policy else { return Ok(PolicyJudge::standard()) };
        let text = std::fs::read_to_string(file)
            .with_context(|| format!("cannot read the rules of readiness {}", file.display()))?;
        let policy: ReadinessPolicy = serde_json::from_str(&text)
            .with_context(|| format!("the rules of readiness in {} are wrong", file.display()))?;
        Ok(PolicyJudge::by(policy))
    }
}

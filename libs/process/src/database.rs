//! Which database.

use clap::Args;
use store::Address;

/// Where the embedded database is unless somebody says otherwise.
pub const DEFAULT_DATABASE: &str = "sqlite:keepstart.db";

/// Which database.
#[derive(Args, Clone, Debug)]
pub struct Database {
    /// Address of the database: sqlite:FILE or postgres://…
    #[arg(long, env = "DATABASE_URL", default_value = DEFAULT_DATABASE, hide_env_values = true)]
    pub database_url: String,
}

impl Database {
    /// Whether it is the embedded one where nobody said otherwise.
    pub fn is_default(&self) -> bool {
        self.database_url == DEFAULT_DATABASE
    }

    /// The address.
    pub fn address(&self) -> Result<Address, store::StoreError> {
        self.database_url.parse()
    }
}

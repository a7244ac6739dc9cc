//! The command line: one file for each command. Everything is configured by flags or the environment.

mod check;
mod demo;
mod people;
mod serve;

use std::process::ExitCode;

use anyhow::Result;
use clap::{Args, Parser, Subcommand};
use store::Address;

/// Keeps the maintenance records of generators, and works out what is due.
#[derive(Parser)]
#[command(name = "keepstart-api", version)]
struct Cli {
    #[command(subcommand)]
    command: Command,
}

#[derive(Subcommand)]
enum Command {
    /// Serve the API.
    Serve(serve::Serve),
    /// Bring the database's schema up to this version.
    Migrate(Database),
    /// Serve a demonstration fleet from a folder; made there at the first start.
    Demo(demo::Demo),
    /// Recompute every fold from the change log.
    Rebuild(check::Rebuild),
    /// Print the OpenAPI description.
    Openapi,
    /// Make an organization with its first person, and print a token.
    Organization(people::Organization),
    /// Print an access token for a person.
    Token(people::Token),
    /// Make a signing key, and the public key set that `serve` needs.
    Key(people::Key),
}

/// Which database.
#[derive(Args, Clone)]
struct Database {
    /// Address of the database: sqlite:FILE or postgres://…
    #[arg(long, env = "DATABASE_URL", default_value = DEFAULT_DATABASE, hide_env_values = true)]
    database_url: String,
}

/// Where the embedded database is unless somebody says otherwise.
const DEFAULT_DATABASE: &str = "sqlite:keepstart.db";

impl Database {
    fn is_default(&self) -> bool {
        self.database_url == DEFAULT_DATABASE
    }

    fn address(&self) -> Result<Address> {
        Ok(self.database_url.parse()?)
    }
}

/// Who signs access tokens, and for whom.
#[derive(Args, Clone)]
struct Trust {
    /// The issuer that access tokens must name.
    #[arg(long, env = "KEEPSTART_ISSUER", default_value = "https://keepstart.example")]
    issuer: String,
    /// The audience that access tokens must name.
    #[arg(long, env = "KEEPSTART_AUDIENCE", default_value = "keepstart")]
    audience: String,
}

/// Runs the command line.
pub fn run() -> ExitCode {
    let outcome = match Cli::parse().command {
        Command::Serve(serve) => serve.run(),
        Command::Migrate(database) => migrate(&database),
        Command::Demo(demo) => demo.run(),
        Command::Rebuild(rebuild) => rebuild.run(),
        Command::Openapi => openapi(),
        Command::Organization(organization) => organization.run(),
        Command::Token(token) => token.run(),
        Command::Key(key) => key.run(),
    };
    match outcome {
        Ok(code) => code,
        Err(error) => {
            say_wrong(&format!("keepstart-api: {error:#}"));
            ExitCode::FAILURE
        }
    }
}

fn migrate(database: &Database) -> Result<ExitCode> {
    let ran = store::migrate(&database.address()?)?;
    match ran.len() {
        0 => say("The schema is up to date."),
        n => say(&format!("Ran {n} migration(s): {}.", ran.join(", "))),
    }
    Ok(ExitCode::SUCCESS)
}

fn openapi() -> Result<ExitCode> {
    let text = crate::openapi::text()
        .map_err(|error| anyhow::anyhow!("the description cannot be written: {error:?}"))?;
    say(text.trim_end());
    Ok(ExitCode::SUCCESS)
}

/// A line of what was asked for, on standard output.
#[allow(clippy::print_stdout, reason = "the command line's answer")]
fn say(line: &str) {
    println!("{line}");
}

/// A line about what went wrong, on standard error.
#[allow(clippy::print_stderr, reason = "the command line's complaint")]
fn say_wrong(line: &str) {
    eprintln!("{line}");
}

/// A runtime for commands that ask the store and end.
fn block_on<T>(work: impl Future<Output = Result<T>>) -> Result<T> {
    tokio::runtime::Builder::new_multi_thread().enable_all().worker_threads(2).build()?.block_on(work)
}

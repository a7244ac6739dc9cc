//! The command line: one file for each command. Everything is configured by flags, the
//! environment, or a file.

mod check;
mod demo;
mod import;
mod people;
mod serve;

use std::process::ExitCode;

use anyhow::Result;
use clap::{Args, CommandFactory, FromArgMatches, Parser, Subcommand};
use process::{ConfigFile, Database, config, say, say_wrong};

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
    Migrate(Migrate),
    /// Serve a demonstration fleet from a folder; made there at the first start.
    Demo(demo::Demo),
    /// Bring in a file of sites, units, service events or readings.
    Import(import::Import),
    /// Recompute every fold from the change log.
    Rebuild(check::Rebuild),
    /// Print the OpenAPI description.
    Openapi,
    /// Print the JSON Schema of a file that holds a schedule.
    ScheduleSchema,
    /// Make an organization with its first person, and print a token.
    Organization(people::Organization),
    /// Print an access token for a person.
    Token(people::Token),
    /// Make a signing key, and the public key set that `serve` needs.
    Key(people::Key),
}

#[derive(Args)]
struct Migrate {
    #[command(flatten)]
    config: ConfigFile,
    #[command(flatten)]
    database: Database,
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
    match parse().and_then(carry_out) {
        Ok(code) => code,
        Err(error) => {
            say_wrong(&format!("keepstart-api: {error:#}"));
            ExitCode::FAILURE
        }
    }
}

fn parse() -> Result<Command> {
    let matches = config::matches(Cli::command())?;
    Ok(Cli::from_arg_matches(&matches)?.command)
}

fn carry_out(command: Command) -> Result<ExitCode> {
    match command {
        Command::Serve(serve) => serve.run(),
        Command::Migrate(migrate) => self::migrate(&migrate.database),
        Command::Demo(demo) => demo.run(),
        Command::Import(import) => import.run(),
        Command::Rebuild(rebuild) => rebuild.run(),
        Command::Openapi => openapi(),
        Command::ScheduleSchema => schedule_schema(),
        Command::Organization(organization) => organization.run(),
        Command::Token(token) => token.run(),
        Command::Key(key) => key.run(),
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
    let (text, _) = crate::openapi::text()
        .map_err(|error| anyhow::anyhow!("the description cannot be written: {error:?}"))?;
    say(text.trim_end());
    Ok(ExitCode::SUCCESS)
}

fn schedule_schema() -> Result<ExitCode> {
    let text = crate::openapi::schedule_schema()
        .map_err(|error| anyhow::anyhow!("the schema cannot be written: {error:?}"))?;
    say(text.trim_end());
    Ok(ExitCode::SUCCESS)
}

/// A runtime for commands that ask the store and end.
fn block_on<T>(work: impl Future<Output = Result<T>>) -> Result<T> {
    tokio::runtime::Builder::new_multi_thread().enable_all().worker_threads(2).build()?.block_on(work)
}

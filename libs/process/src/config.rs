//! The optional configuration file.
//!
//! It is no second way of reading settings. Its keys are the flags of `serve`, with underscores; what it says becomes
//! the default of the flag, and the command line is read as ever. So a flag comes before the environment, the
//! environment before the file, and the file before the built-in default, with one set of rules for what is right.

use std::{
    fs,
    path::{Path, PathBuf},
};

use anyhow::{Context, Result, anyhow};
use clap::{Arg, ArgMatches, Args, Command};
use toml::de::{DeTable, DeValue};

/// The flag that names the file, which is no setting that the file could hold.
const CONFIG: &str = "config";

/// The command whose flags are the keys of the file, as of both services; a service is read by its own.
const SERVE: &str = "serve";

/// Where more settings are.
#[derive(Args, Debug)]
pub struct ConfigFile {
    /// File with settings of `serve`, in TOML; flags and the environment come before it.
    #[arg(long, env = "KEEPSTART_CONFIG")]
    #[allow(dead_code, reason = "read before all other flags, which it gives their defaults")]
    config: Option<PathBuf>,
}

/// Reads the command line, with the settings of the file that it names, if it names one.
pub fn matches(command: Command) -> Result<ArgMatches> {
    let given = command.clone().get_matches();
    let Some((name, of_command)) = given.subcommand() else { return Ok(given) };
    // A command without this flag has no such argument at all.
    let Ok(Some(file)) = of_command.try_get_one::<PathBuf>(CONFIG) else { return Ok(given) };
    let settings = read(&command, file)?;
    Ok(command.mut_subcommand(name, |command| with_defaults(command, settings)).get_matches())
}

fn with_defaults(command: Command, settings: Vec<(String, String)>) -> Command {
    settings.into_iter().fold(command, |command, (key, value)| {
        if setting(&command, &key).is_some() {
            command.mut_arg(key, |flag| flag.default_value(value))
        } else {
            command
        }
    })
}

/// The flag of a command that a key names.
fn setting<'c>(command: &'c Command, key: &str) -> Option<&'c Arg> {
    settings(command).find(|flag| flag.get_id() == key)
}

fn settings(command: &Command) -> impl Iterator<Item = &Arg> {
    command.get_arguments().filter(|flag| flag.get_long().is_some() && flag.get_id() != CONFIG)
}

/// Keys and values of the file, each of them right.
fn read(command: &Command, file: &Path) -> Result<Vec<(String, String)>> {
    let text = fs::read_to_string(file).with_context(|| format!("cannot read {}", file.display()))?;
    let place = |at: usize| {
        let line = text.bytes().take(at).filter(|byte| *byte == b'\n').count() + 1;
        format!("{} line {line}", file.display())
    };
    // Only the message is repeated: the line itself may hold a password.
    let table = DeTable::parse(&text).map_err(|error| {
        anyhow!("{}: {}", place(error.span().map_or(0, |span| span.start)), error.message())
    })?;
    let mut settings = Vec::new();
    for (key, value) in table.get_ref() {
        let value =
            checked(command, key.get_ref(), value.get_ref()).with_context(|| place(key.span().start))?;
        settings.push((key.get_ref().to_string(), value));
    }
    Ok(settings)
}

/// A value as the flag takes it.
fn checked(command: &Command, key: &str, value: &DeValue<'_>) -> Result<String> {
    let serve = command.find_subcommand(SERVE).ok_or_else(|| anyhow!("there is no {SERVE}"))?;
    if setting(serve, key).is_none() {
        let known: Vec<&str> = settings(serve).map(|flag| flag.get_id().as_str()).collect();
        return Err(anyhow!("there is no setting {key}; there are {}", known.join(", ")));
    }
    let text = match value {
        DeValue::String(text) => text.clone().into_owned(),
        DeValue::Integer(number) => number.to_string(),
        _ => return Err(anyhow!("{key} takes a text or a whole number")),
    };
    let flag = format!("--{}={text}", key.replace('_', "-"));
    match command.clone().try_get_matches_from([command.get_name(), SERVE, &flag]) {
        Ok(_) => Ok(text),
        Err(error) => Err(anyhow!("{key}: {}", first_paragraph(&error.to_string()))),
    }
}

/// What the command line's parser complains of, without its hints about the command line.
fn first_paragraph(said: &str) -> String {
    let lines = said.trim_start_matches("error: ").lines().map(str::trim);
    lines.take_while(|line| !line.is_empty()).collect::<Vec<_>>().join(" ")
}

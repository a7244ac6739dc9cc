//! The command line.

use std::{
    io::{self, BufRead, Write},
    path::PathBuf,
    process::ExitCode,
};

use anyhow::{Context, Result, anyhow};
use clap::{Args, Parser, Subcommand, ValueEnum};
use handset::{Device, Ended, Handset, Http, Kind, Outside, Synced, Wish, words};
use model::PersonId;
use serde::Deserialize;
use serde_json::{Map, Value, json};
use uuid::Uuid;

use crate::machine::{Given, Machine, boot_mark};

/// A handset for scripts: what it reads and says is JSON, a line for each thing.
#[derive(Parser)]
#[command(name = "keepstart-handset", version)]
struct Cli {
    /// The handset's file.
    #[arg(long, env = "KEEPSTART_HANDSET")]
    file: PathBuf,
    /// Begin the clock at this instant instead of the machine's; for tests. INSTANT@MACHINE as for `keepstart-api serve`.
    #[arg(long, env = "KEEPSTART_CLOCK")]
    clock: Option<String>,
    #[command(subcommand)]
    command: Command,
}

#[derive(Subcommand)]
enum Command {
    /// Enrol this handset. The same again if the answer got lost.
    Enrol(Enrol),
    /// Write down what stands on the standard input, and say each edit's id once it is on the disk: a line is
    /// `{"event": {…}}`, `{"create": {"kind": "unit", "fields": {…}}}`, `{"set": {"kind": "unit", "id": "…", "fields": {…}}}`, or a
    /// list of these that count together. What is set is taken to have been seen as it is now.
    Write,
    /// Send what is queued and take what changed. Exit code 2 if it did not come to its end.
    Sync(Signed),
    /// Every edit that is kept, with where it stands.
    Queue,
    /// A unit or site as its user sees it.
    Show {
        /// Which of the two.
        kind: KindWord,
        /// Which one.
        id: Uuid,
    },
    /// All records of a kind as they were told.
    Told {
        /// The kind, such as `service_event`.
        kind: String,
    },
}

#[derive(Args)]
struct Enrol {
    /// Where the service is.
    #[arg(long)]
    service: String,
    /// What its people call it.
    #[arg(long)]
    name: String,
    /// Who signs in.
    #[arg(long)]
    person: Uuid,
    #[command(flatten)]
    signed: Signed,
}

#[derive(Args)]
struct Signed {
    /// The token of whoever is signed in.
    #[arg(long, env = "KEEPSTART_TOKEN", hide_env_values = true)]
    token: Option<String>,
    /// A code that a coordinator has made, where one is asked for.
    #[arg(long)]
    code: Option<String>,
}

#[derive(Clone, Copy, Deserialize, ValueEnum)]
#[serde(rename_all = "snake_case")]
enum KindWord {
    Unit,
    Site,
}

impl From<KindWord> for Kind {
    fn from(word: KindWord) -> Self {
        match word {
            KindWord::Unit => Self::Unit,
            KindWord::Site => Self::Site,
        }
    }
}

/// A line of what is to be written down.
#[derive(Deserialize)]
#[serde(rename_all = "snake_case", deny_unknown_fields)]
enum Line {
    Event(Map<String, Value>),
    Create { kind: KindWord, fields: Map<String, Value> },
    Set { kind: KindWord, id: Uuid, fields: Map<String, Value> },
}

/// Runs a command.
pub(crate) fn run() -> ExitCode {
    match command(Cli::parse()) {
        Ok(code) => code,
        Err(error) => {
            let _ = writeln!(io::stderr(), "{error:#}");
            ExitCode::FAILURE
        }
    }
}

fn command(cli: Cli) -> Result<ExitCode> {
    let mut machine = match &cli.clock {
        Some(text) => Machine::showing(text)?,
        None => Machine::default(),
    };
    let mut handset = Handset::open(&cli.file, &boot_mark())?;
    match cli.command {
        Command::Enrol(enrol) => {
            let person = PersonId::from_uuid(enrol.person);
            let device = Device::new(&enrol.service, &enrol.name, person, &boot_mark());
            let mut given = Given { token: enrol.signed.token, code: enrol.signed.code };
            let mut wire = Http::default();
            let outside = Outside { around: &mut machine, people: &mut given, wire: &mut wire };
            return ended(&handset.enrol(device, outside)?);
        }
        Command::Sync(signed) => {
            let mut given = Given { token: signed.token, code: signed.code };
            let mut wire = Http::default();
            let outside = Outside { around: &mut machine, people: &mut given, wire: &mut wire };
            return ended(&handset.sync(outside)?);
        }
        Command::Write => {
            for line in io::stdin().lock().lines() {
                write(&mut handset, &mut machine, &line?)?;
            }
        }
        Command::Queue => {
            for edit in handset.queue()? {
                let sent: Value = serde_json::from_str(&edit.text)?;
                say(
                    &json!({"id": edit.id, "state": edit.state.as_str(), "words": words::edit(&edit)?, "edit": sent}),
                )?;
            }
        }
        Command::Show { kind, id } => {
            let view =
                handset.view(kind.into(), id)?.ok_or_else(|| anyhow!("there is no such record here"))?;
            let contested: Map<String, Value> = view
                .contested()
                .map(|(field, rivals)| {
                    (field.to_owned(), rivals.iter().map(|rival| rival.told.clone()).collect())
                })
                .collect();
            say(&json!({"id": id, "version": view.version, "fields": view.fields(), "contested": contested,
                "waiting": view.waiting}))?;
        }
        Command::Told { kind } => {
            for record in handset.told(&kind)? {
                let told: Value = serde_json::from_str(&record.text)?;
                say(&json!({"id": record.id, "unit_id": record.unit, "record": told}))?;
            }
        }
    }
    Ok(ExitCode::SUCCESS)
}

/// Writes down what a line says.
fn write(handset: &mut Handset, machine: &mut Machine, line: &str) -> Result<()> {
    let lines: Vec<Line> = if line.trim_start().starts_with('[') {
        serde_json::from_str(line).context("a line is no list of edits")?
    } else {
        vec![serde_json::from_str(line).context("a line is no edit")?]
    };
    let wishes = lines.into_iter().map(|line| wish(handset, line)).collect::<Result<_>>()?;
    for id in handset.write_together(machine, wishes)? {
        say(&json!({"id": id}))?;
    }
    Ok(())
}

fn wish(handset: &mut Handset, line: Line) -> Result<Wish> {
    Ok(match line {
        Line::Event(event) => Wish::Event(event),
        Line::Create { kind, fields } => Wish::Create { kind: kind.into(), fields },
        Line::Set { kind, id, fields } => {
            let kind = kind.into();
            let view = handset.view(kind, id)?.ok_or_else(|| anyhow!("there is no record {id} here"))?;
            Wish::Set { kind, id, base: view.base(&fields), fields }
        }
    })
}

fn ended(synced: &Synced) -> Result<ExitCode> {
    say(
        &json!({"done": synced.ended == Ended::Done, "words": words::ended(&synced.ended), "requests": synced.requests,
        "answered": synced.answered, "changes": synced.changes, "mended": synced.mended}),
    )?;
    Ok(if synced.ended == Ended::Done { ExitCode::SUCCESS } else { ExitCode::from(2) })
}

/// Says a line, at once: whoever reads it may act on it.
fn say(line: &Value) -> Result<()> {
    let mut out = io::stdout().lock();
    writeln!(out, "{line}")?;
    Ok(out.flush()?)
}

//! The command line: what can be typed, and which command that is.

use std::{
    io::{self, IsTerminal, Write},
    path::{Path, PathBuf},
    process::ExitCode,
};

use anyhow::{Context, Result};
use clap::{Parser, Subcommand};
use handset::{Handset, Http};

use crate::{
    face::{
        Face, Page, Screen, Tone, Trouble, at, battery, conflicts, drop, due, enrol, finding, fuel, photos,
        queue, reading, ready, run, script, service, settle, show, sign_in, sites, sync, tag, take_back,
        units,
    },
    machine::{self, Machine, boot_mark},
    traffic::Noted,
};

/// Keepstart without a signal: what is due, what was done, and a queue that loses nothing.
#[derive(Parser)]
#[command(name = "keepstart-handset", version)]
pub(crate) struct Cli {
    /// The handset's file.
    #[arg(long, env = "KEEPSTART_HANDSET")]
    file: PathBuf,
    /// Begin the clock at this instant instead of the machine's; for tests. INSTANT@MACHINE as for `keepstart-api serve`.
    #[arg(long, env = "KEEPSTART_CLOCK")]
    clock: Option<String>,
    /// Note each request with its answer at the end of this file, a line of JSON for each: the protocol at work. Tokens and
    /// codes are left out.
    #[arg(long, value_name = "FILE", env = "KEEPSTART_TRAFFIC")]
    traffic: Option<PathBuf>,
    /// Say all as JSON, a line for each thing, and ask nothing.
    #[arg(long, global = true)]
    pub(crate) json: bool,
    #[command(subcommand)]
    pub(crate) command: Command,
}

#[derive(Subcommand)]
pub(crate) enum Command {
    /// Make this handset known to the service. The same again if the answer got lost.
    Enrol(enrol::Enrol),
    /// Somebody else takes this handset.
    SignIn(sign_in::SignIn),
    /// Send what is queued and take what changed. Exit code 2 if it did not come to its end.
    Sync(sync::Signed),
    /// The sites.
    Sites,
    /// Say at which site you are; lists go by that.
    At(at::At),
    /// The units of a site.
    Units(units::Units),
    /// A unit or site, with what happened last.
    Show(show::Show),
    /// What is due here, and what else while you are here.
    Due(due::Due),
    /// Whether units are ready, and what is in the way.
    Ready(ready::Ready),
    /// An hour meter was read.
    Reading(reading::Reading),
    /// Jobs are done on a unit, ticked from its schedule.
    #[command(next_line_help = true)]
    Service(service::Service),
    /// An engine is started or stopped, or ran.
    #[command(next_line_help = true)]
    Run(run::Run),
    /// Fuel was filled in, taken out, treated or measured.
    #[command(next_line_help = true)]
    Fuel(fuel::Fuel),
    /// A starting battery was checked or replaced.
    #[command(next_line_help = true)]
    Battery(battery::Battery),
    /// Something is wrong with a unit, or is so no more.
    Finding(finding::Finding),
    /// A tag was hung on a unit, or taken off.
    Tag(tag::Tag),
    /// What you entered, with what happened to it.
    Queue(queue::Queue),
    /// The photos that are kept here.
    Photos,
    /// Take back something that you entered.
    TakeBack(take_back::TakeBack),
    /// Drop an entry that was refused.
    Drop(drop::Drop),
    /// Fields about which people disagree.
    Conflicts,
    /// Decide about one of them.
    Settle(settle::Settle),
    /// For scripts: write down edits from the input.
    ///
    /// Each edit's id is said once it is on the disk. A line is
    /// `{"event": {…}}`, `{"create": {"kind": "unit", "fields": {…}}}`, `{"set": {"kind": "unit", "id": "…", "fields": {…}}}`, or a
    /// list of these that count together. What is set is taken to have been seen as it is now.
    Write,
    /// For scripts: all records of a kind as they were told.
    Told(script::Told),
}

/// Runs the program.
pub(crate) fn run() -> ExitCode {
    let screen = Screen::of_the_terminal();
    match program(Cli::parse(), screen) {
        Ok(code) => code,
        Err(error) => {
            let colour = screen.colour && io::stderr().is_terminal();
            let _ = write!(io::stderr(), "{}", troubled(&error, Screen { colour, ..screen }));
            ExitCode::FAILURE
        }
    }
}

/// What is in the way, as it is shown.
pub(crate) fn troubled(error: &anyhow::Error, screen: Screen) -> String {
    let mut page = Page::new(screen);
    for line in format!("{error:#}").lines() {
        page.line(Tone::Alarm, line);
    }
    page.text().to_owned()
}

fn program(cli: Cli, screen: Screen) -> Result<ExitCode> {
    let mut machine = match &cli.clock {
        Some(text) => Machine::showing(text)?,
        None => Machine::default(),
    };
    let boot_mark = boot_mark();
    let stdin = io::stdin();
    let mut face = Face {
        handset: &mut opened(&cli.file, &boot_mark)?,
        around: &mut machine,
        wire: &mut Noted::new(Http::default(), cli.traffic.as_deref()).context("the file for the traffic")?,
        boot_mark: &boot_mark,
        zone: machine::zone(),
        screen,
        json: cli.json,
        asks: stdin.is_terminal() && !cli.json,
        input: &mut stdin.lock(),
        out: &mut io::stdout().lock(),
        beside: &mut io::stderr(),
    };
    command(cli.command, &mut face)
}

/// The handset, with its file open.
pub(crate) fn opened(file: &Path, boot_mark: &str) -> Result<Handset, Trouble> {
    Handset::open(file, boot_mark).map_err(Trouble::NotOpened)
}

/// Runs a command.
pub(crate) fn command(command: Command, face: &mut Face<'_>) -> Result<ExitCode> {
    match command {
        Command::Enrol(enrol) => enrol::run(face, enrol),
        Command::SignIn(sign_in) => sign_in::run(face, &sign_in),
        Command::Sync(signed) => sync::run(face, signed),
        Command::Sites => sites::run(face),
        Command::At(at) => at::run(face, &at),
        Command::Units(units) => units::run(face, &units),
        Command::Show(show) => show::run(face, &show),
        Command::Due(due) => due::run(face, &due),
        Command::Ready(ready) => ready::run(face, &ready),
        Command::Reading(reading) => reading::run(face, &reading),
        Command::Service(service) => service::run(face, &service),
        Command::Run(run) => run::run(face, run),
        Command::Fuel(fuel) => fuel::run(face, fuel),
        Command::Battery(battery) => battery::run(face, &battery),
        Command::Finding(finding) => finding::run(face, &finding),
        Command::Tag(tag) => tag::run(face, &tag),
        Command::Queue(queue) => queue::run(face, &queue),
        Command::Photos => photos::run(face),
        Command::TakeBack(take_back) => take_back::run(face, &take_back),
        Command::Drop(drop) => drop::run(face, &drop),
        Command::Conflicts => conflicts::run(face),
        Command::Settle(settle) => settle::run(face, &settle),
        Command::Write => script::write(face),
        Command::Told(told) => script::told(face, &told),
    }
}

//! `sync`: sends and takes, and says what came of it.

use std::process::ExitCode;

use anyhow::Result;
use clap::Args;
use handset::{Ended, Outside, PhotosSynced, State, Synced, words};
use serde_json::{Value, json};

use super::{
    Face, Trouble,
    describe::many,
    page::{Page, Tone},
    patience::Patience,
    queue,
};
use crate::machine::Given;

/// What only people can give.
#[derive(Args)]
pub(crate) struct Signed {
    /// The token of whoever is signed in.
    #[arg(long, env = "KEEPSTART_TOKEN", hide_env_values = true)]
    pub(super) token: Option<String>,
    /// A code that a coordinator has made, where one is asked for.
    #[arg(long)]
    pub(super) code: Option<String>,
}

pub(crate) fn run(face: &mut Face<'_>, signed: Signed) -> Result<ExitCode> {
    let mut given = Given { token: signed.token, code: signed.code };
    loop {
        let mut around = Patience {
            around: &mut *face.around,
            screen: face.screen,
            beside: (!face.json).then_some(&mut *face.beside),
        };
        let outside = Outside { around: &mut around, people: &mut given, wire: &mut *face.wire };
        let synced = face.handset.sync(outside).map_err(Trouble::NotSynced)?;
        if !(face.asks && helped(face, &mut given, &synced.ended)?) {
            return ended(face, &synced);
        }
    }
}

/// Whether somebody gave what only people can give.
fn helped(face: &mut Face<'_>, given: &mut Given, ended: &Ended) -> Result<bool> {
    let (flag, question) = match ended {
        Ended::NeedsCode(_) => ("--code", "Code?"),
        Ended::SignIn => ("--token", "Token?"),
        _ => return Ok(false),
    };
    let mut page = face.page();
    page.line(Tone::Warning, &words::ended(ended));
    face.show(&page)?;
    let answer = face.answer_if_any(None, flag, question, |text| Ok(text.to_owned()))?;
    let is_given = answer.is_some();
    match ended {
        Ended::SignIn => given.token = answer.or(given.token.take()),
        _ => given.code = answer,
    }
    Ok(is_given)
}

/// Says how a sync ended; the exit code is 2 where it did not come to its end.
pub(super) fn ended(face: &mut Face<'_>, synced: &Synced) -> Result<ExitCode> {
    let is_done = synced.ended == Ended::Done;
    let mut page = face.page();
    let tone = if is_done { Tone::Good } else { Tone::Alarm };
    page.line(tone, &words::ended(&synced.ended));
    page.line(Tone::Plain, &format!("{} sent, {} taken.", synced.answered, many(synced.changes, "change")));
    if synced.mended > 0 {
        page.line(Tone::Warning, &format!("{} mended that differed here.", many(synced.mended, "record")));
    }
    let photos = &synced.photos;
    if *photos != PhotosSynced::default() {
        let (sent, came) = (photos.sent, photos.fetched);
        page.line(Tone::Plain, &format!("Photos: {sent} sent, {came} came, {} wait.", photos.waiting));
    }
    if photos.refused > 0 {
        page.item("!", Tone::Warning, &format!("{} not taken. See: photos", many(photos.refused, "photo")));
    }
    left(face, &mut page)?;
    face.say(&page, [line(synced)])?;
    Ok(if is_done { ExitCode::SUCCESS } else { ExitCode::from(2) })
}

fn line(synced: &Synced) -> Value {
    json!({"done": synced.ended == Ended::Done, "words": words::ended(&synced.ended), "requests": synced.requests,
        "answered": synced.answered, "changes": synced.changes, "mended": synced.mended,
        "photos": {"sent": synced.photos.sent, "refused": synced.photos.refused, "fetched": synced.photos.fetched,
            "waiting": synced.photos.waiting}})
}

/// What is left to see to.
fn left(face: &mut Face<'_>, page: &mut Page) -> Result<()> {
    let edits = face.handset.queue()?;
    let count = |states: &[State]| edits.iter().filter(|edit| states.contains(&edit.state)).count();
    let (needs, waits) = (count(&[State::Refused, State::Held]), count(&[State::Queued, State::Parked]));
    let contested = super::conflicts::all(face)?.len();
    if needs > 0 {
        page.item("!", Tone::Warning, &format!("{} See: queue", queue::needed(needs)));
    }
    if contested > 0 {
        page.item("!", Tone::Warning, &format!("{contested} contested. See: conflicts"));
    }
    if waits > 0 {
        page.item("-", Tone::Plain, &format!("{waits} to be sent."));
    }
    Ok(())
}

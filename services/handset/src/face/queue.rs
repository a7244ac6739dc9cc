//! `queue`: what he entered, with what happened to it; what needs somebody comes first.

use std::{collections::BTreeSet, process::ExitCode};

use anyhow::Result;
use clap::Args;
use handset::{
    State, StoredEdit,
    wire::{EditText, Told},
    words,
};
use model::{Instant, UnitId};
use serde_json::{Value, json};
use uuid::Uuid;

use super::{
    Face, Trouble, conflicts, describe,
    page::{Page, Tone},
    story,
};

#[derive(Args)]
pub(crate) struct Queue {
    /// Those that are recorded, too. Scripts are told all.
    #[arg(long)]
    all: bool,
}

/// Where an entry stands for whoever made it.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum Stands {
    Refused,
    Held,
    Contested,
    /// Recorded, and the service said what is doubtful about it.
    Doubtful,
    Parked,
    Queued,
    Recorded,
}

/// In this order, each with its heading.
const GROUPS: [(Stands, Tone, &str); 7] = [
    (Stands::Refused, Tone::Alarm, "Not recorded"),
    (Stands::Held, Tone::Warning, "Wait for a coordinator"),
    (Stands::Contested, Tone::Warning, "Recorded, but contested"),
    (Stands::Doubtful, Tone::Warning, "Recorded, but doubtful"),
    (Stands::Parked, Tone::Plain, "Wait for something else"),
    (Stands::Queued, Tone::Plain, "To be sent"),
    (Stands::Recorded, Tone::Good, "Recorded"),
];

/// So many days after its answer a doubt is listed; then it stands among what is recorded.
const DOUBTS_FOR_DAYS: i64 = 7;

pub(crate) fn run(face: &mut Face<'_>, queue: &Queue) -> Result<ExitCode> {
    let edits = face.handset.queue()?;
    let stands = standing(face, &edits)?;
    let lines = edits.iter().zip(&stands).map(|(edit, stands)| line(edit, *stands));
    let lines = lines.collect::<Result<Vec<_>>>()?;
    let mut page = face.page();
    page.title(&heading(&stands));
    page.line(Tone::Quiet, &face.as_of()?);
    let (now, zone) = (face.now()?, face.zone_at(None)?);
    let names = face.names()?;
    let last = edits.last().map_or(0, |edit| edit.at.0);
    for (group, tone, title) in GROUPS {
        let of_it: Vec<&StoredEdit> =
            edits.iter().zip(&stands).filter(|(_, stands)| **stands == group).map(|(edit, _)| edit).collect();
        if of_it.is_empty() {
            continue;
        }
        page.title(&format!("{title}: {}", of_it.len()));
        if group == Stands::Recorded && !queue.all {
            page.line(Tone::Quiet, "queue --all lists them.");
            continue;
        }
        for edit in of_it {
            let mut text = EditText::read(&edit.text)?;
            if text.kind == "service_event" {
                text.body = face.handset.entered(edit)?;
            }
            let unit = about(&text).and_then(|id| names.get(&id)).map_or("", String::as_str);
            let what = describe::edit(&text, &names, now, &zone);
            page.item(&number(edit, last), tone, &format!("{unit}: {what}"));
            explain(&mut page, edit, group)?;
        }
    }
    face.say(&page, lines)?;
    Ok(ExitCode::SUCCESS)
}

/// Where each stands now: one that was contested is recorded like others once somebody has settled it, and one that was doubtful
/// once it was taken back.
fn standing(face: &mut Face<'_>, edits: &[StoredEdit]) -> Result<Vec<Stands>> {
    let contested: BTreeSet<(Uuid, String)> =
        conflicts::all(face)?.into_iter().map(|one| (one.of.id, one.field)).collect();
    let now = face.now()?;
    let stands = |edit: &StoredEdit| {
        Ok(match edit.state {
            State::Refused => Stands::Refused,
            State::Held => Stands::Held,
            State::Parked => Stands::Parked,
            State::Queued => Stands::Queued,
            State::Contested if is_open(edit, &contested)? => Stands::Contested,
            State::Applied | State::Contested if is_doubtful(edit, now)? => Stands::Doubtful,
            State::Applied | State::Contested => Stands::Recorded,
        })
    };
    let mut stand = edits.iter().map(stands).collect::<Result<Vec<_>>>()?;
    for (edit, stands) in edits.iter().zip(&mut stand) {
        if *stands == Stands::Doubtful && is_taken_back(face, edit)? {
            *stands = Stands::Recorded;
        }
    }
    Ok(stand)
}

fn is_taken_back(face: &mut Face<'_>, edit: &StoredEdit) -> Result<bool> {
    let Some(unit) = about(&EditText::read(&edit.text)?) else { return Ok(false) };
    let events = face.handset.events(UnitId::from_uuid(unit))?;
    Ok(story::taken_back(&events).contains(&edit.record.to_string()))
}

/// Whether people still disagree about something that it set.
fn is_open(edit: &StoredEdit, contested: &BTreeSet<(Uuid, String)>) -> Result<bool> {
    let fields = merge::flatten(EditText::read(&edit.text)?.body, model::external::LISTS);
    Ok(fields.keys().any(|field| contested.contains(&(edit.record, field.clone()))))
}

/// Whether the service recorded it with a warning or a flag, not long ago by its own clock.
fn is_doubtful(edit: &StoredEdit, now: Instant) -> Result<bool> {
    let since = now.plus_seconds(-DOUBTS_FOR_DAYS * 24 * 3600);
    let Some(result) = edit.result.as_ref().filter(|_| edit.answered_at >= Some(since)) else {
        return Ok(false);
    };
    let told: Told = serde_json::from_str(result)?;
    Ok(!told.warnings.is_empty() || !told.flags.is_empty())
}

/// The answer first: whether somebody is needed.
fn heading(stands: &[Stands]) -> String {
    let count = |among: &[Stands]| stands.iter().filter(|stands| among.contains(stands)).count();
    let needs = count(&[Stands::Refused, Stands::Held, Stands::Contested]);
    match (needs, count(&[Stands::Parked, Stands::Queued])) {
        (0, 0) => "All that you entered is recorded.".to_owned(),
        (0, _) => "Nothing needs you.".to_owned(),
        (many, _) => needed(many),
    }
}

/// That somebody is needed.
pub(super) fn needed(many: usize) -> String {
    if many == 1 { "1 entry needs somebody.".to_owned() } else { format!("{many} entries need somebody.") }
}

/// The first words mostly say what the heading does; the others say why.
fn explain(page: &mut Page, edit: &StoredEdit, stands: Stands) -> Result<()> {
    let said = said(edit, stands)?;
    let skipped = usize::from(!matches!(stands, Stands::Refused | Stands::Contested));
    for words in said.iter().skip(skipped) {
        page.under(Tone::Quiet, words);
    }
    Ok(())
}

/// What is said of an edit; that it is contested, as long as it is.
fn said(edit: &StoredEdit, stands: Stands) -> Result<Vec<String>> {
    match &edit.result {
        Some(result) if edit.state == State::Contested && stands != Stands::Contested => {
            let told: Told = serde_json::from_str(result)?;
            Ok(words::told(&Told { result: "applied".to_owned(), contested: Vec::new(), ..told }))
        }
        _ => Ok(words::edit(edit)?),
    }
}

/// What an entry is called: its number, with which of the handset's numbers it was written under where that is not the last.
pub(super) fn number(edit: &StoredEdit, last: i64) -> String {
    let (place, number) = edit.at;
    if place == last { format!("#{number}") } else { format!("#{place}/{number}") }
}

/// The entry that is meant by its number, or its id.
pub(super) fn entry(face: &mut Face<'_>, given: &str) -> Result<StoredEdit> {
    let edits = face.handset.queue()?;
    let last = edits.last().map_or(0, |edit| edit.at.0);
    let asked = given.trim().trim_start_matches('#').to_lowercase();
    let is_meant = |edit: &StoredEdit| {
        number(edit, last).trim_start_matches('#') == asked || edit.id.to_string() == asked
    };
    let unknown = || Trouble::Unknown { what: "entry", given: given.to_owned() };
    Ok(edits.into_iter().find(is_meant).ok_or_else(unknown)?)
}

/// The unit or site that an edit is about.
pub(super) fn about(edit: &EditText) -> Option<Uuid> {
    let unit = || Uuid::try_parse(edit.body.get("unit_id")?.as_str()?).ok();
    edit.record_id.or_else(unit)
}

fn line(edit: &StoredEdit, stands: Stands) -> Result<Value> {
    let sent: Value = serde_json::from_str(&edit.text)?;
    Ok(json!({"id": edit.id, "state": edit.state.as_str(), "words": said(edit, stands)?, "edit": sent}))
}

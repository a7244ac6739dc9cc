//! `tag`: one that says a unit must not run was hung, or taken off.

use std::process::ExitCode;

use anyhow::Result;
use clap::Args;
use serde_json::{Value, json};
use uuid::Uuid;

use super::{
    Face, Trouble, cautions, describe,
    entry::{Common, insert, word, yes},
    find::{Named, tail, text},
    finding,
    story::{self, Happened},
};

#[derive(Args)]
pub(crate) struct Tag {
    /// The unit.
    unit: String,
    /// A tag was hung: out_of_service or locked_out.
    #[arg(long, num_args = 0..=1, default_missing_value = "", conflicts_with = "remove")]
    hang: Option<String>,
    /// A tag was taken off; its number in the list where there are several.
    #[arg(long, num_args = 0..=1, default_missing_value = "")]
    remove: Option<String>,
    /// Take it off without a question where another hung it.
    #[arg(long, requires = "remove")]
    yes: bool,
    #[command(flatten)]
    common: Common,
}

const TAGS: [&str; 2] = ["out_of_service", "locked_out"];

pub(crate) fn run(face: &mut Face<'_>, tag: &Tag) -> Result<ExitCode> {
    let unit = face.unit_to_write(&tag.unit)?;
    let mut page = face.page();
    cautions::put(&mut page, cautions::AT_A_TAG);
    face.show(&page)?;
    let members = match (&tag.hang, &tag.remove) {
        (_, Some(number)) => removed(face, &unit, number, tag.yes)?,
        (Some(says), _) => hung(face, says)?,
        (None, None) => {
            match face.choice(None, "--hang or --remove", "Which is it?", &["hung", "taken off"])? {
                0 => hung(face, "")?,
                _ => removed(face, &unit, "", false)?,
            }
        }
    };
    let event = face.event(&unit, &tag.common, members)?;
    let saved = face.save(&unit, event, &tag.common)?;
    let mut line = saved.line();
    insert(&mut line, "cautions", json!(cautions::told(cautions::AT_A_TAG)));
    face.say(&face.saved(&saved), [line])?;
    Ok(ExitCode::SUCCESS)
}

fn hung(face: &mut Face<'_>, says: &str) -> Result<Value> {
    let given = Some(says).filter(|says| !says.is_empty());
    let question = "What does it say: out of service, or locked out?";
    let tag = face.answer(given, "--hang", question, |text| word(text, &TAGS))?;
    Ok(json!({"kind": "tag", "action": "hung", "tag": tag}))
}

fn removed(face: &mut Face<'_>, unit: &Named, number: &str, sure: bool) -> Result<Value> {
    let story = face.story(unit.unit())?;
    let hung = finding::which(face, unit, &story::tags(&story), ("tag", "--remove"), number)?;
    ask_of_another(face, unit, hung, sure)?;
    Ok(json!({"kind": "tag", "action": "removed", "tag_id": hung.id, "unit_id": hung.unit()}))
}

/// Whoever takes off a tag that another hung says that they mean it.
fn ask_of_another(face: &mut Face<'_>, unit: &Named, hung: &Happened, sure: bool) -> Result<()> {
    let me = face.handset.device()?.person.uuid();
    let author = text(&hung.event, "author").and_then(|author| Uuid::try_parse(author).ok());
    let Some(other) = author.filter(|author| *author != me) else { return Ok(()) };
    let (now, zone) = (face.now()?, face.zone_at(Some(unit))?);
    let what = describe::event(&hung.event, now, &zone);
    let question = format!("Person …{} hung it: {what}. Take it off: yes or no?", tail(other));
    if face.answer(sure.then_some("yes"), "--yes", &question, yes)? {
        Ok(())
    } else {
        Err(Trouble::Stopped.into())
    }
}

//! `settle`: he decides between values, or gives a new one.

use std::process::ExitCode;

use anyhow::Result;
use clap::Args;
use handset::{Kind, Wish};
use model::{read, site::SiteFields, unit::UnitFields};
use serde_json::{Map, Value, json};

use super::{
    Face, Trouble,
    conflicts::{self, Conflict},
    describe,
    page::Tone,
};

#[derive(Args)]
pub(crate) struct Settle {
    /// The unit or site.
    of: String,
    /// The field.
    field: String,
    /// Which of its values, by its number in `conflicts`.
    number: Option<usize>,
    /// Another value.
    #[arg(long, conflicts_with = "number")]
    value: Option<String>,
}

pub(crate) fn run(face: &mut Face<'_>, settle: &Settle) -> Result<ExitCode> {
    let conflict = find(face, settle)?;
    let value = match &settle.value {
        Some(text) => as_the_others(text, &conflict),
        None => chosen(face, &conflict, settle.number)?,
    };
    let fields = merge::nest(Map::from_iter([(conflict.field.clone(), value.clone())]));
    check(conflict.kind, &fields)?;
    // What is settled is what was shown: all of it is seen.
    let view = face.handset.view(conflict.kind, conflict.of.id)?;
    let base = view.map(|view| view.base(&fields)).unwrap_or_default();
    let wish = Wish::Set { kind: conflict.kind, id: conflict.of.id, fields, base };
    let id = face.handset.write(&mut *face.around, wish).map_err(Trouble::NotSaved)?;
    let words = format!(
        "Saved: {}, {} is {}.",
        conflict.of.name,
        describe::words(&conflict.field),
        describe::value_of(&value)
    );
    let mut page = face.page();
    page.line(Tone::Good, &words);
    face.say(&page, [json!({"id": id, "field": conflict.field, "value": value, "words": words})])?;
    Ok(ExitCode::SUCCESS)
}

fn find(face: &mut Face<'_>, settle: &Settle) -> Result<Conflict> {
    let field = settle.field.trim().replace([' ', '-'], "_");
    let all = conflicts::all(face)?;
    let is_of = |kind| all.iter().any(|one| one.kind == kind && one.of.is_meant(&settle.of));
    let kind = if is_of(Kind::Site) && !is_of(Kind::Unit) { Kind::Site } else { Kind::Unit };
    let of = if kind == Kind::Site { face.site(&settle.of)? } else { face.unit_to_write(&settle.of)? };
    let found = all.into_iter().find(|one| one.of.id == of.id && one.field == field);
    found.ok_or_else(|| Trouble::Other(format!("Nobody disagrees about {field} of {}.", of.name)).into())
}

fn chosen(face: &mut Face<'_>, conflict: &Conflict, number: Option<usize>) -> Result<Value> {
    // A number is of a list that may have changed since it was looked at: both values are seen before one is taken.
    let mut page = face.page();
    conflicts::put(face, &mut page, conflict)?;
    face.show(&page)?;
    let of = conflict.rivals.len();
    let number = number.map(|number| number.to_string());
    let place =
        face.answer(number.as_deref(), "NUMBER", "Which one holds?", |text| super::ask::number(text, of))?;
    let rival = conflict.rivals.get(place);
    Ok(rival.and_then(|rival| rival.told.get("value")).cloned().unwrap_or_default())
}

/// A value as those are that it takes the place of: a number where they are numbers.
fn as_the_others(text: &str, conflict: &Conflict) -> Value {
    let is_text = |rival: &handset::Rival| rival.told.get("value").is_some_and(Value::is_string);
    if conflict.rivals.iter().any(is_text) {
        return json!(text);
    }
    match text {
        "yes" => json!(true),
        "no" => json!(false),
        _ => serde_json::from_str(text).unwrap_or_else(|_| json!(text)),
    }
}

fn check(kind: Kind, fields: &Map<String, Value>) -> Result<(), Trouble> {
    let body = Value::Object(fields.clone());
    let errors = match kind {
        Kind::Unit => read::whole(&body, read::Mode::Patch, UnitFields::read).err(),
        Kind::Site => read::whole(&body, read::Mode::Patch, SiteFields::read).err(),
    };
    let said = errors.into_iter().flatten().map(|error| error.detail).collect::<Vec<_>>();
    if said.is_empty() {
        Ok(())
    } else {
        Err(Trouble::Other(format!("Nothing was saved. {}", said.join(" "))))
    }
}

//! `conflicts`: fields that two people set without knowing of each other, both values side by side.

use std::process::ExitCode;

use anyhow::Result;
use handset::{Kind, Rival};
use model::{Instant, Zone};
use serde_json::{Value, json};
use uuid::Uuid;

use super::{
    Face, describe,
    find::{Named, tail},
    page::{Page, Tone},
    when,
};

/// A field with the values that people gave it.
pub(super) struct Conflict {
    pub(super) kind: Kind,
    pub(super) of: Named,
    pub(super) field: String,
    pub(super) rivals: Vec<Rival>,
    /// The value that shows until somebody settles it.
    pub(super) shows: Value,
}

pub(crate) fn run(face: &mut Face<'_>) -> Result<ExitCode> {
    let all = all(face)?;
    let mut page = face.page();
    let heading = match all.len() {
        0 => "Nobody disagrees.".to_owned(),
        1 => "1 field is contested.".to_owned(),
        many => format!("{many} fields are contested."),
    };
    page.title(&heading);
    page.line(Tone::Quiet, &face.as_of()?);
    for conflict in &all {
        put(face, &mut page, conflict)?;
        page.under(Tone::Quiet, &format!("Then: settle \"{}\" {} NUMBER", conflict.of.name, conflict.field));
    }
    face.say(&page, all.iter().map(Conflict::line).collect::<Vec<_>>())?;
    Ok(ExitCode::SUCCESS)
}

/// All that is contested in what he sees.
pub(super) fn all(face: &mut Face<'_>) -> Result<Vec<Conflict>> {
    let mut found = Vec::new();
    for (kind, records) in [(Kind::Site, face.sites()?), (Kind::Unit, face.units()?)] {
        for of in records {
            let Some(view) = face.handset.view(kind, of.id)? else { continue };
            let values = merge::flatten(view.fields(), model::external::LISTS);
            found.extend(view.contested().map(|(field, rivals)| Conflict {
                kind,
                of: of.clone(),
                field: field.to_owned(),
                rivals: rivals.to_vec(),
                shows: values.get(field).cloned().unwrap_or_default(),
            }));
        }
    }
    Ok(found)
}

/// Puts both values on a page, each with who gave it and when.
pub(super) fn put(face: &mut Face<'_>, page: &mut Page, conflict: &Conflict) -> Result<()> {
    let (me, now, zone) =
        (face.handset.device()?.person.uuid(), face.now()?, face.zone_at(Some(&conflict.of))?);
    page.title(&format!("{}: {}", conflict.of.name, describe::words(&conflict.field)));
    for (number, rival) in (1..).zip(&conflict.rivals) {
        let value = rival.told.get("value").unwrap_or(&Value::Null);
        let shows = if *value == conflict.shows { " (shows now)" } else { "" };
        page.item(&number.to_string(), Tone::Warning, &format!("{}{shows}", describe::value_of(value)));
        page.under(Tone::Quiet, &who_and_when(&rival.told, me, now, &zone));
    }
    Ok(())
}

/// Names of people are not told to handsets.
fn who_and_when(told: &Value, me: Uuid, now: Instant, zone: &Zone) -> String {
    let text = |name: &str| told.get(name).and_then(Value::as_str);
    let who = match text("author").and_then(|author| Uuid::try_parse(author).ok()) {
        Some(author) if author == me => "you".to_owned(),
        Some(author) => format!("person …{}", tail(author)),
        None => "somebody".to_owned(),
    };
    let at = text("at").and_then(|at| Instant::parse(at).ok());
    at.map_or_else(|| who.clone(), |at| format!("{who}, {}", when::shown(at, now, zone)))
}

impl Conflict {
    /// The same for scripts.
    pub(super) fn line(&self) -> Value {
        let values: Vec<&Value> = self.rivals.iter().map(|rival| &rival.told).collect();
        json!({"kind": self.kind.as_str(), "id": self.of.id, "name": self.of.name, "field": self.field,
            "shows": self.shows, "values": values})
    }
}

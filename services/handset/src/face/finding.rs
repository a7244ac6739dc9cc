//! `finding`: something is wrong with a unit, or is so no more.

use std::process::ExitCode;

use anyhow::Result;
use clap::Args;
use serde_json::{Value, json};

use super::{
    Face, Trouble, describe,
    entry::{Common, word},
    find::Named,
    page::Tone,
    story::{self, Happened},
};

#[derive(Args)]
pub(crate) struct Finding {
    /// The unit.
    unit: String,
    /// What is wrong, in words.
    words: Option<String>,
    /// How grave: minor, major, or critical (it must not be relied on).
    #[arg(long)]
    severity: Option<String>,
    /// What, by code, such as fuel_leak.
    #[arg(long)]
    code: Option<String>,
    /// One that was open has been put right; its number in the list where there are several.
    #[arg(long, num_args = 0..=1, default_missing_value = "", conflicts_with_all = ["words", "severity", "code"])]
    close: Option<String>,
    #[command(flatten)]
    common: Common,
}

const SEVERITIES: [&str; 3] = ["minor", "major", "critical"];

pub(crate) fn run(face: &mut Face<'_>, finding: &Finding) -> Result<ExitCode> {
    let unit = face.unit_to_write(&finding.unit)?;
    let members = match &finding.close {
        Some(number) => closed(face, &unit, number)?,
        None => opened(face, finding)?,
    };
    let is_critical = members.get("severity").is_some_and(|severity| severity == "critical");
    let event = face.event(&unit, &finding.common, members)?;
    let saved = face.save(&unit, event, &finding.common)?;
    let mut page = face.saved(&saved);
    if is_critical {
        page.item("!", Tone::Alarm, &format!("If it must not run, hang a tag: tag \"{}\" --hang", unit.name));
    }
    face.say(&page, [saved.line()])?;
    Ok(ExitCode::SUCCESS)
}

fn opened(face: &mut Face<'_>, finding: &Finding) -> Result<Value> {
    let words =
        face.answer_if_any(finding.words.as_deref(), "WORDS", "What is wrong?", |text| Ok(text.to_owned()))?;
    let question = "How grave: minor, major, critical?";
    let severity =
        face.answer(finding.severity.as_deref(), "--severity", question, |text| word(text, &SEVERITIES))?;
    Ok(
        json!({"kind": "finding", "action": "opened", "severity": severity, "finding": finding.code, "note": words}),
    )
}

fn closed(face: &mut Face<'_>, unit: &Named, number: &str) -> Result<Value> {
    let story = face.story(unit.unit())?;
    let found = which(face, unit, &story::findings(&story), ("finding", "--close"), number)?;
    Ok(json!({"kind": "finding", "action": "closed", "finding_id": found.id, "unit_id": found.unit()}))
}

/// Which of those that are open; the only one without a question.
pub(super) fn which<'s>(
    face: &mut Face<'_>,
    unit: &Named,
    open: &[&'s Happened],
    (what, flag): (&str, &str),
    number: &str,
) -> Result<&'s Happened> {
    let (now, zone) = (face.now()?, face.zone_at(Some(unit))?);
    let names: Vec<String> =
        open.iter().map(|happened| describe::event(&happened.event, now, &zone)).collect();
    let among: Vec<&str> = names.iter().map(String::as_str).collect();
    let place = match (open.len(), number.trim()) {
        (0, _) => {
            return Err(
                Trouble::Other(format!("No {what} of {} is open. Nothing was saved.", unit.name)).into()
            );
        }
        (1, "") => 0,
        (_, "") => face.choice(None, flag, "Which one?", &among)?,
        (of, number) => face.answer(Some(number), flag, "", |text| super::ask::number(text, of))?,
    };
    Ok(open.get(place).copied().ok_or(Trouble::Stopped)?)
}

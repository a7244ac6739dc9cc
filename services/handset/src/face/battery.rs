//! `battery`: the starting battery was checked, replaced, or put on a maintainer or taken off it.

use std::process::ExitCode;

use anyhow::Result;
use clap::Args;
use serde_json::{Value, json};

use super::{
    Face, cautions,
    entry::{Common, hours, insert, number, sent, word, yes},
};

#[derive(Args)]
pub(crate) struct Battery {
    /// The unit.
    unit: String,
    /// Its voltage without load.
    #[arg(long)]
    volts: Option<String>,
    /// How long it had rested, in hours.
    #[arg(long, requires = "volts")]
    rested: Option<String>,
    /// Its voltage at the end of a test under load.
    #[arg(long)]
    load_volts: Option<String>,
    /// All in all: passed or failed.
    #[arg(long)]
    result: Option<String>,
    /// Whether it is on a maintainer from now on: yes or no.
    #[arg(long)]
    maintainer: Option<String>,
    /// A new one was fitted.
    #[arg(long)]
    replaced: bool,
    #[command(flatten)]
    common: Common,
}

const RESULTS: [&str; 2] = ["passed", "failed"];

pub(crate) fn run(face: &mut Face<'_>, battery: &Battery) -> Result<ExitCode> {
    let unit = face.unit_to_write(&battery.unit)?;
    let mut page = face.page();
    let heeded = cautions::Heeded::put(face, &mut page, &unit, cautions::AT_THE_BATTERY)?;
    face.show(&page)?;
    let members = if battery.is_said() { said(face, battery)? } else { asked(face)? };
    let event = face.event(&unit, &battery.common, members)?;
    let saved = face.save(&unit, event, &battery.common)?;
    let mut line = saved.line();
    heeded.tell(&mut line);
    face.say(&face.saved(&saved), [line])?;
    Ok(ExitCode::SUCCESS)
}

impl Battery {
    fn is_said(&self) -> bool {
        self.replaced
            || [&self.volts, &self.load_volts, &self.result, &self.maintainer]
                .iter()
                .any(|given| given.is_some())
    }
}

/// What the flags say; nothing more is asked.
fn said(face: &mut Face<'_>, battery: &Battery) -> Result<Value> {
    let mut members = json!({"kind": "battery"});
    if let Some(volts) = &battery.volts {
        insert(&mut members, "volts", face.answer(Some(volts), "--volts", "", number)?);
    }
    if let Some(rested) = &battery.rested {
        insert(&mut members, "rested_hours", sent(face.answer(Some(rested), "--rested", "", hours)?));
    }
    if let Some(volts) = &battery.load_volts {
        insert(
            &mut members,
            "load_test",
            json!({"volts": face.answer(Some(volts), "--load-volts", "", number)?}),
        );
    }
    if let Some(result) = &battery.result {
        insert(
            &mut members,
            "result",
            json!(face.answer(Some(result), "--result", "", |text| word(text, &RESULTS))?),
        );
    }
    if let Some(on) = &battery.maintainer {
        insert(&mut members, "on_maintainer", json!(face.answer(Some(on), "--maintainer", "", yes)?));
    }
    if battery.replaced {
        insert(&mut members, "replaced", json!(true));
    }
    Ok(members)
}

fn asked(face: &mut Face<'_>) -> Result<Value> {
    let mut members = json!({"kind": "battery"});
    let volts = face.answer_if_any(None, "--volts", "Volts without load?", number)?;
    if volts.is_some() {
        let rested = face.answer_if_any(None, "--rested", "Hours it has rested?", hours)?;
        insert(&mut members, "rested_hours", json!(rested.map(sent)));
    }
    insert(&mut members, "volts", json!(volts));
    let needed = "--volts, --result, --load-volts, --maintainer or --replaced";
    let result = |text: &str| word(text, &RESULTS);
    insert(
        &mut members,
        "result",
        json!(face.answer(None, needed, "All in all: passed or failed?", result)?),
    );
    Ok(members)
}

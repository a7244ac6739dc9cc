//! `run`: an engine was started, stopped, or ran.

use std::process::ExitCode;

use anyhow::Result;
use clap::Args;
use serde_json::{Value, json};

use super::{
    Face, Trouble, cautions,
    entry::{Common, hours, insert, number, sent, word},
    find::Named,
    meter::Doubtful,
    page::Tone,
    story, when,
};

#[derive(Args)]
pub(crate) struct Run {
    /// The unit.
    unit: String,
    /// It was started.
    #[arg(long, group = "phase")]
    start: bool,
    /// It was stopped.
    #[arg(long, group = "phase")]
    stop: bool,
    /// It was to start, and did not.
    #[arg(long, group = "phase")]
    no_start: bool,
    /// It ran from then, such as 8:00; with --to or --hours.
    #[arg(long, group = "phase", conflicts_with = "when")]
    from: Option<String>,
    /// Until then.
    #[arg(long, requires = "from", conflicts_with = "hours")]
    to: Option<String>,
    /// For so long: 1.5, or 1:30.
    #[arg(long, requires = "from")]
    hours: Option<String>,
    /// What for: emergency, test, maintenance or other.
    #[arg(long)]
    reason: Option<String>,
    /// What it carried, in kilowatts.
    #[arg(long, conflicts_with = "load_percent")]
    load_kw: Option<String>,
    /// What it carried, in percent of its rating.
    #[arg(long)]
    load_percent: Option<String>,
    /// What the meter shows at the end, or at the start where that is told alone.
    #[arg(long, conflicts_with = "hours")]
    meter: Option<String>,
    #[command(flatten)]
    doubtful: Doubtful,
    #[command(flatten)]
    common: Common,
}

impl Run {
    fn load(&self) -> [(&'static str, bool); 2] {
        [("--load-kw", self.load_kw.is_some()), ("--load-percent", self.load_percent.is_some())]
    }
}

const REASONS: [&str; 4] = ["emergency", "test", "maintenance", "other"];

/// What is told of it.
#[derive(Clone, Copy, PartialEq, Eq)]
enum Phase {
    Start,
    Stop,
    NoStart,
    Whole,
}

pub(crate) fn run(face: &mut Face<'_>, run: Run) -> Result<ExitCode> {
    let unit = face.unit_to_write(&run.unit)?;
    let phase = phase(face, &run)?;
    belongs(&run, phase)?;
    let runs = if matches!(phase, Phase::Start | Phase::Whole) { cautions::RUNNING } else { &[] };
    let mut page = face.page();
    let heeded = cautions::Heeded::put(face, &mut page, &unit, runs)?;
    face.show(&page)?;
    let mut common = run.common;
    let members = match phase {
        Phase::Start => json!({"phase": "start", "reason": reason(face, run.reason.as_deref())?}),
        Phase::NoStart => json!({"phase": "no_start", "reason": reason(face, run.reason.as_deref())?}),
        Phase::Stop => stopped(face, &unit)?,
        Phase::Whole => {
            let (from, end) = whole(face, &unit, [run.from, run.to, run.hours])?;
            common.happened(from);
            let mut members = end;
            insert(&mut members, "reason", reason(face, run.reason.as_deref())?);
            members
        }
    };
    let mut members = members;
    if matches!(phase, Phase::Stop | Phase::Whole) {
        load(face, &mut members, run.load_kw.as_deref(), run.load_percent.as_deref())?;
    }
    insert(&mut members, "kind", json!("run"));
    let mut event = face.event(&unit, &common, members)?;
    if let Some(meter) = &run.meter {
        let meter = face.answer(Some(meter), "--meter", "", hours)?;
        let looked = face.looked_at(&unit, &event, meter, &run.doubtful, false)?;
        let member = if event.contains_key("stopped_at") { "stop_meter_hours" } else { "meter_hours" };
        event.insert(member.to_owned(), sent(looked.hours));
    }
    let saved = face.save(&unit, event, &common)?;
    let mut page = face.saved(&saved);
    if phase == Phase::Start {
        page.line(Tone::Plain, &format!("When it stops: run \"{}\" --stop", unit.name));
    }
    let mut line = saved.line();
    heeded.tell(&mut line);
    face.say(&page, [line])?;
    Ok(ExitCode::SUCCESS)
}

fn phase(face: &mut Face<'_>, run: &Run) -> Result<Phase> {
    Ok(match (run.start, run.stop, run.no_start, &run.from) {
        (true, ..) => Phase::Start,
        (_, true, ..) => Phase::Stop,
        (_, _, true, _) => Phase::NoStart,
        (.., Some(_)) => Phase::Whole,
        _ => {
            let among = ["it is started now", "it stops now", "it ran, and stopped", "it did not start"];
            let flags = "--start, --stop, --no-start or --from";
            match face.choice(None, flags, "Which is it?", &among)? {
                0 => Phase::Start,
                1 => Phase::Stop,
                2 => Phase::Whole,
                _ => Phase::NoStart,
            }
        }
    })
}

/// Refuses what would be said of another phase.
fn belongs(run: &Run, phase: Phase) -> Result<(), Trouble> {
    let (told, with) = match phase {
        Phase::Whole => return Ok(()),
        Phase::Stop => ([("--reason", run.reason.is_some()), ("", false)], "--stop"),
        Phase::Start => (run.load(), "--start"),
        Phase::NoStart => (run.load(), "--no-start"),
    };
    told.into_iter().try_for_each(|(flag, is_given)| Trouble::if_given(is_given, flag, with))
}

fn reason(face: &mut Face<'_>, given: Option<&str>) -> Result<Value> {
    let question = "What for: emergency, test, maintenance, other?";
    Ok(json!(face.answer_if_any(given, "--reason", question, |text| word(text, &REASONS))?))
}

/// The run stops that was started.
fn stopped(face: &mut Face<'_>, unit: &Named) -> Result<Value> {
    let story = face.story(unit.unit())?;
    match story::runs(&story).last() {
        Some(run) => Ok(json!({"phase": "stop", "run_id": run.id, "unit_id": run.unit()})),
        None => {
            let words = format!(
                "No run of {} is open. Say when it ran: run \"{}\" --from 8:00 --to 9:30",
                unit.name, unit.name
            );
            Err(Trouble::Other(words).into())
        }
    }
}

/// When it began, and how it ended.
fn whole(face: &mut Face<'_>, unit: &Named, given: [Option<String>; 3]) -> Result<(String, Value)> {
    let [from, to, for_hours] = given;
    let (now, zone) = (face.now()?, face.zone_at(Some(unit))?);
    let read = |text: &str| when::instant(text.trim(), now, &zone).map(|(instant, _)| instant);
    let from = face.answer(from.as_deref(), "--from", "From when, such as 8:00?", read)?;
    let from = when::written(from, &zone);
    if for_hours.is_some() {
        let ran = face.answer(for_hours.as_deref(), "--hours", "", hours)?;
        return Ok((from, json!({"run_hours": sent(ran)})));
    }
    let to = face.answer(to.as_deref(), "--to", "Until when?", read)?;
    Ok((from, json!({"stopped_at": when::written(to, &zone)})))
}

fn load(face: &mut Face<'_>, members: &mut Value, kw: Option<&str>, percent: Option<&str>) -> Result<()> {
    if let Some(percent) = percent {
        let percent = face.answer(Some(percent), "--load-percent", "", number)?;
        insert(members, "load_percent", percent);
        return Ok(());
    }
    if let Some(kw) = face.answer_if_any(kw, "--load-kw", "How much load, in kW?", number)? {
        insert(members, "load_kw", kw);
    }
    Ok(())
}

//! `service`: the tasks of a unit's schedules, what is due first; ticked, with what each takes and what to beware of.

mod choice;
mod said;
mod takes;
mod tick;

use std::process::ExitCode;

use anyhow::Result;
use clap::Args;
use device::{DeviceItem, Include};
use serde_json::json;

use super::{
    Face,
    entry::{Common, hours, insert, number, sent},
    find::Named,
    meter::Doubtful,
    task::{self, Pressing},
};

#[derive(Args)]
pub(crate) struct Service {
    /// The unit.
    unit: String,
    /// The list only; nothing is entered.
    #[arg(long)]
    list: bool,
    /// What was done, by numbers of the list: 1,3. With f behind it, a check that it did not pass: 3f. For a terminal only:
    /// the list is sorted anew each time.
    #[arg(long, conflicts_with_all = ["job", "failed"])]
    tick: Option<String>,
    /// A job that was done, by code, such as oil_change; as often as there are jobs.
    #[arg(long)]
    job: Vec<String>,
    /// A job that was done and did not pass, by code; as often as there are some.
    #[arg(long)]
    failed: Vec<String>,
    /// Its jobs may be on no schedule of the unit.
    #[arg(long)]
    unlisted: bool,
    /// The parts of the list were used, as many as it says: yes or no.
    #[arg(long)]
    parts_as_listed: Option<String>,
    /// What the meter shows.
    #[arg(long)]
    meter: Option<String>,
    #[command(flatten)]
    doubtful: Doubtful,
    /// Engine oil that was added, in litres.
    #[arg(long)]
    oil_added: Option<String>,
    /// Who says what is to be heeded.
    #[arg(long)]
    sources: bool,
    #[command(flatten)]
    common: Common,
}

impl Service {
    /// The codes that are named.
    fn named(&self) -> Vec<&str> {
        self.job.iter().chain(&self.failed).map(String::as_str).collect()
    }

    fn has_passed(&self, job: &str) -> bool {
        !self.failed.iter().any(|failed| failed == job)
    }
}

pub(crate) fn run(face: &mut Face<'_>, service: &Service) -> Result<ExitCode> {
    let unit = face.unit_to_write(&service.unit)?;
    let items = items(face, &unit)?;
    if service.list {
        let page = tick::list(face, &unit, &items, true);
        let lines = items.iter().map(serde_json::to_value).collect::<Result<Vec<_>, _>>()?;
        face.say(&page, lines)?;
        return Ok(ExitCode::SUCCESS);
    }
    let (ticked, heeded) = choice::ticked(face, service, &unit, &items)?;
    let jobs = takes::jobs(face, service, &ticked)?;
    let mut members = json!({"kind": "service", "jobs": jobs});
    if let Some(oil) = &service.oil_added {
        insert(&mut members, "oil_added_litres", face.answer(Some(oil), "--oil-added", "", number)?);
    }
    let question = "What does the meter show?";
    let meter = face.answer_if_any(service.meter.as_deref(), "--meter", question, hours)?;
    let mut event = face.event(&unit, &service.common, members)?;
    if let Some(meter) = meter {
        let looked = face.looked_at(&unit, &event, meter, &service.doubtful, false)?;
        event.insert("meter_hours".to_owned(), sent(looked.hours));
    }
    let saved = face.save(&unit, event, &service.common)?;
    said::said(face, &unit, &items, &saved, heeded)
}

/// The tasks that are for the unit, the most pressing first.
fn items(face: &mut Face<'_>, unit: &Named) -> Result<Vec<DeviceItem>> {
    let (now, records) = (face.now()?, face.records()?);
    let due = records.due(unit.unit(), now, Include::default());
    let mut items = due.and_then(|due| due.known).map(|known| known.items).unwrap_or_default();
    items.retain(|item| Pressing::of(item) != Pressing::Never);
    items.sort_by_key(task::order);
    Ok(items)
}

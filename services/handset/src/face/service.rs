//! `service`: the tasks of a unit's schedules, what is due first; ticked, with what each takes and what to beware of.

use std::{collections::BTreeSet, process::ExitCode};

use anyhow::Result;
use clap::Args;
use device::{DeviceItem, Include, each_once};
use interval::DueState;
use model::{Code, schedule::Caution};
use serde_json::{Value, json};

use super::{
    Face, Trouble,
    cautions::{self, Heeded},
    entry::{Common, Saved, insert, number, sent},
    find::Named,
    meter::Doubtful,
    page::{Page, Tone},
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

/// So many codes are told where one is on no schedule.
const NEAREST: usize = 3;

/// A task that was ticked.
struct Ticked<'i> {
    /// Its number in the list that was shown.
    number: usize,
    item: &'i DeviceItem,
    passed: bool,
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
    let (now, records) = (face.now()?, face.records()?);
    let due = records.due(unit.unit(), now, Include::default());
    let mut items: Vec<DeviceItem> =
        due.and_then(|due| due.known).map(|known| known.items).unwrap_or_default();
    items.retain(|item| Pressing::of(item) != Pressing::Never);
    items.sort_by_key(task::order);
    if service.list {
        let page = list(face, &unit, &items, true);
        face.say(
            &page,
            items
                .iter()
                .map(|item| serde_json::to_value(item).map_err(Into::into))
                .collect::<Result<Vec<_>>>()?,
        )?;
        return Ok(ExitCode::SUCCESS);
    }
    let (ticked, heeded) = ticked(face, service, &unit, &items)?;
    let jobs = jobs(face, service, &ticked)?;
    let mut members = json!({"kind": "service", "jobs": jobs});
    if let Some(oil) = &service.oil_added {
        insert(&mut members, "oil_added_litres", face.answer(Some(oil), "--oil-added", "", number)?);
    }
    let meter = face.answer_if_any(
        service.meter.as_deref(),
        "--meter",
        "What does the meter show?",
        super::entry::hours,
    )?;
    let mut event = face.event(&unit, &service.common, members)?;
    if let Some(meter) = meter {
        let looked = face.looked_at(&unit, &event, meter, &service.doubtful, false)?;
        event.insert("meter_hours".to_owned(), sent(looked.hours));
    }
    let saved = face.save(&unit, event, &service.common)?;
    said(face, &unit, &items, &saved, heeded)
}

/// The list to tick from, with the codes of its jobs where nothing is ticked.
fn list(face: &Face<'_>, unit: &Named, items: &[DeviceItem], codes: bool) -> Page {
    let mut page = face.page();
    page.title(&unit.name);
    if items.is_empty() {
        page.line(Tone::Plain, "No schedule holds for it. Say what was done: --job CODE");
    }
    for (number, item) in (1..).zip(items) {
        let (_, tone) = Pressing::of(item).shown();
        page.item(&number.to_string(), tone, &format!("{}: {}", item.due.item.title, task::standing(item)));
        if codes {
            page.under(Tone::Quiet, &format!("--job {}", item.due.item.job));
        }
    }
    page
}

/// Which tasks were done: those that numbers or codes name.
fn ticked<'i>(
    face: &mut Face<'_>,
    service: &Service,
    unit: &Named,
    items: &'i [DeviceItem],
) -> Result<(Vec<Ticked<'i>>, Heeded)> {
    let named = service.named();
    if !named.is_empty() {
        known(service, unit, items)?;
        let is_named = |item: &&DeviceItem| named.iter().any(|job| *job == item.due.item.job.as_str());
        let ticked: Vec<Ticked<'_>> = (1..)
            .zip(items.iter().filter(is_named))
            .map(|(number, item)| Ticked {
                number,
                item,
                passed: service.has_passed(item.due.item.job.as_str()),
            })
            .collect();
        let heeded = heed(face, unit, &ticked, service.sources)?;
        return Ok((ticked, heeded));
    }
    if items.is_empty() {
        return Err(Trouble::Missing {
            flag: "--job".to_owned(),
            question: "what was done; no schedule holds for it.".to_owned(),
        }
        .into());
    }
    if !face.asks && service.tick.is_some() {
        let why =
            "The numbers are of a list that is sorted anew each time. Say --job CODE, or --failed CODE.";
        return Err(Trouble::Unreadable { flag: "--tick".to_owned(), why: why.to_owned() }.into());
    }
    if face.asks && service.tick.is_none() {
        let page = list(face, unit, items, false);
        face.show(&page)?;
    }
    let question = "Which will you do? Numbers, such as 1 3.";
    let places =
        face.answer(service.tick.as_deref(), "--job or --failed", question, |text| ticks(text, items.len()))?;
    let found = places
        .into_iter()
        .filter_map(|(place, passed)| Some(Ticked { number: place + 1, item: items.get(place)?, passed }));
    let ticked: Vec<Ticked<'_>> = found.collect();
    let heeded = heed(face, unit, &ticked, service.sources)?;
    if face.asks && service.tick.is_none() {
        return Ok((done(face, ticked)?, heeded));
    }
    Ok((ticked, heeded))
}

/// Refuses a code that no schedule of the unit has: it is a slip more often than not.
fn known(service: &Service, unit: &Named, items: &[DeviceItem]) -> Result<(), Trouble> {
    let codes: BTreeSet<&str> = items.iter().map(|item| item.due.item.job.as_str()).collect();
    let other = service.named().into_iter().find(|job| !codes.contains(job));
    let Some(other) = other.filter(|_| !service.unlisted && !codes.is_empty()) else { return Ok(()) };
    let mut near: Vec<&str> = codes.into_iter().collect();
    near.sort_by_key(|code| strsim::damerau_levenshtein(code, other));
    near.truncate(NEAREST);
    let why = format!(
        "{other} is on no schedule of {}. Nearest: {}. If it is right: --unlisted.",
        unit.name,
        near.join(", ")
    );
    Err(Trouble::Unreadable { flag: "--job".to_owned(), why })
}

/// When the work is through: what did not pass, said again by its title.
fn done<'i>(face: &mut Face<'_>, mut ticked: Vec<Ticked<'i>>) -> Result<Vec<Ticked<'i>>> {
    let known: Vec<usize> = ticked.iter().map(|ticked| ticked.number).collect();
    let question = "When it is done: which did NOT pass? Numbers as above.";
    let failed = face.answer_if_any(None, "--tick", question, |text| among(text, &known))?;
    let failed = failed.unwrap_or_default();
    let mut page = face.page();
    for ticked in ticked.iter_mut().filter(|ticked| failed.contains(&ticked.number)) {
        ticked.passed = false;
        page.item("!", Tone::Warning, &format!("{} (failed)", ticked.item.due.item.title));
    }
    face.show(&page)?;
    Ok(ticked)
}

/// Numbers of those that were ticked.
fn among(text: &str, known: &[usize]) -> Result<Vec<usize>, String> {
    let most = known.iter().copied().max().unwrap_or_default();
    let known_ones = || known.iter().map(usize::to_string).collect::<Vec<_>>().join(" ");
    let numbers: Vec<usize> = ticks(text, most)
        .map_err(|_| format!("Type some of: {}.", known_ones()))?
        .into_iter()
        .map(|(place, _)| place + 1)
        .collect();
    match numbers.iter().find(|number| !known.contains(number)) {
        Some(other) => Err(format!("{other} is not among them. Type some of: {}.", known_ones())),
        None => Ok(numbers),
    }
}

/// Numbers of a list as places, each with whether it passed.
fn ticks(text: &str, of: usize) -> Result<Vec<(usize, bool)>, String> {
    let mut found: Vec<(usize, bool)> = Vec::new();
    for word in text.split([',', ' ']).filter(|word| !word.is_empty()) {
        let (number, passed) = word.strip_suffix('f').map_or((word, true), |number| (number, false));
        let place = super::ask::number(number, of)?;
        if !found.iter().any(|(known, _)| *known == place) {
            found.push((place, passed));
        }
    }
    if found.is_empty() { Err(format!("Type numbers from 1 to {of}, such as 1 3.")) } else { Ok(found) }
}

/// What the work takes, and what can hurt: shown before it is done.
fn heed(face: &mut Face<'_>, unit: &Named, ticked: &[Ticked<'_>], sources: bool) -> Result<Heeded> {
    let mut page = face.page();
    let said = each_once(ticked.iter().flat_map(|ticked| &ticked.item.due.cautions));
    let mut heeded = Heeded::put(face, &mut page, unit, &beside(&said))?;
    heeded.add(&mut page, &said, sources);
    for Ticked { number, item, .. } in ticked {
        page.title(&format!("{number} {}", item.due.item.title));
        task::put(&mut page, &item.due.parts, &item.due.settings);
    }
    face.show(&page)?;
    Ok(heeded)
}

/// What is always said at work, but for what the schedule says itself.
fn beside(said: &[Caution]) -> Vec<standby::caution::Caution> {
    let is_said = |caution: &standby::caution::Caution| {
        said.iter().any(|said| said.caution.as_str() == caution.caution)
    };
    cautions::AT_WORK.iter().filter(|caution| !is_said(caution)).cloned().collect()
}

/// The jobs as they are recorded, each once.
fn jobs(face: &mut Face<'_>, service: &Service, ticked: &[Ticked<'_>]) -> Result<Vec<Value>> {
    let takes_parts = ticked.iter().any(|ticked| !ticked.item.due.parts.is_empty());
    let as_listed = if takes_parts || service.parts_as_listed.is_some() {
        let question = "Were the parts used as listed? yes or no";
        face.answer_if_any(
            service.parts_as_listed.as_deref(),
            "--parts-as-listed",
            question,
            super::entry::yes,
        )?
    } else {
        None
    };
    let mut jobs: Vec<Value> = Vec::new();
    let mut named = BTreeSet::new();
    for Ticked { item, passed, .. } in ticked {
        if !named.insert(item.due.item.job.as_str().to_owned()) {
            continue;
        }
        let mut job = json!({"job": item.due.item.job});
        if !passed {
            insert(&mut job, "result", json!("failed"));
        }
        if as_listed == Some(true) && !item.due.parts.is_empty() {
            insert(&mut job, "parts", json!(item.due.parts));
        }
        jobs.push(job);
    }
    for code in service.named() {
        if !named.insert(code.to_owned()) {
            continue;
        }
        let parsed = Code::parse(code)
            .map_err(|flaw| Trouble::Unreadable { flag: "--job".to_owned(), why: flaw.detail })?;
        let mut job = json!({"job": parsed});
        if !service.has_passed(code) {
            insert(&mut job, "result", json!("failed"));
        }
        jobs.push(job);
    }
    Ok(jobs)
}

/// What was saved, what was left out, and what is due next.
fn said(
    face: &mut Face<'_>,
    unit: &Named,
    before: &[DeviceItem],
    saved: &Saved,
    heeded: Heeded,
) -> Result<ExitCode> {
    let (now, records) = (face.now()?, face.records()?);
    let due = records.due(unit.unit(), now, Include::default());
    let mut after: Vec<DeviceItem> =
        due.and_then(|due| due.known).map(|known| known.items).unwrap_or_default();
    after.sort_by_key(task::order);
    let was_open = |item: &&DeviceItem| {
        let same = |other: &&DeviceItem| {
            (other.due.item.schedule_id, &other.due.item.task)
                == (item.due.item.schedule_id, &item.due.item.task)
        };
        Pressing::of(item) <= Pressing::Unknown
            && before.iter().find(same).is_some_and(|item| Pressing::of(item) <= Pressing::Unknown)
    };
    let left: Vec<&DeviceItem> = after.iter().filter(was_open).collect();
    let next = after
        .iter()
        .filter(|item| item.due.item.state == DueState::Ok)
        .min_by_key(|item| item.due.item.due_at);
    let mut page = face.saved(saved);
    put_left(&mut page, &left);
    if let Some(next) = next {
        page.line(Tone::Plain, &format!("Next: {}, {}", next.due.item.title, task::standing(next)));
        if let Some(limit) = task::limit(&next.due.item) {
            page.under(Tone::Quiet, &format!("at {limit}"));
        }
    }
    let mut line = saved.line();
    insert(&mut line, "left", json!(left));
    insert(&mut line, "next", json!(next));
    heeded.tell(&mut line);
    face.say(&page, [line])?;
    Ok(ExitCode::SUCCESS)
}

/// What was left out; what was never recorded in one line.
fn put_left(page: &mut Page, left: &[&DeviceItem]) {
    let (unknown, due): (Vec<&&DeviceItem>, Vec<&&DeviceItem>) =
        left.iter().partition(|item| Pressing::of(item) == Pressing::Unknown);
    for item in due {
        let (mark, tone) = Pressing::of(item).shown();
        page.item(mark, tone, &format!("Left: {}, {}", item.due.item.title, task::standing(item)));
    }
    let titles: Vec<String> = unknown.iter().map(|item| item.due.item.title.to_string()).collect();
    if !titles.is_empty() {
        page.item("?", Tone::Warning, &format!("Left, and not known: {}.", titles.join("; ")));
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn numbers_that_are_ticked() {
        assert_eq!(ticks("1 3", 3), Ok(vec![(0, true), (2, true)]));
        assert_eq!(ticks("2,1f, 2", 3), Ok(vec![(1, true), (0, false)]));
        for bad in ["", " ", "0", "4", "x", "1-3"] {
            assert!(ticks(bad, 3).is_err(), "{bad}");
        }
    }

    #[test]
    fn numbers_of_what_was_ticked() {
        assert_eq!(among("3", &[3, 4]), Ok(vec![3]));
        assert_eq!(among("4 3", &[4, 3]), Ok(vec![4, 3]));
        for bad in ["", "1", "3 1", "5", "x"] {
            let why = among(bad, &[3, 4]).unwrap_err();
            assert!(why.ends_with("Type some of: 3 4."), "{bad}: {why}");
        }
    }
}

//! What the work takes: what to beware of, parts and settings.

use std::collections::BTreeSet;

use anyhow::Result;
use device::each_once;
use model::{Code, schedule::Caution};
use serde_json::{Value, json};

use super::{Service, tick::Ticked};
use crate::face::{
    Face, Trouble,
    cautions::{self, Heeded},
    entry::{insert, yes},
    find::Named,
    task,
};

/// What the work takes, and what can hurt: shown before it is done.
pub(super) fn heed(
    face: &mut Face<'_>,
    unit: &Named,
    ticked: &[Ticked<'_>],
    sources: bool,
) -> Result<Heeded> {
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
pub(super) fn jobs(face: &mut Face<'_>, service: &Service, ticked: &[Ticked<'_>]) -> Result<Vec<Value>> {
    let as_listed = parts_as_listed(face, service, ticked)?;
    let (mut jobs, mut named) = (Vec::new(), BTreeSet::new());
    for Ticked { item, passed, .. } in ticked {
        if !named.insert(item.due.item.job.as_str().to_owned()) {
            continue;
        }
        let mut job = job(&item.due.item.job, *passed);
        if as_listed && !item.due.parts.is_empty() {
            insert(&mut job, "parts", json!(item.due.parts));
        }
        jobs.push(job);
    }
    for code in service.named() {
        if named.insert(code.to_owned()) {
            let unreadable = |why| Trouble::Unreadable { flag: "--job".to_owned(), why };
            let parsed = Code::parse(code).map_err(|flaw| unreadable(flaw.detail))?;
            jobs.push(job(&parsed, service.has_passed(code)));
        }
    }
    Ok(jobs)
}

/// Whether the parts of the list were used, as many as it says.
fn parts_as_listed(face: &mut Face<'_>, service: &Service, ticked: &[Ticked<'_>]) -> Result<bool> {
    let given = service.parts_as_listed.as_deref();
    if given.is_none() && ticked.iter().all(|ticked| ticked.item.due.parts.is_empty()) {
        return Ok(false);
    }
    let question = "Were the parts used as listed? yes or no";
    Ok(face.answer_if_any(given, "--parts-as-listed", question, yes)? == Some(true))
}

fn job(code: &Code, passed: bool) -> Value {
    let mut job = json!({"job": code});
    if !passed {
        insert(&mut job, "result", json!("failed"));
    }
    job
}

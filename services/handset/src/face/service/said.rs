//! What was saved, and what is left.

use std::process::ExitCode;

use anyhow::Result;
use device::DeviceItem;
use interval::DueState;
use serde_json::json;

use super::items;
use crate::face::{
    Face,
    cautions::Heeded,
    entry::{Saved, insert},
    find::Named,
    page::{Page, Tone},
    task::{self, Pressing},
};

/// What was saved, what was left out, and what is due next.
pub(super) fn said(
    face: &mut Face<'_>,
    unit: &Named,
    before: &[DeviceItem],
    saved: &Saved,
    heeded: Heeded,
) -> Result<ExitCode> {
    let after = items(face, unit)?;
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

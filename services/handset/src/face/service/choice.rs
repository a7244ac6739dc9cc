//! Which jobs are meant: by code, or by number from the list.

use std::collections::BTreeSet;

use anyhow::Result;
use device::DeviceItem;

use super::{
    Service, takes,
    tick::{self, Ticked},
};
use crate::face::{Face, Trouble, cautions::Heeded, find::Named};

/// So many codes are told where one is on no schedule.
const NEAREST: usize = 3;

/// Which tasks were done: those that numbers or codes name.
pub(super) fn ticked<'i>(
    face: &mut Face<'_>,
    service: &Service,
    unit: &Named,
    items: &'i [DeviceItem],
) -> Result<(Vec<Ticked<'i>>, Heeded)> {
    if service.named().is_empty() {
        return tick::by_number(face, service, unit, items);
    }
    known(service, unit, items)?;
    let ticked = by_code(service, items);
    let heeded = takes::heed(face, unit, &ticked, service.sources)?;
    Ok((ticked, heeded))
}

/// The tasks whose jobs are named.
fn by_code<'i>(service: &Service, items: &'i [DeviceItem]) -> Vec<Ticked<'i>> {
    let named = service.named();
    let is_named = |item: &&DeviceItem| named.contains(&item.due.item.job.as_str());
    let ticked = |(number, item): (usize, &'i DeviceItem)| Ticked {
        number,
        item,
        passed: service.has_passed(item.due.item.job.as_str()),
    };
    (1..).zip(items.iter().filter(is_named)).map(ticked).collect()
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

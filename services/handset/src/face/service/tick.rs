//! The list to tick from: a number for each task.

use anyhow::Result;
use device::DeviceItem;

use super::{Service, takes};
use crate::face::{
    Face, Trouble, ask,
    cautions::Heeded,
    find::Named,
    page::{Page, Tone},
    task::{self, Pressing},
};

/// A task that was ticked.
pub(super) struct Ticked<'i> {
    /// Its number in the list that was shown.
    pub(super) number: usize,
    pub(super) item: &'i DeviceItem,
    pub(super) passed: bool,
}

/// The list to tick from, with the codes of its jobs where nothing is ticked.
pub(super) fn list(face: &Face<'_>, unit: &Named, items: &[DeviceItem], codes: bool) -> Page {
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

/// The tasks whose numbers are ticked.
pub(super) fn by_number<'i>(
    face: &mut Face<'_>,
    service: &Service,
    unit: &Named,
    items: &'i [DeviceItem],
) -> Result<(Vec<Ticked<'i>>, Heeded)> {
    may_tick(face, service, items)?;
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
    let heeded = takes::heed(face, unit, &ticked, service.sources)?;
    if face.asks && service.tick.is_none() {
        return Ok((done(face, ticked)?, heeded));
    }
    Ok((ticked, heeded))
}

/// Refuses numbers where there is no list, or nobody looks at it.
fn may_tick(face: &Face<'_>, service: &Service, items: &[DeviceItem]) -> Result<(), Trouble> {
    if items.is_empty() {
        return Err(Trouble::Missing {
            flag: "--job".to_owned(),
            question: "what was done; no schedule holds for it.".to_owned(),
        });
    }
    if !face.asks && service.tick.is_some() {
        let why =
            "The numbers are of a list that is sorted anew each time. Say --job CODE, or --failed CODE.";
        return Err(Trouble::Unreadable { flag: "--tick".to_owned(), why: why.to_owned() });
    }
    Ok(())
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
        let place = ask::number(number, of)?;
        if !found.iter().any(|(known, _)| *known == place) {
            found.push((place, passed));
        }
    }
    if found.is_empty() { Err(format!("Type numbers from 1 to {of}, such as 1 3.")) } else { Ok(found) }
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

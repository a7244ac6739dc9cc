//! The headings of a file, and where the cells below each go.

use std::{collections::BTreeSet, sync::Arc};

use crate::{
    COLUMNS_MOST, Complaint, Mapping,
    complaint::shortened,
    mapping::Take,
    nearest,
    target::{NoTarget, Target, names},
};

/// One column of a file.
#[derive(Clone, Debug)]
pub(crate) struct Slot {
    pub(crate) heading: String,
    /// Where its cells go; none where they are ignored.
    pub(crate) take: Option<Arc<Take>>,
}

/// The headings of a file whose header lines have these cells; `line` is that of the last of them.
///
/// In any but the last line an empty cell takes the one to its left, since it was merged with it.
pub(crate) fn merged(lines: &[Vec<String>]) -> Vec<String> {
    let Some((last, above)) = lines.split_last() else { return Vec::new() };
    let above: Vec<Vec<String>> = above.iter().map(|line| spread(line)).collect();
    let joined = |(at, cell): (usize, &String)| {
        let over = above.iter().filter_map(|line| line.get(at).or(line.last()));
        let parts: Vec<String> =
            over.chain([cell]).map(|part| tidied(part)).filter(|part| !part.is_empty()).collect();
        parts.join(" / ")
    };
    last.iter().enumerate().map(joined).collect()
}

fn spread(line: &[String]) -> Vec<String> {
    let mut left = String::new();
    let mut found = Vec::new();
    for cell in line {
        if !cell.trim().is_empty() {
            left.clone_from(cell);
        }
        found.push(left.clone());
    }
    found
}

/// Without blank ends, and with one blank for any blanks and ends of lines within.
pub(crate) fn tidied(heading: &str) -> String {
    heading.split_whitespace().collect::<Vec<_>>().join(" ")
}

/// Where the cells below each heading go, or everything that is wrong with the headings.
pub(crate) fn slots(
    mapping: &Mapping,
    headings: Vec<String>,
    line: u64,
) -> Result<Vec<Slot>, Vec<Complaint>> {
    let mut complaints = doubled(&headings, line);
    complaints.extend(missing(mapping, &headings, line));
    let mut slots = Vec::new();
    for heading in headings {
        match mapping.take(&heading) {
            Ok(take) => slots.push(Slot { heading, take }),
            Err(why) => complaints.push(no_target(mapping, &heading, line, why)),
        }
    }
    complaints.extend(same_target(mapping, &slots, line));
    if complaints.is_empty() { Ok(slots) } else { Err(Complaint::listed(complaints)) }
}

/// More columns than a file may have.
pub(crate) fn too_many(line: u64) -> Complaint {
    Complaint::of_row(line, "too_many_columns", format!("A file has at most {COLUMNS_MOST} columns."))
}

fn doubled(headings: &[String], line: u64) -> Vec<Complaint> {
    let mut seen = BTreeSet::new();
    let mut told = BTreeSet::new();
    let again = headings.iter().filter(|heading| !heading.is_empty() && !seen.insert(*heading));
    again
        .filter(|heading| told.insert(*heading))
        .map(|heading| {
            Complaint::of_column(line, heading, "duplicate_heading", "Two columns have this heading.")
        })
        .collect()
}

/// Headings of the mapping that the file has not: a column would be lost without a word.
fn missing(mapping: &Mapping, headings: &[String], line: u64) -> Vec<Complaint> {
    let there = |heading: &&str| !headings.iter().any(|known| known == heading);
    let mapped = |heading: &&str| mapping.headings().any(|known| known == *heading);
    let left: Vec<&str> = headings.iter().map(String::as_str).filter(|heading| !mapped(heading)).collect();
    let absent = mapping.headings().filter(there);
    absent
        .map(|heading| {
            let detail = "The mapping names this heading, and the file does not have it.";
            let like = nearest(heading, left.iter().copied());
            Complaint::of_column(line, heading, "missing_column", detail).suggesting(like.map(shortened))
        })
        .collect()
}

/// Two columns that fill the same member.
fn same_target(mapping: &Mapping, slots: &[Slot], line: u64) -> Vec<Complaint> {
    let mut seen: Vec<&Target> = mapping.constants().iter().map(|(target, _)| target).collect();
    let mut found = Vec::new();
    for slot in slots {
        let Some(take) = &slot.take else { continue };
        if seen.contains(&&take.target) {
            let detail = "Another column, or a constant of the mapping, gives the same.";
            found.push(Complaint::of_column(line, &slot.heading, "two_sources", detail));
        }
        seen.push(&take.target);
    }
    found
}

/// Why a heading, or a member of an object, leads nowhere.
pub(crate) fn no_target(mapping: &Mapping, heading: &str, line: u64, why: NoTarget) -> Complaint {
    let (code, detail) = match why {
        NoTarget::Unknown if heading.is_empty() => {
            ("unknown_column", "A column has no heading: give it one, or ignore it in the mapping.")
        }
        NoTarget::Unknown => {
            ("unknown_column", "There is no such column: map its heading, or ignore it in the mapping.")
        }
        NoTarget::NoSystem => (
            "no_system",
            "Whose id this is must be said: give the mapping a `system`, or write external_id:SYSTEM.",
        ),
        NoTarget::NoCode => (
            "invalid_code",
            "The system after the colon is 1 to 64 lower-case letters, digits and underscores.",
        ),
    };
    let known: Vec<String> = names(mapping.records()).collect();
    let like =
        if why == NoTarget::Unknown { nearest(heading, known.iter().map(String::as_str)) } else { None };
    let place = Complaint::of_column(line, heading, code, detail);
    Complaint { column: Some(shortened(heading)).filter(|h| !h.is_empty()), ..place }
        .suggesting(like.map(str::to_owned))
}

//! The subject: counts and the worst item, at a glance.

use super::{
    facts::{Facts, Line},
    late,
    order::{Placed, Sorted, worst_first},
    shown::{for_subject, shortened},
};

/// The longest subject, in characters.
const MOST: usize = 78;
/// What is kept of the list's name where that is long.
const LIST: usize = 24;
/// What the worst item is worth telling with, at least.
const WORST: usize = 12;
const WORST_IS: &str = " - worst: ";

/// Counts of what a digest tells; the body has the same.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) struct Counts {
    pub(crate) overdue: usize,
    pub(crate) this_week: usize,
    pub(crate) later: usize,
    pub(crate) unknown: usize,
    pub(crate) deferred: usize,
    pub(crate) quiet: usize,
    pub(crate) out_of_service: usize,
}

impl Counts {
    pub(crate) fn of(facts: &Facts, sorted: &Sorted<'_>) -> Self {
        Self {
            overdue: sorted.overdue.len(),
            this_week: sorted.this_week.len(),
            later: sorted.later.len(),
            unknown: sorted.unknown.len(),
            deferred: sorted.deferred.len(),
            quiet: facts.quality.iter().filter(|line| line.code.as_str() == "quiet").count(),
            out_of_service: facts.out_of_service.len(),
        }
    }

    /// `3 overdue, 2 due this week`; and what else stands at the head of the body, if there is any.
    pub(crate) fn words(&self) -> Vec<String> {
        let counted = |count: usize, what: &str| match count {
            0 => format!("nothing {what}"),
            _ => format!("{} {what}", thousands(count)),
        };
        let mut said = vec![counted(self.overdue, "overdue"), counted(self.this_week, "due this week")];
        let more = [(self.out_of_service, "out of service"), (self.unknown, "unknown")];
        said.extend(more.iter().filter(|(count, _)| *count > 0).map(|(count, what)| counted(*count, what)));
        said
    }
}

/// The subject of a digest of those lines. The worst item goes before the counts that only stand there if there are any.
pub(crate) fn of(facts: &Facts, sorted: &Sorted<'_>) -> String {
    let name = for_subject(facts.list.name.as_str());
    let [list, shorter] = [LIST, LIST / 2].map(|most| shortened(&name, most));
    let still = if facts.heartbeat { "still " } else { "" };
    let counts = Counts::of(facts, sorted).words();
    let worst = sorted.overdue.iter().min_by(|a, b| worst_first(a, b)).map(worst);
    let tail = worst.as_ref().map(|(name, late)| format!("{WORST_IS}{name} {late}")).unwrap_or_default();
    let head = |list: &str, told: &[String]| format!("[{list}] {still}{}", told.join(", "));
    // A count that has no room is left to the body; half a number would be a wrong one.
    let fits = |told: &&[String]| length(&head(&list, told)) + length(tail.trim_end()) <= MOST;
    let fitting = (2..=counts.len()).rev().filter_map(|count| counts.get(..count)).find(fits);
    if let Some(told) = fitting {
        return format!("{}{}", head(&list, told), tail.trim_end());
    }
    // For the worst item the list's name gives way, and then what is not overdue yet.
    let heads = [(&list, 2), (&shorter, 2), (&shorter, 1)].map(|(list, most)| {
        let told = counts.get(..most).unwrap_or_default();
        head(list, told)
    });
    let room = |head: &str| MOST.saturating_sub(length(head) + length(WORST_IS));
    match (worst, heads.iter().find(|head| room(head) >= WORST)) {
        (Some((name, late)), Some(head)) => {
            format!("{head}{WORST_IS}{}", fitted(&name, &late, room(head)))
        }
        _ => shortened(&head(&list, counts.get(..2).unwrap_or_default()), MOST),
    }
}

fn length(text: &str) -> usize {
    text.chars().count()
}

/// The name of the worst item, and how late it is.
fn worst(placed: &Placed<'_>) -> (String, String) {
    let Line { unit, task, .. } = placed.line;
    let task = task.code.as_str();
    let task = task.strip_suffix("_change").unwrap_or(task).replace('_', " ");
    let (site, unit) = (for_subject(placed.site.name.as_str()), for_subject(unit.label.as_str()));
    (format!("{site} {unit} {task}"), late::short(placed.line).unwrap_or_default())
}

/// How late it is stays as long as it leaves room for a name; the name is shortened first.
fn fitted(name: &str, late: &str, room: usize) -> String {
    if late.is_empty() {
        return shortened(name, room);
    }
    let for_name = room.saturating_sub(length(late) + 1);
    if for_name >= WORST / 2 {
        format!("{} {late}", shortened(name, for_name))
    } else {
        shortened(name, room)
    }
}

/// A number with commas between thousands.
pub(crate) fn thousands(number: usize) -> String {
    let digits = number.to_string();
    let mut text = String::with_capacity(digits.len() + digits.len() / 3);
    for (at, digit) in digits.chars().enumerate() {
        if at > 0 && (digits.len() - at).is_multiple_of(3) {
            text.push(',');
        }
        text.push(digit);
    }
    text
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn numbers_have_commas() {
        for (number, expected) in
            [(0, "0"), (999, "999"), (1_000, "1,000"), (100_000, "100,000"), (1_234_567, "1,234,567")]
        {
            assert_eq!(thousands(number), expected);
        }
    }

    #[test]
    fn the_name_is_shortened_before_what_it_is_about() {
        assert_eq!(fitted("FS-3 U7 oil", "+9.0 h", 40), "FS-3 U7 oil +9.0 h");
        assert_eq!(fitted("Fire Station 3 U7 oil", "+9.0 h", 20), "Fire Station… +9.0 h");
        assert_eq!(fitted("Fire Station 3", "+1000.0 to 2000.0 h", 20), "Fire Station 3");
        assert_eq!(fitted("Fire Station 3 U7 oil", "", 14), "Fire Station…");
    }
}

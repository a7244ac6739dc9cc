//! Which sections a digest has, in their order, and what each tells.

use std::cmp::Ordering;

use super::{
    facts::{Changes, Facts, ItemRef, QualityLine, SiteRef, UnitRef},
    order::{Order, Placed, Sorted, likeliest_first, soonest_first, worst_first},
    section::{ROWS, Row, Section, Told, section, told, told_of_item, told_of_record, unit_link},
    shown::shown,
    subject::thousands,
    words::{self, State},
};

/// All sections that have something to tell; that of overdue items always has.
pub(crate) fn sections(facts: &Facts, sorted: Sorted<'_>) -> Vec<Section> {
    let all = [
        out_of_service(facts),
        overdue(facts, sorted.overdue),
        due(facts, &format!("Due this week, up to {}", facts.due_by), sorted.this_week, soonest_first),
        due(facts, "Coming due later", sorted.later, soonest_first),
        unknown(facts, sorted.unknown),
        changed(facts),
        escalated(facts),
        due(facts, "Deferred", sorted.deferred, soonest_first),
        acknowledged(facts),
        quality(facts),
        waiting(facts),
    ];
    all.into_iter().filter(|section| !section.groups.is_empty() || !section.notes.is_empty()).collect()
}

fn out_of_service(facts: &Facts) -> Section {
    let mut units: Vec<_> = facts.out_of_service.iter().collect();
    units
        .sort_unstable_by(|a, b| by_unit((&a.site, &a.unit), (&b.site, &b.unit)).then(a.since.cmp(&b.since)));
    let told = units.iter().map(|tag| Told {
        site: &tag.site,
        row: Row {
            what: shown(tag.unit.label.as_str()),
            link: unit_link(facts, tag.unit.id),
            standing: vec![format!("since {}", tag.since)],
            last: words::code(&tag.reason),
        },
    });
    Section { is_late: true, ..section("Out of service", ["Unit", "Since when", "Why"], units.len(), told) }
}

fn overdue(facts: &Facts, lines: Vec<Placed<'_>>) -> Section {
    let notes = if lines.is_empty() { vec!["Nothing is overdue.".to_owned()] } else { Vec::new() };
    Section { is_late: true, notes, ..due(facts, "Overdue, worst first", lines, worst_first) }
}

const DUE: [&str; 3] = ["Unit, task", "How late", "Next step"];

fn due(facts: &Facts, heading: &str, mut lines: Vec<Placed<'_>>, order: Order) -> Section {
    let total = lines.len();
    first(&mut lines, order);
    section(heading, DUE, total, lines.iter().map(|placed| told(facts, placed)))
}

fn unknown(facts: &Facts, mut lines: Vec<Placed<'_>>) -> Section {
    let quiet: Vec<&QualityLine> = by_age(facts.quality.iter().filter(|line| is_quiet(line)));
    let total = lines.len() + quiet.len();
    first(&mut lines, likeliest_first);
    let quiet = quiet.iter().map(|line| {
        let Told { site, mut row } = told_of_record(facts, line);
        "go and look, and record what was found".clone_into(&mut row.last);
        row.standing = vec![words::code(&line.code), format!("since {}", line.since)];
        Told { site, row }
    });
    section("Unknown and quiet", DUE, total, lines.iter().map(|placed| told(facts, placed)).chain(quiet))
}

fn changed(facts: &Facts) -> Section {
    let since = facts.previous.map_or_else(|| "before".to_owned(), |day| format!("the mail of {day}"));
    let mut lines: Vec<_> = facts.changed.lines.iter().collect();
    // What is overdue now comes first, then what was.
    lines.sort_unstable_by(|a, b| {
        (b.after, b.before).cmp(&(a.after, a.before)).then_with(|| by_item(&a.item, &b.item))
    });
    let told = lines.iter().map(|line| {
        let state = |state: Option<State>| state.map_or("not listed", State::words);
        let standing = vec![format!("was {}, now {}", state(line.before), state(line.after))];
        told_of_item(facts, &line.item, standing, line.why.words().to_owned())
    });
    let heading = format!("Changed since {since}");
    let section = section(&heading, ["Unit, task", "Before and now", "Why"], lines.len(), told);
    Section { notes: entries(&facts.changed).into_iter().collect(), ..section }
}

/// What was recorded since, and what became of it.
fn entries(changes: &Changes) -> Option<String> {
    let counted = |count: usize, one: &str, more: &str| match count {
        1 => format!("1 {one}"),
        _ => format!("{} {more}", thousands(count)),
    };
    let count = |number: u32| usize::try_from(number).unwrap_or(usize::MAX);
    let late = count(changes.late_entries);
    let others = count(changes.entries).saturating_sub(late);
    let came = match (late, others) {
        (0, 0) => "No new entries".to_owned(),
        (_, 0) => counted(late, "late entry", "late entries"),
        (0, _) => counted(others, "new entry", "new entries"),
        _ => {
            format!(
                "{} and {}",
                counted(late, "late entry", "late entries"),
                counted(others, "other", "others")
            )
        }
    };
    let (cleared, new) = (count(changes.cleared_overdue), count(changes.new_overdue));
    let is_worth_telling = late + others + cleared + new > 0;
    is_worth_telling
        .then(|| format!("{came}: cleared {} overdue, {} new.", thousands(cleared), thousands(new)))
}

fn escalated(facts: &Facts) -> Section {
    let mut items: Vec<_> = facts.escalated.iter().collect();
    items.sort_unstable_by(|a, b| {
        b.overdue_days.cmp(&a.overdue_days).then_with(|| by_item(&a.item, &b.item)).then(a.to.cmp(&b.to))
    });
    let told = items.iter().map(|escalated| {
        let standing = vec![format!("overdue for {} d", escalated.overdue_days)];
        told_of_item(facts, &escalated.item, standing, words::role(escalated.to).to_owned())
    });
    section("Escalated", ["Unit, task", "For how long", "Brought before"], items.len(), told)
}

fn acknowledged(facts: &Facts) -> Section {
    let mut items: Vec<_> = facts.acknowledged.iter().collect();
    items.sort_unstable_by(|a, b| a.until.cmp(&b.until).then_with(|| by_item(&a.item, &b.item)));
    let told = items.iter().map(|acknowledged| {
        let standing = vec![format!("not told of until {}", acknowledged.until)];
        let by = acknowledged.by.as_ref().map_or_else(|| "not shown".to_owned(), |by| shown(by.as_str()));
        told_of_item(facts, &acknowledged.item, standing, by)
    });
    section("Acknowledged", ["Unit, task", "Until when", "By whom"], items.len(), told)
}

fn quality(facts: &Facts) -> Section {
    let lines = by_age(facts.quality.iter().filter(|line| !is_quiet(line)));
    let told = lines.iter().map(|line| told_of_record(facts, line));
    section("To put right in the records", ["Unit", "Since when", "What"], lines.len(), told)
}

fn waiting(facts: &Facts) -> Section {
    let said = |count: u32, one: &str, more: &str| match count {
        0 => None,
        1 => Some(one.to_owned()),
        _ => Some(format!("{} {more}", thousands(usize::try_from(count).unwrap_or(usize::MAX)))),
    };
    let (held, contested) = facts.waiting.map_or((0, 0), |waiting| (waiting.held, waiting.contested));
    let notes = [
        said(held, "1 edit is held and waits for release.", "edits are held and wait for release."),
        said(
            contested,
            "1 field is contested: two values wait for a choice.",
            "fields are contested: each has two values that wait for a choice.",
        ),
        said(
            facts.silent_handsets.unwrap_or_default(),
            "1 handset is silent: what it recorded may not have come yet.",
            "handsets are silent: what they recorded may not have come yet.",
        ),
    ];
    let section = section("Waiting for a person", ["", "", ""], 0, std::iter::empty());
    Section {
        heading: "Waiting for a person".to_owned(),
        notes: notes.into_iter().flatten().collect(),
        ..section
    }
}

/// The first rows of a section in order; of the others only the number counts.
fn first(lines: &mut Vec<Placed<'_>>, order: Order) {
    if lines.len() > ROWS {
        lines.select_nth_unstable_by(ROWS, order);
        lines.truncate(ROWS);
    }
    lines.sort_unstable_by(order);
}

fn is_quiet(line: &QualityLine) -> bool {
    line.code.as_str() == "quiet"
}

fn by_age<'a>(lines: impl Iterator<Item = &'a QualityLine>) -> Vec<&'a QualityLine> {
    let mut lines: Vec<_> = lines.collect();
    lines.sort_unstable_by(|a, b| {
        let names = by_unit((&a.site, &a.unit), (&b.site, &b.unit));
        a.since.cmp(&b.since).then(names).then_with(|| a.code.cmp(&b.code))
    });
    lines
}

fn by_unit(a: (&SiteRef, &UnitRef), b: (&SiteRef, &UnitRef)) -> Ordering {
    let names = a.0.name.cmp(&b.0.name).then_with(|| a.1.label.cmp(&b.1.label));
    names.then(a.0.id.cmp(&b.0.id)).then(a.1.id.cmp(&b.1.id))
}

fn by_item(a: &ItemRef, b: &ItemRef) -> Ordering {
    let units = by_unit((&a.site, &a.unit), (&b.site, &b.unit));
    units.then_with(|| a.task.code.cmp(&b.task.code)).then_with(|| a.task.schedule.cmp(&b.task.schedule))
}

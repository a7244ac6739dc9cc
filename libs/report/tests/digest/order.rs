//! What stands where, and before what.

use report::digest::*;

use crate::{
    fixture::{day, days, hours, line, nothing, site, task, unit},
    read::rendered,
};

/// The sections by heading, each with the labels of its units in their order.
fn sections(lines: Vec<Line>) -> Vec<(String, String)> {
    let facts =
        Facts { sites: vec![SiteFacts { site: site(1, "Site"), lines }], link_base: None, ..nothing() };
    let text = rendered(&facts).text;
    let parts = text.split("\n\n\n").filter(|part| part.contains("--\n"));
    let unit = |line: &str| Some(line.strip_prefix("  U")?.split(',').next()?.to_owned());
    parts
        .map(|part| {
            let units: Vec<String> = part.lines().filter_map(unit).collect();
            (part.trim().lines().next().unwrap().to_owned(), units.join(" "))
        })
        .collect()
}

fn of(number: u128, state: State) -> Line {
    line(unit(number, &format!("U{number}")), task("oil_change", "Oil"), state)
}

fn expect(lines: Vec<Line>, expected: &[(&str, &str)]) {
    let found = sections(lines);
    let found: Vec<(&str, &str)> =
        found.iter().map(|(heading, units)| (heading.as_str(), units.as_str())).collect();
    assert_eq!(found, expected);
}

const NOTHING_OVERDUE: (&str, &str) = ("Overdue, worst first (0)", "");

#[test]
fn this_week_ends_with_its_last_day() {
    let on = |number, due_on| Line { due_on: Some(day(due_on)), ..of(number, State::ComingDue) };
    expect(
        vec![
            on(1, "2025-09-18"),
            on(2, "2025-09-19"),
            // By date it would be later, but hours come first.
            Line { days: days("2025-12-01", -81, 1), ..on(3, "2025-09-12") },
            Line { days: days("2025-09-18", -7, 1), ..of(4, State::ComingDue) },
            Line { hours: hours(-100, -100, 9_900), ..of(5, State::ComingDue) },
            // What is due is due, whenever that began, and comes first.
            Line { days: days("2025-09-11", 0, 10_000), ..of(6, State::Due) },
        ],
        &[
            NOTHING_OVERDUE,
            ("Due this week, up to 2025-09-18 (4)", "6 3 4 1"),
            ("Coming due later (2)", "2 5"),
        ],
    );
}

#[test]
fn the_worst_has_used_up_most_of_its_interval_by_either_axis() {
    let by_hours = |number, used| Line { hours: hours(100, 100, used), ..of(number, State::Overdue) };
    let by_days = |number, used| Line { days: days("2025-09-01", 10, used), ..of(number, State::Overdue) };
    let both = |number, by_hours, by_days| Line {
        hours: hours(100, 100, by_hours),
        days: days("2025-09-01", 10, by_days),
        ..of(number, State::Overdue)
    };
    let since = |line, since| Line { since: Some(day(since)), ..line };
    expect(
        vec![
            by_hours(1, 11_000),
            by_days(2, 12_000),
            both(3, 10_100, 13_000),
            both(4, 12_500, 10_100),
            of(5, State::Overdue),
            // Of equals, what has been so for longer; then by name.
            since(by_days(6, 10_500), "2025-09-02"),
            since(by_days(7, 10_500), "2025-09-01"),
            by_days(9, 10_500),
            by_days(8, 10_500),
        ],
        &[("Overdue, worst first (9)", "3 4 2 1 7 6 8 9 5")],
    );
}

#[test]
fn of_what_is_unknown_the_likeliest_to_be_due_comes_first() {
    let unknown = |number, reason| Line { reason, ..of(number, State::Unknown) };
    expect(
        vec![
            unknown(1, None),
            unknown(2, Some(Reason::NoHistory)),
            unknown(3, Some(Reason::NoHours)),
            unknown(4, Some(Reason::PossiblyDue)),
        ],
        &[NOTHING_OVERDUE, ("Unknown and quiet (4)", "4 3 2 1")],
    );
}

#[test]
fn what_asks_for_nothing_is_not_told() {
    let lines = [State::Ok, State::Suspended, State::NotApplicable].map(|state| of(1, state));
    expect(lines.to_vec(), &[NOTHING_OVERDUE]);
}

#[test]
fn what_was_recorded_is_told_in_a_sentence() {
    // Worked example A36 is the first.
    let cases = [
        ((37, 37, 2, 1), "37 late entries: cleared 2 overdue, 1 new."),
        ((1, 1, 0, 0), "1 late entry: cleared 0 overdue, 0 new."),
        ((5, 0, 1, 0), "5 new entries: cleared 1 overdue, 0 new."),
        ((40, 37, 2, 1), "37 late entries and 3 others: cleared 2 overdue, 1 new."),
        ((2, 1, 0, 0), "1 late entry and 1 other: cleared 0 overdue, 0 new."),
        ((0, 0, 0, 1), "No new entries: cleared 0 overdue, 1 new."),
    ];
    for ((entries, late_entries, cleared_overdue, new_overdue), expected) in cases {
        let changed = Changes { lines: Vec::new(), entries, late_entries, cleared_overdue, new_overdue };
        let text = rendered(&Facts { changed, ..nothing() }).text;
        assert!(text.contains(expected), "{expected}: {text}");
    }
    assert!(!rendered(&nothing()).text.contains("entries"));
}

#[test]
fn silence_is_told_apart_from_nothing_to_tell() {
    let still = rendered(&crate::fixture::heartbeat()).text;
    let said = "Nothing changed since the mail of 2025-09-04: still 3 overdue, 2 due this week; last checked 2025-09-11 06:00";
    assert!(still.split_whitespace().collect::<Vec<_>>().join(" ").contains(said), "{still}");
    assert!(still.contains("No mail went out on 2025-09-08, 2025-09-09"), "{still}");
}

#[test]
fn what_is_not_worked_out_anew_is_told() {
    let said = "Some units are still being worked out after a change that concerns many";
    for pending in [false, true] {
        let text = rendered(&Facts { pending, ..nothing() }).text;
        let told = text.split_whitespace().collect::<Vec<_>>().join(" ").contains(said);
        assert_eq!(told, pending, "{text}");
    }
}

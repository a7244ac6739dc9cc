//! Dates on which nobody worked: told as a failure, and in the next mail.

use blackbox::{Backend, on_both};
use serde_json::json;

use super::night::{Night, each, text};

on_both!(
    two_dates_without_a_night_shift,
    a_gap_is_told_when_there_is_a_mail,
    late_on_the_same_date,
    an_earlier_time_holds_from_the_same_date_on,
);

fn two_dates_without_a_night_shift(backend: Backend) {
    let night = Night::at(backend, "2025-06-03T00:00:00Z");
    night.unit("U7", 0, "2025-02-01");
    // Due on the fifth, overdue from the sixth on.
    night.unit("U8", 1, "2025-05-05");
    night.listed(&["duty"]);
    assert!(night.work("2025-06-03T12:00:00Z"));
    assert!(!night.work("2025-06-06T12:30:00Z"));
    let failed = night.failed();
    assert!(failed.len() == 1 && failed[0].starts_with("digest: "), "{failed:?}");
    assert!(!night.work("2025-06-06T12:31:00Z"), "it is told for a day");
    assert!(night.work("2025-06-07T13:00:00Z"));
    assert_eq!(night.dates(), each(&["duty"], &["2025-06-03", "2025-06-06"]));
    let said = text(&night.mails()[1]);
    assert!(said.contains("No mail went out on 2025-06-04, 2025-06-05"), "{said}");
    night.is_accounted_for();
}

/// Nothing has changed after the gap, so there is no mail at once; the next one tells of it all the same.
fn a_gap_is_told_when_there_is_a_mail(backend: Backend) {
    let night = Night::at(backend, "2025-06-03T00:00:00Z");
    night.unit("U7", 0, "2025-02-01");
    night.listed(&["duty"]);
    assert!(night.work("2025-06-03T12:00:00Z"));
    for day in ["06", "07", "08", "09"] {
        night.work(&format!("2025-06-{day}T12:00:00Z"));
    }
    assert_eq!(night.dates(), each(&["duty"], &["2025-06-03", "2025-06-09"]));
    let said = text(&night.mails()[1]);
    assert!(said.contains("Nothing changed since the mail of 2025-06-03"), "{said}");
    assert!(said.contains("No mail went out on 2025-06-04, 2025-06-05"), "{said}");
    night.is_accounted_for();
}

/// The zone is America/Denver: six there is noon by UTC.
fn an_earlier_time_holds_from_the_same_date_on(backend: Backend) {
    let night = Night::at(backend, "2025-06-03T00:00:00Z");
    night.unit("U7", 0, "2025-02-01");
    let list = night.list("Everybody", &json!({"send_at": "06:00"}));
    night.recipient(&list, "duty@tarnvalley.example");
    assert!(night.work("2025-06-03T00:00:01Z"));
    // Put later, which is found out when it is time, and then earlier again.
    night.change_list(&list, &json!({"send_at": "18:00"}));
    assert!(night.work("2025-06-03T12:00:30Z"));
    night.change_list(&list, &json!({"send_at": "08:00"}));
    assert!(night.work("2025-06-03T13:59:00Z"));
    assert!(night.dates().is_empty());
    assert!(night.work("2025-06-03T14:00:00Z"));
    assert_eq!(night.dates(), each(&["duty"], &["2025-06-03"]));
    // Once on each date: not again at the time that it had before.
    assert!(night.work("2025-06-04T00:30:00Z"));
    assert_eq!(night.dates(), each(&["duty"], &["2025-06-03"]));
    assert!(night.failed().is_empty());
    night.is_accounted_for();
}

fn late_on_the_same_date(backend: Backend) {
    let night = Night::at(backend, "2025-06-03T00:00:00Z");
    night.unit("U7", 0, "2025-02-01");
    night.listed(&["duty"]);
    // Five minutes before midnight there.
    assert!(night.work("2025-06-04T05:55:00Z"));
    assert_eq!(night.dates(), each(&["duty"], &["2025-06-03"]));
    assert!(night.failed().is_empty());
    night.is_accounted_for();
}

//! Nothing changed: no mail but the weekly one, so that silence means that somebody has looked.

use blackbox::{Backend, on_both};

use super::night::{Night, each, text};

on_both!(ten_nights_on_which_nothing_changed, whoever_is_new_is_told_at_once, due_today_is_not_overdue);

fn ten_nights_on_which_nothing_changed(backend: Backend) {
    // A Monday; the oil has been overdue since the second of March.
    let night = Night::at(backend, "2025-06-02T00:00:00Z");
    night.unit("U7", 0, "2025-02-01");
    night.listed(&["duty", "boss"]);
    for day in 2..=12 {
        assert!(night.work(&format!("2025-06-{day:02}T12:00:00Z")), "2025-06-{day:02}");
        assert!(night.work(&format!("2025-06-{day:02}T12:20:00Z")), "2025-06-{day:02}");
    }
    assert_eq!(night.dates(), each(&["boss", "duty"], &["2025-06-02", "2025-06-09"]));
    let mails = night.mails();
    assert_eq!(mails.len(), 4);
    let (first, weekly) = (&mails[0], &mails[3]);
    assert!(!first.header("Subject").contains("still"), "{}", first.header("Subject"));
    assert!(weekly.header("Subject").contains("still 1 overdue"), "{}", weekly.header("Subject"));
    let said = text(weekly);
    assert!(said.contains("Nothing changed since the mail of 2025-06-02"), "{said}");
    assert!(said.contains("last checked 2025-06-09 06:00"), "{said}");
    night.is_accounted_for();
}

fn whoever_is_new_is_told_at_once(backend: Backend) {
    let night = Night::at(backend, "2025-06-03T00:00:00Z");
    night.unit("U7", 0, "2025-02-01");
    let list = night.listed(&["first"]);
    night.work("2025-06-03T12:00:00Z");
    night.recipient(&list, "second@tarnvalley.example");
    night.work_through(&["2025-06-04T12:00:00Z", "2025-06-05T12:00:00Z"]);
    let mut expected = each(&["first"], &["2025-06-03"]);
    expected.extend(each(&["second"], &["2025-06-04"]));
    assert_eq!(night.dates(), expected);
    night.is_accounted_for();
}

/// A day ends where the unit stands, not in UTC.
fn due_today_is_not_overdue(backend: Backend) {
    // The worked example on a job at 02:00 in UTC, with the date of another unit.
    let night = Night::at(backend, "2025-09-01T00:00:00Z");
    night.town.rezone("America/Phoenix");
    night.unit("U7", 0, "2025-08-10");
    let list = night.list("Evening", &serde_json::json!({"zone": "America/Phoenix", "send_at": "19:00"}));
    night.work("2025-09-10T20:00:00Z");
    night.recipient(&list, "duty@tarnvalley.example");
    night.work_through(&["2025-09-11T02:00:00Z", "2025-09-12T02:00:00Z"]);
    assert_eq!(night.dates(), each(&["duty"], &["2025-09-10", "2025-09-11"]));
    let mails = night.mails();
    assert!(mails[0].header("Subject").contains("nothing overdue, 1 due this week"), "{}", text(&mails[0]));
    assert!(text(&mails[0]).contains("due today (2025-09-10)"), "{}", text(&mails[0]));
    assert!(mails[1].header("Subject").contains("1 overdue"), "{}", text(&mails[1]));
    assert!(text(&mails[1]).contains("overdue since 2025-09-11"), "{}", text(&mails[1]));
    night.is_accounted_for();
}

//! An address that the mail server refuses for good: the others get theirs, and it is told.

use blackbox::{Backend, on_both, smtp::Behaviour};
use serde_json::json;

use super::night::{Night, each};

on_both!(one_of_three_is_refused);

fn one_of_three_is_refused(backend: Backend) {
    let mut night = Night::at(backend, "2025-06-03T00:00:00Z");
    night.unit("U7", 0, "2025-02-01");
    // Due on the fourth, overdue from the fifth on.
    night.unit("U8", 1, "2025-05-04");
    let list = night.list("Everybody", &json!({}));
    let refused = night.recipient(&list, "gone@tarnvalley.example");
    for name in ["boss", "duty"] {
        night.recipient(&list, &format!("{name}@tarnvalley.example"));
    }
    night.work("2025-06-03T01:00:00Z");
    night.server(&Behaviour::Refuse(vec!["gone@tarnvalley.example".to_owned()]));
    assert!(!night.work("2025-06-03T12:00:00Z"), "nobody is told");
    let failed = night.failed();
    assert!(failed.len() == 1 && failed[0].contains("550"), "{failed:?}");
    assert_eq!(night.smtp.count("recipient_refused"), 1);
    assert_eq!(night.dates(), each(&["boss", "duty"], &["2025-06-03"]));

    // It is not tried again: neither on that date nor, with news, on a later one.
    night.work_through(&["2025-06-03T13:00:00Z", "2025-06-05T12:00:00Z"]);
    assert_eq!(night.smtp.count("recipient_refused"), 1);
    let mut expected = each(&["boss", "duty"], &["2025-06-03", "2025-06-05"]);
    assert_eq!(night.dates(), expected);

    // Somebody puts the record right.
    night.server(&Behaviour::Ok);
    night.change_recipient(&refused, &json!({"address": "back@tarnvalley.example"}));
    assert!(night.work("2025-06-06T12:30:00Z"));
    expected.extend(each(&["back"], &["2025-06-06"]));
    assert_eq!(night.dates(), expected);
    night.is_accounted_for();
}

//! A storm: a handset that was offline for three days, 37 entries, and an answer that was lost (worked example A36).

use blackbox::{
    Backend, on_both,
    world::{edit, new_id, push},
};
use serde_json::{Value, json};

use super::night::{Night, each, text};

on_both!(late_entries_are_told_once);

const BACK: &str = "2025-08-20T20:00:00Z";

fn late_entries_are_told_once(backend: Backend) {
    let mut night = Night::at(backend, "2025-08-20T00:00:00Z");
    // Two are overdue since the second of August; the third has used up its hours, which nobody knows yet.
    let units = [night.unit("U1", 0, "2025-07-01"), night.unit("U2", 0, "2025-07-01")];
    let third = night.unit("U3", 1, "2025-08-05");
    night.listed(&["duty"]);
    assert!(night.work("2025-08-20T12:00:00Z"));
    assert!(night.mails()[0].header("Subject").contains("2 overdue"), "{}", text(&night.mails()[0]));

    night.world.restart_at(BACK);
    night.world.reach(&mut night.town);
    let boss = night.town.coordinator();
    let handset = night.town.handset(boss, "Van 2");
    let edits: Vec<Value> = entries(&units, &third)
        .into_iter()
        .zip(1_u64..)
        .map(|(body, number)| edit(&handset, number, &new_id(), "service_event", "create", body))
        .collect();
    assert_eq!(edits.len(), 37);
    let outcomes = |results: Vec<Value>| -> Vec<String> {
        results.iter().map(|result| result["result"].as_str().unwrap_or_default().to_owned()).collect()
    };
    assert_eq!(outcomes(push(boss, BACK, &handset, &edits)), ["applied"; 37]);
    assert_eq!(outcomes(push(boss, BACK, &handset, &edits)), ["already_applied"; 37]);

    assert!(night.work("2025-08-21T12:00:00Z"));
    assert_eq!(outcomes(push(night.town.coordinator(), BACK, &handset, &edits)), ["already_applied"; 37]);
    assert!(night.work("2025-08-22T12:00:00Z"));
    assert_eq!(night.dates(), each(&["duty"], &["2025-08-20", "2025-08-21"]));
    let said = text(&night.mails()[1]);
    assert!(said.contains("37 late entries: cleared 2 overdue, 1 new"), "{said}");
    night.is_accounted_for();
}

/// Both units were serviced in the storm, the third has run for 30 hours, and the first was read again and again.
fn entries(serviced: &[String; 2], worn: &str) -> Vec<Value> {
    let event = |unit: &str, at: String, mut event: Value| {
        event["unit_id"] = json!(unit);
        event["occurred_at"] = json!(at);
        event
    };
    let oil = |hours: f64| json!({"kind": "service", "jobs": [{"job": "oil_change"}], "meter_hours": hours});
    let mut entries = vec![
        event(&serviced[0], "2025-08-18T08:00:00Z".to_owned(), oil(2.0)),
        event(&serviced[1], "2025-08-18T09:00:00Z".to_owned(), oil(3.0)),
        event(worn, "2025-08-19T09:00:00Z".to_owned(), json!({"kind": "reading", "meter_hours": 30.0})),
    ];
    entries.extend((0..34).map(|n| {
        let at = format!("2025-08-18T{:02}:{:02}:00Z", 10 + n / 6, n % 6 * 10);
        event(&serviced[0], at, json!({"kind": "reading", "meter_hours": f64::from(20 + n) / 10.0}))
    }));
    entries
}

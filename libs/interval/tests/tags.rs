//! Tags in force: hung, removed, ended by date, voided.
#![allow(clippy::unwrap_used, reason = "helpers of tests")]

use std::collections::BTreeMap;

use interval::{Input, Policy, UnitFacts, tags};
use model::{
    Hours, Instant, SiteId, UnitId, Zone,
    event::ServiceEvent,
    read::{Mode, whole},
};
use serde_json::{Value, json};

fn id(n: u32) -> String {
    format!("019a0b5e-7c00-7000-8000-{n:012}")
}

fn event(n: u32, at: &str, kind: &str, more: Value) -> ServiceEvent {
    let mut body = json!({"id": id(n), "unit_id": id(900), "kind": kind, "occurred_at": at});
    body.as_object_mut().unwrap().extend(more.as_object().unwrap().clone());
    whole(&body, Mode::New, ServiceEvent::read).unwrap()
}

/// Rules: a tag hangs from its event until it is removed, or until the local midnight that begins its `effective_until`;
/// DESIGN: corrections count whenever they were taken.
#[test]
fn a_tag_hangs_until_it_is_removed_or_its_day_comes() {
    let hung = |n, at: &str, more: Value| {
        let mut members = json!({"action": "hung", "tag": "out_of_service"});
        members.as_object_mut().unwrap().extend(more.as_object().unwrap().clone());
        event(n, at, "tag", members)
    };
    let until_removed = hung(1, "2026-03-01T08:00:00-07:00", json!({}));
    let removal = event(2, "2026-03-05T08:00:00-07:00", "tag", json!({"action": "removed", "tag_id": id(1)}));
    let until_day =
        hung(3, "2026-03-02T08:00:00-07:00", json!({"tag": "locked_out", "effective_until": "2026-03-04"}));
    let void = event(
        4,
        "2026-03-09T08:00:00-07:00",
        "correction",
        json!({"action": "void", "target_id": id(1), "reason": "wrong unit"}),
    );
    let all = [until_removed.clone(), removal, until_day];
    let voided = [until_removed, void];
    let cases: &[(&[ServiceEvent], &str, &[u32])] = &[
        (&all, "2026-03-01T07:59:59-07:00", &[]),
        (&all, "2026-03-01T08:00:00-07:00", &[1]),
        (&all, "2026-03-03T23:59:59-07:00", &[1, 3]),
        (&all, "2026-03-04T00:00:00-07:00", &[1]),
        (&all, "2026-03-05T07:59:59-07:00", &[1]),
        (&all, "2026-03-05T08:00:00-07:00", &[]),
        (&voided, "2026-03-02T08:00:00-07:00", &[]),
    ];
    let home = SiteId::parse(&id(901)).unwrap();
    let zones = BTreeMap::from([(home, Zone::parse("America/Denver").unwrap())]);
    let facts = UnitFacts::plain(true, Hours::from_hundredths(10), home);
    for (events, at, expected) in cases {
        let input = Input {
            unit: UnitId::parse(&id(900)).unwrap(),
            events,
            facts: &facts,
            zones: &zones,
            editions: &BTreeMap::new(),
            policy: &Policy::standard(),
        };
        let found = tags(&input, Instant::parse(at).unwrap());
        let found: Vec<String> = found.iter().map(|tag| tag.event_id.to_string()).collect();
        assert_eq!(found, expected.iter().map(|n| id(*n)).collect::<Vec<_>>(), "{at}");
    }
}

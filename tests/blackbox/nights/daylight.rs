//! Daylight saving: one mail for each local date, whatever the clocks do. They change on 9 March and 2 November 2025 at
//! 02:00 in the United States (15 U.S.C. 260a).

use std::collections::BTreeMap;

use blackbox::{Backend, on_both};
use model::{Instant, Zone};
use serde_json::json;

use super::night::{Night, each, name_of};

on_both!(clocks_go_forward, clocks_go_back);

fn clocks_go_forward(backend: Backend) {
    // The night list's time of day does not exist on that date: an hour later by the clock.
    let expected = [("day", "06:00", "2025-03-09T12:00:00Z"), ("night", "02:30", "2025-03-09T09:30:00Z")];
    changes(backend, "2025-03-07T20:00:00Z", "2025-03-09", expected);
}

fn clocks_go_back(backend: Backend) {
    // The night list's time of day comes twice on that date: the first counts.
    let expected = [("day", "06:00", "2025-11-02T13:00:00Z"), ("night", "01:30", "2025-11-02T07:30:00Z")];
    changes(backend, "2025-10-31T20:00:00Z", "2025-11-02", expected);
}

/// From the evening before last on, every half hour of two nights; both dates are Sundays.
fn changes(backend: Backend, began: &str, date: &str, lists: [(&str, &str, &str); 2]) {
    let night = Night::at(backend, began);
    night.unit("U7", 0, "2025-01-05");
    for (name, time, _) in lists {
        let list = night.list(name, &json!({"send_at": time, "heartbeat": "sunday"}));
        night.recipient(&list, &format!("{name}@tarnvalley.example"));
    }
    let began = Instant::parse(began).unwrap();
    let mut came = BTreeMap::new();
    for half_hour in 0..=97 {
        let at = began.plus_seconds(half_hour * 1800);
        assert!(night.work(&at.to_string()), "{at}");
        for mail in night.mails().iter().skip(came.len()) {
            came.insert((name_of(mail), mail.header("Message-ID")), at);
        }
    }
    let zone = Zone::parse("America/Denver").unwrap();
    let before = zone.date(Instant::parse(&format!("{date}T00:00:00Z")).unwrap()).to_string();
    assert_eq!(night.dates(), each(&["day", "night"], &[before.as_str(), date]));
    for (name, _, expected) in lists {
        let at = came.iter().find(|((to, id), _)| to == name && id.contains(date)).unwrap().1;
        assert_eq!(*at, Instant::parse(expected).unwrap(), "{name}");
    }
    assert_eq!(came.len(), night.mails().len(), "one message for each");
    night.is_accounted_for();
}

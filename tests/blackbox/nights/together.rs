//! Several night shifts on one database: each piece of work is done by one of them.

use blackbox::{Backend, on_both};

use super::night::{Night, Working, each};

on_both!(four_at_once, what_somebody_has_in_hand_is_not_failing);

fn four_at_once(backend: Backend) {
    let names: Vec<String> = (10..34).map(|n| format!("duty{n}")).collect();
    let names: Vec<&str> = names.iter().map(String::as_str).collect();
    let night = Night::at(backend, "2025-06-02T00:00:00Z");
    night.unit("U7", 0, "2025-02-01");
    night.listed(&names);
    // Mondays: everybody gets a mail on each.
    let dates = ["2025-06-02", "2025-06-09", "2025-06-16"];
    for date in dates {
        let at = format!("{date}T12:00:00Z");
        let working: Vec<Working> = (0..4).map(|_| night.begin(&at)).collect();
        let fine: Vec<bool> = working.into_iter().map(Working::end).collect();
        assert_eq!(fine, [true; 4], "{date}");
        // Whatever one of them had no time for.
        assert!(night.work(&format!("{date}T12:10:00Z")), "{date}");
        for day in 1..7 {
            let later = model::Instant::parse(&at).unwrap().plus_seconds(day * 24 * 3600);
            assert!(night.work(&later.to_string()), "{later}");
        }
    }
    assert_eq!(night.dates(), each(&names, &dates));
    assert_eq!(night.mails().len(), names.len() * dates.len(), "each message once");
    night.is_accounted_for();
}

/// Work that has been due since midnight, and that somebody took: how often, until when it is theirs, and when it is to be
/// tried again.
fn what_somebody_has_in_hand_is_not_failing(backend: Backend) {
    let night = Night::at(backend, "2025-06-02T00:00:00Z");
    night.unit("U7", 0, "2025-02-01");
    let cases = [
        (1, "12:05:00", "00:00:00", true, "somebody is at work"),
        (2, "12:05:00", "00:00:00", false, "of the first who took it nothing was heard"),
        (1, "11:59:00", "13:00:00", false, "nor of this one, and nobody does it now"),
        (1, "11:59:00", "00:00:00", true, "this round does it"),
    ];
    for (day, (attempts, lease_until, next_try_at, is_well, why)) in (3..).zip(cases) {
        assert!(night.work(&format!("2025-06-{:02}T12:00:00Z", day - 1)), "{why}");
        let micros =
            |time: &str| model::Instant::parse(&format!("2025-06-{day:02}T{time}Z")).unwrap().micros();
        let (lease, next) = (micros(lease_until), micros(next_try_at));
        let taken = format!(
            "UPDATE chore SET attempts = {attempts}, lease_until = {lease}, next_try_at = {next} \
             WHERE kind = 'blobs' AND outcome IS NULL AND since = {}",
            micros("00:00:00")
        );
        assert_eq!(night.world.database.sql(&taken), 1, "{why}");
        assert_eq!(night.work(&format!("2025-06-{day:02}T12:00:00Z")), is_well, "{why}");
        // It is free again.
        night
            .world
            .database
            .sql("UPDATE chore SET attempts = 0, lease_until = 0, next_try_at = since WHERE kind = 'blobs'");
    }
}

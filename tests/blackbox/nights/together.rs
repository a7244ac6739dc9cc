//! Several night shifts on one database: each piece of work is done by one of them.

use blackbox::{Backend, on_both};

use super::night::{Night, Working, each};

on_both!(four_at_once);

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

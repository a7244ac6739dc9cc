//! What stays overdue is brought before others: after a week before the coordinator, after two before the planner, and not
//! while somebody has said that he knows.

use blackbox::{Backend, on_both};
use serde_json::json;

use super::night::{Night, name_of, text};

on_both!(what_stays_overdue_is_escalated, an_acknowledgement_ends);

/// Due on the fourth of June, overdue from the fifth on.
const COMMISSIONED: &str = "2025-05-04";

fn what_stays_overdue_is_escalated(backend: Backend) {
    let night = Night::at(backend, "2025-06-01T00:00:00Z");
    night.unit("U7", 0, COMMISSIONED);
    for role in ["viewer", "coordinator", "planner"] {
        let list = night.list(role, &json!({"role": role}));
        night.recipient(&list, &format!("{role}@tarnvalley.example"));
    }
    night.work("2025-06-01T01:00:00Z");
    work(&night, 1..=21);
    // The second, the ninth and the sixteenth are Mondays.
    let usual = ["2025-06-01", "2025-06-02", "2025-06-04", "2025-06-05", "2025-06-09", "2025-06-16"];
    for (role, besides) in [("viewer", None), ("coordinator", Some("12")), ("planner", Some("19"))] {
        let mut expected: Vec<String> = usual.map(str::to_owned).to_vec();
        expected.extend(besides.map(|day| format!("2025-06-{day}")));
        expected.sort();
        assert_eq!(night.dates()[role], expected, "{role}");
        let mails = night.mails();
        let escalated = |mail: &&blackbox::smtp::Mail| text(mail).contains("Brought before");
        let told = mails.iter().filter(|mail| name_of(mail) == role).filter(escalated).count();
        // The mail of that day, and for the coordinator the weekly one after it.
        let expected = match role {
            "coordinator" => 2,
            "planner" => 1,
            _ => 0,
        };
        assert_eq!(told, expected, "{role}");
    }
    night.is_accounted_for();
}

fn an_acknowledgement_ends(backend: Backend) {
    let mut night = Night::at(backend, "2025-06-01T00:00:00Z");
    let unit = night.unit("U7", 0, COMMISSIONED);
    night.listed(&["boss"]);
    work(&night, 1..=9);
    night.world.restart_at("2025-06-10T00:00:00Z");
    night.world.reach(&mut night.town);
    let said = json!({"unit_id": unit, "schedule_id": night.town.schedule, "task": "oil_change",
        "until": "2025-06-14T06:00:00Z"});
    night.town.coordinator().post("/v1/due/acknowledgements", &said).expect(200);
    work(&night, 10..=17);
    // On the tenth that it is known; not on the twelfth, when it has been overdue for a week; but when the time is over.
    let expected = ["01", "02", "04", "05", "09", "10", "14", "16"].map(|day| format!("2025-06-{day}"));
    assert_eq!(night.dates()["boss"], expected);
    let [known, over] = [5, 6].map(|n| text(&night.mails()[n]));
    assert!(known.contains("not told of until 2025-06-13"), "{known}");
    assert!(!known.contains("Brought before"), "{known}");
    assert!(over.contains("Brought before: coordinator"), "{over}");
    night.is_accounted_for();
}

fn work(night: &Night, days: std::ops::RangeInclusive<u32>) {
    for day in days {
        let at = format!("2025-06-{day:02}T12:00:00Z");
        assert!(night.work(&at), "{at}");
    }
}

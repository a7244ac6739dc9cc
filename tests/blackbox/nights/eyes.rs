//! Everybody is told only what they may see, as it is when the mail is made and when it is sent.

use blackbox::{
    Backend, on_both,
    smtp::{Behaviour, Mail},
};
use serde_json::json;

use super::night::{Night, each, name_of, text};

on_both!(
    whoever_sees_one_site_is_told_of_one,
    whoever_has_lost_a_site_gets_nothing_of_it,
    an_address_that_stands_there_twice_is_told_all_of_it,
);

fn whoever_sees_one_site_is_told_of_one(backend: Backend) {
    let night = Night::at(backend, "2025-06-02T00:00:00Z");
    night.unit("Hidden-7", 0, "2025-02-01");
    night.unit("Known-8", 1, "2025-02-01");
    let list = night.listed(&["everything"]);
    let (shelter, town) = (&night.town.sites[1], night.town.id);
    let custodian = night.world.person(town, &[("custodian", json!([shelter]))]);
    let nobody = night.world.person(town, &[]);
    for (name, person) in [("shelter", custodian), ("nobody", nobody)] {
        night.recipient_with(&list, &format!("{name}@tarnvalley.example"), &json!({"person_id": person}));
    }
    assert!(night.work("2025-06-02T12:00:00Z"));
    assert_eq!(night.dates(), each(&["everything", "shelter"], &["2025-06-02"]));
    let mails = night.mails();
    let to = |name: &str| mails.iter().find(|mail| name_of(mail) == name).map(text).unwrap();
    for word in ["Hidden-7", "Fire Station", "2 overdue"] {
        assert!(to("everything").contains(word), "{word}");
        assert!(!to("shelter").contains(word), "{word}");
    }
    for word in ["Known-8", "Shelter", "1 overdue"] {
        assert!(to("shelter").contains(word), "{word}");
    }
    let id = |mail: &&Mail| mail.header("Message-ID");
    assert_ne!(mails.first().as_ref().map(id), mails.last().as_ref().map(id), "two mails, two ids");
    night.is_accounted_for();
}

/// Two people read one mailbox, and each sees another site; with somebody who sees both, one mail is enough.
fn an_address_that_stands_there_twice_is_told_all_of_it(backend: Backend) {
    let night = Night::at(backend, "2025-06-02T00:00:00Z");
    night.unit("First-7", 0, "2025-02-01");
    night.unit("Second-8", 1, "2025-02-01");
    let list = night.listed(&[]);
    for site in [0, 1] {
        let seen = json!([night.town.sites[site]]);
        let person = night.world.person(night.town.id, &[("custodian", seen)]);
        night.recipient_with(&list, "shared@tarnvalley.example", &json!({"person_id": person}));
    }
    assert!(night.work("2025-06-02T12:00:00Z"));
    let told: Vec<String> = night.mails().iter().map(text).collect();
    assert_eq!(told.len(), 2, "{told:?}");
    for unit in ["First-7", "Second-8"] {
        assert_eq!(told.iter().filter(|text| text.contains(unit)).count(), 1, "{unit}: {told:?}");
    }
    night.recipient(&list, "Shared@tarnvalley.example");
    night.unit("Third-9", 0, "2025-02-01");
    assert!(night.work("2025-06-03T12:00:00Z"));
    let told: Vec<String> = night.mails().iter().skip(2).map(text).collect();
    assert_eq!(told.len(), 1, "{told:?}");
    assert!(told.iter().all(|text| text.contains("Second-8") && text.contains("Third-9")), "{told:?}");
}

/// A mail waits for its server; meanwhile its recipient is no more responsible for the site that it tells of.
fn whoever_has_lost_a_site_gets_nothing_of_it(backend: Backend) {
    let mut night = Night::at(backend, "2025-06-02T00:00:00Z");
    night.unit("Hidden-7", 0, "2025-02-01");
    let list = night.listed(&["everything"]);
    let station = &night.town.sites[0];
    let custodian = night.world.person(night.town.id, &[]);
    let until = json!({"role": "custodian", "sites": [station], "from": "2025-01-01T00:00:00Z",
        "until": "2025-06-02T12:10:00Z"});
    night.world.grant(night.town.id, custodian, until);
    night.recipient_with(&list, "left@tarnvalley.example", &json!({"person_id": custodian}));
    night.server(&Behaviour::Busy);
    night.work("2025-06-02T12:00:00Z");
    assert_eq!(night.smtp.count("recipient_refused"), 2, "both are about to get theirs");
    night.server(&Behaviour::Ok);
    night.work_through(&["2025-06-02T12:30:00Z", "2025-06-09T12:00:00Z"]);
    assert_eq!(night.dates(), each(&["everything"], &["2025-06-02", "2025-06-09"]));
    night.is_accounted_for();
}

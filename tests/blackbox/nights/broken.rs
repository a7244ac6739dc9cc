//! A mail server that does not take what it is handed: each mail comes once all the same, and the wait is told.

use blackbox::{Backend, on_both, smtp::Behaviour};

use super::night::{Night, each, ids, name_of};

on_both!(
    down_for_an_hour,
    a_server_that_fails_in_every_way,
    down_for_a_day,
    who_hangs_does_not_hold_up_the_rest
);

fn down_for_an_hour(backend: Backend) {
    let mut night = Night::at(backend, "2025-06-03T00:00:00Z");
    night.unit("U7", 0, "2025-02-01");
    night.listed(&["duty", "boss"]);
    night.server(&Behaviour::Down);
    let hour = ["12:00", "12:02", "12:05", "12:10", "12:20", "12:40", "12:59"];
    let fine: Vec<bool> = hour.map(|time| night.work(&format!("2025-06-03T{time}:00Z"))).to_vec();
    // What is late by a quarter of an hour is told.
    assert_eq!(fine, [true, true, true, true, false, false, false]);
    assert!(night.mails().is_empty());
    night.server(&Behaviour::Ok);
    night.work_through(&["2025-06-03T13:10:00Z", "2025-06-03T13:40:00Z"]);
    assert!(night.work("2025-06-03T14:40:00Z"));
    assert_eq!(night.dates(), each(&["boss", "duty"], &["2025-06-03"]));
    assert_eq!(night.mails().len(), 2);
    assert!(night.work("2025-06-04T12:00:00Z"));
    assert_eq!(night.mails().len(), 2);
    night.is_accounted_for();
}

/// A date for each way, and somebody new on the list, who is told at once.
fn a_server_that_fails_in_every_way(backend: Backend) {
    // Behaviour, and whether the message arrives all the same.
    let ways = [
        (Behaviour::Hang, false),
        (Behaviour::HangAfterData, true),
        (Behaviour::DropAfterData, true),
        (Behaviour::Busy, false),
        (Behaviour::NoRelay, false),
        (Behaviour::NoStarttls, false),
        (Behaviour::WrongCertificate, false),
        (Behaviour::UntrustedCertificate, false),
        (Behaviour::RefuseAuth, false),
    ];
    let mut night = Night::at(backend, "2025-06-03T00:00:00Z");
    night.unit("U7", 0, "2025-02-01");
    let list = night.listed(&[]);
    for ((way, arrives), day) in ways.iter().zip(3..) {
        let (name, date) = (way.to_string(), format!("2025-06-{day:02}"));
        night.recipient(&list, &format!("{name}@tarnvalley.example"));
        let came = |night: &Night| night.mails().iter().filter(|mail| name_of(mail) == name).count();
        night.server(way);
        night.work(&format!("{date}T12:00:00Z"));
        assert!(!night.work(&format!("{date}T12:20:00Z")), "{name}: nobody is told");
        assert_eq!(came(&night), if *arrives { 2 } else { 0 }, "{name}");
        night.server(&Behaviour::Ok);
        assert!(night.work(&format!("{date}T13:00:00Z")), "{name}");
        assert_eq!(came(&night), if *arrives { 3 } else { 1 }, "{name}");
        assert!(night.work(&format!("{date}T16:00:00Z")), "{name}");
        assert_eq!(night.dates()[&name], [date], "{name}");
    }
    assert_eq!(ids(&night.mails()).len(), ways.len());
    assert_eq!(night.smtp.count("password_in_the_clear"), 0);
    assert!(night.mails().iter().all(|mail| mail.tls));
    night.is_accounted_for();
}

/// A mail that is a day old is given up, which is told; the next date has one, though nothing changed.
fn down_for_a_day(backend: Backend) {
    let mut night = Night::at(backend, "2025-06-03T00:00:00Z");
    night.unit("U7", 0, "2025-02-01");
    night.listed(&["duty"]);
    night.server(&Behaviour::Down);
    for hour in 12..24 {
        night.work(&format!("2025-06-03T{hour}:00:00Z"));
    }
    for hour in 0..12 {
        assert!(!night.work(&format!("2025-06-04T{hour:02}:00:00Z")), "nobody is told at {hour}");
    }
    let failed = night.failed();
    assert!(failed.len() == 1 && failed[0].starts_with("mail: "), "{failed:?}");
    night.server(&Behaviour::Ok);
    assert!(!night.work("2025-06-04T12:00:00Z"), "the failure is told for a day");
    assert_eq!(night.dates(), each(&["duty"], &["2025-06-04"]));
    assert!(night.work("2025-06-05T12:00:00Z"));
    assert_eq!(night.mails().len(), 1);
    night.is_accounted_for();
}

/// A server that says nothing is asked for a few mails, and then left alone until the next round.
fn who_hangs_does_not_hold_up_the_rest(backend: Backend) {
    let names: Vec<String> = (10..20).map(|n| format!("duty{n}")).collect();
    let names: Vec<&str> = names.iter().map(String::as_str).collect();
    let mut night = Night::at(backend, "2025-06-03T00:00:00Z");
    night.unit("U7", 0, "2025-02-01");
    night.listed(&names);
    night.server(&Behaviour::Hang);
    night.work("2025-06-03T12:00:00Z");
    assert_eq!(night.smtp.count("connected"), 3);
    assert!(!night.work("2025-06-03T12:20:00Z"), "nobody is told");
    assert_eq!(night.smtp.count("connected"), 6);
    night.server(&Behaviour::Ok);
    assert!(night.work("2025-06-03T13:00:00Z"));
    assert_eq!(night.dates(), each(&names, &["2025-06-03"]));
    assert_eq!(night.mails().len(), names.len());
    night.is_accounted_for();
}

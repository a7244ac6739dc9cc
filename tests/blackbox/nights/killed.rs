//! A night shift that is killed at work: whoever comes after it ends what it began, and the same message stays the same.

use std::time::Duration;

use blackbox::{Backend, on_both, smtp::Behaviour};

use super::night::{Night, each, ids, text};

on_both!(between_sending_and_marking, before_sending, between_a_digest_and_the_plan_for_the_next);

const PATIENCE: Duration = Duration::from_secs(20);

fn between_sending_and_marking(backend: Backend) {
    let mut night = Night::at(backend, "2025-06-03T00:00:00Z");
    night.unit("U7", 0, "2025-02-01");
    night.listed(&["duty"]);
    night.server(&Behaviour::HangAfterData);
    let working = night.begin("2025-06-03T12:00:00Z");
    night.smtp.wait_for("mail", 1, PATIENCE);
    working.kill();
    night.server(&Behaviour::Ok);
    // What the killed one had taken is its own for five minutes.
    night.work("2025-06-03T12:04:00Z");
    assert_eq!(night.mails().len(), 1);
    assert!(night.work("2025-06-03T12:06:00Z"));
    assert!(night.work("2025-06-03T12:30:00Z"));
    let mails = night.mails();
    assert_eq!((mails.len(), ids(&mails).len()), (2, 1), "the same message twice");
    assert_eq!(mails[0], mails[1]);
    assert_eq!(night.dates(), each(&["duty"], &["2025-06-03"]));
    night.is_accounted_for();
}

fn before_sending(backend: Backend) {
    let mut night = Night::at(backend, "2025-06-03T00:00:00Z");
    night.unit("U7", 0, "2025-02-01");
    night.listed(&["duty", "boss"]);
    night.server(&Behaviour::Hang);
    let working = night.begin("2025-06-03T12:00:00Z");
    night.smtp.wait_for("connected", 1, PATIENCE);
    working.kill();
    night.server(&Behaviour::Ok);
    assert!(night.work("2025-06-03T12:06:00Z"));
    assert!(night.work("2025-06-03T12:30:00Z"));
    assert_eq!(night.mails().len(), 2);
    assert_eq!(night.dates(), each(&["boss", "duty"], &["2025-06-03"]));
    night.is_accounted_for();
}

/// A digest and the plan for the next one are kept together or not at all. The moment between them cannot be met from
/// outside, so the database refuses the second.
fn between_a_digest_and_the_plan_for_the_next(backend: Backend) {
    let night = Night::at(backend, "2025-06-03T00:00:00Z");
    night.unit("U7", 0, "2025-02-01");
    night.listed(&["duty"]);
    let database = &night.world.database;
    for statement in no_plans(backend) {
        database.sql(statement);
    }
    assert!(!night.work("2025-06-03T12:00:00Z"), "nobody is told");
    assert_eq!(database.number("SELECT count(*) AS n FROM digest"), 0, "half of it was kept");
    database.sql(match backend {
        Backend::Sqlite => "DROP TRIGGER no_plans",
        Backend::Postgres => "DROP TRIGGER no_plans ON chore",
    });
    // Nobody works on the fourth; on the fifth it shows.
    assert!(!night.work("2025-06-05T12:00:00Z"), "a date without a digest is told");
    let failed = night.failed();
    assert!(failed.len() == 1 && failed[0].starts_with("digest: "), "{failed:?}");
    assert_eq!(night.dates(), each(&["duty"], &["2025-06-05"]));
    assert!(text(&night.mails()[0]).contains("No mail went out on 2025-06-03, 2025-06-04"));
    night.is_accounted_for();
}

/// Statements after which no digest is wanted any more.
fn no_plans(backend: Backend) -> &'static [&'static str] {
    match backend {
        Backend::Sqlite => &["CREATE TRIGGER no_plans BEFORE INSERT ON chore WHEN NEW.kind = 'digest' \
             BEGIN SELECT RAISE(ABORT, 'no plans'); END"],
        Backend::Postgres => &[
            "CREATE FUNCTION no_plans() RETURNS trigger LANGUAGE plpgsql AS \
             $$ BEGIN IF NEW.kind = 'digest' THEN RAISE EXCEPTION 'no plans'; END IF; RETURN NEW; END $$",
            "CREATE TRIGGER no_plans BEFORE INSERT ON chore FOR EACH ROW EXECUTE FUNCTION no_plans()",
        ],
    }
}

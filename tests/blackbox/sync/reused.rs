//! An id that comes again with other content: the sender is refused, and both contents are kept, each once.

use blackbox::{
    Backend, World, none_failed, on_both,
    service::is_clean,
    world::{id_of, new_id},
};
use serde_json::{Value, json};

use super::{NEWER, Phone, beside, line, of_group, with};

on_both!(
    each_other_content_is_kept_once,
    private_text_of_another_content_is_sealed_as_any_other,
    what_cannot_be_read_is_another_content_too,
    a_handset_keeps_so_many_at_most,
    one_whose_id_is_used_ends_its_group,
);

/// How many other contents are kept.
fn others(world: &World) -> i64 {
    world.database.number("SELECT count(*) AS n FROM other_content")
}

fn hours(edit: &Value, hours: i64) -> Value {
    with(edit, "body", with(&edit["body"], "meter_hours", json!(hours)))
}

/// Wherever the first of an id has gone, whoever sends another content, and however often.
fn each_other_content_is_kept_once(backend: Backend) {
    let world = World::new(backend);
    let town = world.town();
    let unit = town.unit_in_service("FS-1", 0);
    let (phone, other) = (Phone::new(&town, "coordinator"), Phone::new(&town, "technician"));
    let foreign = world.person(town.id, &[("technician", json!([town.sites[1]]))]);
    let stranger = Phone::of(&town, &world.client(town.id, foreign));
    let firsts = [
        ("recorded", phone.reading(&unit, 5.0)),
        ("held", phone.ahead(&unit)),
        ("parked", phone.reading(&new_id(), 5.0)),
        ("of a group", of_group(&phone.reading(&unit, 5.0), &new_id(), 2)),
        ("of a newer format", with(&phone.reading(&unit, 5.0), "format", json!(NEWER))),
        ("refused", with(&phone.reading(&unit, 5.0), "stamp", json!("06GJPNV0000000000000"))),
    ];
    let mut failures = Vec::new();
    for (case, first) in &firsts {
        let before = (others(&world), beside(&world));
        let told = phone.told(&[first, &hours(first, 6), &hours(first, 7), &hours(first, 6)]);
        let kept = beside(&world) - before.1;
        if told[1..] != ["refused id_reused"; 3] || others(&world) - before.0 != 2 {
            failures.push(format!("{case}, at once: {told:?}, {} kept", others(&world) - before.0));
        }
        // Again and later, of another handset as well, nothing is added but what is new.
        let by_other = |edit: &Value| with(edit, "stamp", json!(other.stamp("2026-06-15T11:00:00Z", 1)));
        for _ in 0..2 {
            let mut told = phone.told(&[&hours(first, 7), first, &hours(first, 6)]);
            told.extend(other.told(&[&by_other(&hours(first, 6)), &by_other(&hours(first, 8))]));
            if told.iter().filter(|word| *word == "refused id_reused").count() != 4 {
                failures.push(format!("{case}, later: {told:?}"));
            }
        }
        let left = (others(&world) - before.0, beside(&world) - before.1);
        // What nobody can read is another content as soon as any of it differs, the stamp included.
        let all = if *case == "of a newer format" { 4 } else { 3 };
        if left != (all, kept) {
            failures.push(format!("{case}: {left:?} kept, not ({all}, {kept})"));
        }
    }
    // Whoever may not know that the id is used is told what anybody is who may not write there; it is kept all the same.
    let (recorded, before) = (&firsts[0].1, others(&world));
    let unseen = with(&hours(recorded, 9), "stamp", json!(stranger.stamp("2026-06-15T11:00:00Z", 1)));
    let told = stranger.push(&[&unseen]);
    assert!(!line(&told[0]).contains("id_reused"), "{told:?}");
    assert_eq!(others(&world) - before, 1);
    let reasons = world.database.texts("SELECT DISTINCT reason AS t FROM other_content ORDER BY reason");
    assert_eq!(reasons, ["id_reused", "invalid"], "as its sender was told");
    // What was first is what it was.
    let read = town.coordinator().get(&format!("{}/{}", super::EVENTS, id_of(recorded))).expect(200).json();
    assert_eq!(read["meter_hours"], 5);
    none_failed(&failures);
    is_clean(&world.database);
}

/// It is sealed as any other, and a text whose salt the service made is known again.
fn private_text_of_another_content_is_sealed_as_any_other(backend: Backend) {
    let world = World::new(backend);
    let town = world.town();
    let unit = town.unit_in_service("FS-1", 0);
    let phone = Phone::new(&town, "technician");
    let first = phone.reading(&unit, 5.0);
    let noted = with(&first, "body", with(&first["body"], "note", json!("behind the shed")));
    for _ in 0..3 {
        assert_eq!(phone.told(&[&first, &noted, &noted])[1..], ["refused id_reused"; 2]);
    }
    assert_eq!(others(&world), 1);
    let bodies = world.database.texts("SELECT body AS t FROM other_content");
    assert!(bodies[0].contains("meter_hours") && !bodies[0].contains("shed"), "{bodies:?}");
    let texts = world.database.texts("SELECT content AS t FROM private_text WHERE pointer LIKE '%/note'");
    assert_eq!(texts, ["behind the shed"]);
    let listed = town.coordinator().all(&format!("/v1/handsets/{}/edits", phone.id), 5);
    assert_eq!((listed.len(), &listed[0]["body"]["note"]), (1, &json!("behind the shed")));
    assert!(listed[0]["occurred_at"].is_string(), "as any other refused edit: {}", listed[0]);
    // Both contents have a note: each keeps its own.
    let (one, two) = (phone.reading(&unit, 6.0), "by the gate");
    let [one, two] =
        ["in the yard", two].map(|note| with(&one, "body", with(&one["body"], "note", json!(note))));
    for _ in 0..2 {
        phone.told(&[&one, &two]);
    }
    let texts = world
        .database
        .texts("SELECT content AS t FROM private_text WHERE pointer LIKE '%/note' ORDER BY content");
    assert_eq!(texts, ["behind the shed", "by the gate", "in the yard"]);
    let read = town.coordinator().get(&format!("{}/{}", super::EVENTS, id_of(&one))).expect(200).json();
    assert_eq!(read["note"], "in the yard");
    is_clean(&world.database);
}

fn what_cannot_be_read_is_another_content_too(backend: Backend) {
    let world = World::new(backend);
    let town = world.town();
    let unit = town.unit_in_service("FS-1", 0);
    let phone = Phone::new(&town, "technician");
    let good = phone.reading(&unit, 5.0);
    let wrong = with(&good, "body", json!({"kind": "party"}));
    let long = with(&good, "padding", json!("x".repeat(70_000)));
    for (round, first) in [(1, "applied"), (2, "already_applied")] {
        let told = phone.told(&[&good, &wrong, &long, &wrong]);
        assert_eq!(told, [first, "refused id_reused", "refused id_reused", "refused id_reused"], "{round}");
        assert_eq!((others(&world), beside(&world)), (2, 0), "{round}");
    }
    let longest = world.database.number("SELECT CAST(max(length(body)) AS bigint) AS n FROM other_content");
    assert!(longest < 1000, "of one that is too large its body is not kept: {longest}");
    is_clean(&world.database);
}

fn a_handset_keeps_so_many_at_most(backend: Backend) {
    const MOST: i64 = 500;
    let world = World::new(backend);
    let town = world.town();
    let unit = town.unit_in_service("FS-1", 0);
    const MOST_OF_ONE: i64 = 20;
    let (phone, other) = (Phone::new(&town, "technician"), Phone::new(&town, "technician"));
    let mut kept = 0;
    for _ in 0..MOST / MOST_OF_ONE + 2 {
        let first = phone.reading(&unit, 5.0);
        assert_eq!(phone.told(&[&first]), ["applied"]);
        // Some at once, and some after others are there.
        for part in [6..12, 12..30] {
            let edits: Vec<Value> = part.map(|n| hours(&first, n)).collect();
            let told = phone.told(&edits.iter().collect::<Vec<_>>());
            assert!(told.iter().all(|word| word == "refused id_reused"), "{told:?}");
        }
        kept = MOST.min(kept + MOST_OF_ONE);
        assert_eq!(others(&world), kept);
    }
    let own = other.reading(&unit, 5.0);
    assert_eq!(other.told(&[&own, &hours(&own, 6)]), ["applied", "refused id_reused"]);
    assert_eq!(others(&world), MOST + 1, "another handset has room of its own");
    is_clean(&world.database);
}

/// Such a group can never be complete. Where the id is another member's, both contents are the group's, and the first counts.
fn one_whose_id_is_used_ends_its_group(backend: Backend) {
    let world = World::new(backend);
    let town = world.town();
    let unit = town.unit_in_service("FS-1", 0);
    let phone = Phone::new(&town, "technician");
    let used = phone.reading(&unit, 5.0);
    assert_eq!(phone.told(&[&used]), ["applied"]);
    for (early, content) in [(true, 6), (false, 7)] {
        let group = new_id();
        let reused = of_group(&hours(&used, content), &group, 2);
        let member = of_group(&phone.reading(&unit, 7.0), &group, 2);
        let (one, two) = if early { (&reused, &member) } else { (&member, &reused) };
        phone.told(&[one]);
        phone.told(&[two]);
        assert_eq!(phone.told(&[&member]), ["refused group_refused"], "{early}");
    }
    let group = new_id();
    let [one, two] = [8.0, 9.0].map(|hours| of_group(&phone.reading(&unit, hours), &group, 2));
    assert_eq!(phone.told(&[&one, &hours(&one, 1)]), ["parked group_incomplete", "refused id_reused"]);
    assert_eq!(phone.told(&[&two, &one]), ["applied"; 2]);
    is_clean(&world.database);
}

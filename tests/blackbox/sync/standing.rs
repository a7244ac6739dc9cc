//! What the service knows of a handset by its syncs: when it was seen, how far off its clock is, what it has still to send;
//! and what becomes of one that is revoked.

use blackbox::{
    Backend, World, on_both,
    service::{NOW, is_clean},
    world::id_of,
};
use serde_json::{Value, json};

use super::{EVENTS, NEWER, Phone, line, with};

on_both!(
    what_it_says_of_itself_is_what_is_known_of_it,
    a_revoked_handset_sends_and_is_told_nothing,
    what_was_written_after_the_revocation_is_told_from_what_was_before,
    whoever_syncs_has_signed_in,
);

fn what_it_says_of_itself_is_what_is_known_of_it(backend: Backend) {
    let world = World::new(backend);
    let town = world.town();
    let boss = town.coordinator();
    let unit = town.unit_in_service("FS-1", 0);
    let phone = Phone::new(&town, "technician");
    assert_eq!(phone.known(boss).get("last_seen_at"), None);
    let oldest = json!("2026-06-12T07:30:00Z");
    // How many edits come, what it says of those that wait; what is known then of how many wait and since when.
    let cases = [
        ("it reads for the first time", 0, json!({}), 0, Value::Null),
        ("two, and it does not say that more wait", 2, json!({}), 2, Value::Null),
        (
            "a queue of 37 in parts",
            10,
            json!({"waiting": 37, "oldest_waiting_at": oldest}),
            37,
            oldest.clone(),
        ),
        ("the rest of it", 27, json!({"waiting": 27, "oldest_waiting_at": oldest}), 27, oldest.clone()),
        ("nothing any more", 0, json!({"waiting": 0}), 0, Value::Null),
        (
            "some that it cannot send yet",
            0,
            json!({"waiting": 3, "oldest_waiting_at": "2026-06-15T06:00:00-06:00"}),
            3,
            json!("2026-06-15T12:00:00Z"),
        ),
        ("a clock of another year", 1, json!({"clock": "2031-06-15T12:00:00Z"}), 1, Value::Null),
    ];
    let mut before = String::new();
    for (case, edits, says, waiting, since) in cases {
        let edits: Vec<Value> = (0..edits).map(|_| phone.reading(&unit, 1.0)).collect();
        let mut request = phone.request(&edits.iter().collect::<Vec<_>>());
        for (member, value) in says.as_object().unwrap() {
            request[member] = value.clone();
        }
        let answer = phone.sync(&request).expect(200).json();
        let known = phone.known(boss);
        assert_eq!(known["waiting"], json!(waiting), "{case}: {known}");
        assert_eq!(
            known.get("oldest_waiting_at"),
            Some(&since).filter(|since| !since.is_null()),
            "{case}: {known}"
        );
        assert_eq!(known["offset_seconds"], answer["offset_seconds"], "{case}: {known}");
        assert_eq!((&known["revoked"], &known["forked"]), (&json!(false), &json!(false)), "{case}");
        let seen = known["last_seen_at"].as_str().unwrap().to_owned();
        assert_eq!(seen, answer["now"].as_str().unwrap(), "{case}");
        assert!(before < seen, "{case}");
        before = seen;
    }
    // In the list it is the same.
    let listed = boss.all("/v1/handsets", 10);
    assert_eq!(listed, [phone.known(boss)]);
    is_clean(&world.database);
}

fn a_revoked_handset_sends_and_is_told_nothing(backend: Backend) {
    let world = World::new(backend);
    let town = world.town();
    let boss = town.coordinator();
    let unit = town.unit_in_service("FS-1", 0);
    let phone = Phone::new(&town, "technician").passed_to(boss);
    let (recorded, parked) = (phone.reading(&unit, 1.0), phone.reading(&blackbox::world::new_id(), 1.0));
    assert_eq!(phone.told(&[&recorded, &parked]), ["applied", "parked missing_parent"]);
    let pull = |cursor: Value| {
        phone
            .sync(&with(&with(&phone.request(&[]), "pull", json!(true)), "cursor", cursor))
            .expect(200)
            .json()
    };
    let filled = pull(Value::Null);
    assert!(!filled["changes"].as_array().unwrap().is_empty());
    boss.post(&format!("/v1/handsets/{}/revoke", phone.id), &json!({})).expect(200);

    // Nothing of what it holds is lost, nothing counts unseen, and nothing of what happens meanwhile is told to it.
    let edits = [
        recorded.clone(),
        parked.clone(),
        phone.reading(&unit, 2.0),
        phone.set("unit", &unit, json!({"label": "FS-9"}), json!({})),
        phone.new_unit("FS-8", &town.sites[0]),
        with(&phone.reading(&unit, 3.0), "format", json!(NEWER)),
        with(&phone.reading(&unit, 4.0), "body", json!({"kind": "reading"})),
    ];
    let expected = [
        "already_applied",
        "held handset_revoked",
        "held handset_revoked",
        "held handset_revoked",
        "held handset_revoked",
        "parked newer_format",
        "refused invalid",
    ];
    let all: Vec<&Value> = edits.iter().collect();
    let rows = world.database.log_rows();
    for round in 0..2 {
        let request =
            with(&with(&phone.request(&all), "pull", json!(true)), "cursor", filled["cursor"].clone());
        let answer = phone.sync(&request).expect(200).json();
        let told: Vec<String> = super::results(&answer).iter().map(line).collect();
        assert_eq!(told, expected, "{round}");
        assert_eq!(
            answer["pull"],
            json!({"status": "reset", "reason": "handset_revoked"}),
            "{round}: {answer}"
        );
        assert_eq!(
            (&answer["changes"], &answer["more"], answer.get("fingerprints")),
            (&json!([]), &json!(false), None),
            "{round}"
        );
        assert_eq!(world.database.log_rows(), rows + 4, "{round}");
    }
    for cursor in [Value::Null, filled["cursor"].clone()] {
        let answer = pull(cursor);
        assert_eq!(answer["changes"], json!([]));
        assert_eq!(answer["pull"]["reason"], "handset_revoked");
    }
    let read = boss.get(&format!("/v1/units/{unit}")).expect(200).json();
    assert_eq!(read["label"], "FS-1");
    assert_eq!(boss.all(&format!("{EVENTS}?unit={unit}&kind=reading"), 10).len(), 1);
    let held: Vec<String> = boss.all("/v1/held", 10).iter().map(id_of).collect();
    assert_eq!(held.len(), 4);
    // Released, it counts as any other; the handset learns it.
    for edit in &edits[2..5] {
        boss.post(&format!("/v1/held/{}/release", id_of(edit)), &json!({})).expect(200);
    }
    assert_eq!(phone.told(&all[2..5]), ["already_applied"; 3]);
    let read = boss.get(&format!("/v1/units/{}", id_of(&edits[4]))).expect(200).json();
    assert_eq!(read["label"], "FS-8");
    is_clean(&world.database);
}

/// Whether an edit was written before the handset was lost is told by its stamp, unless the handset had sent all it had
/// since: a clock that is set back makes nothing older.
fn what_was_written_after_the_revocation_is_told_from_what_was_before(backend: Backend) {
    let mut world = World::new(backend);
    let mut town = world.town();
    let unit = town.unit_in_service("FS-1", 0);
    let mut phones = [Phone::new(&town, "technician"), Phone::new(&town, "technician")];
    for phone in &phones {
        town.coordinator().post(&format!("/v1/handsets/{}/revoke", phone.id), &json!({})).expect(200);
    }
    world.restart_at("2026-06-15T18:00:00Z");
    world.reach(&mut town);
    let clock = "2026-06-15T18:00:00Z";
    for phone in &mut phones {
        phone.client = town.clients["technician"].clone();
    }
    let [honest, tampered] = &phones;
    // The second one sends all that it has, one too long an edit included, and then what is said to be of the morning.
    let long = with(&tampered.reading(&unit, 1.0), "padding", json!("x".repeat(70_000)));
    let request = with(&with(&tampered.request(&[&long]), "clock", json!(clock)), "waiting", json!(1));
    assert_eq!(line(&tampered.sync(&request).expect(200).json()["results"][0]), "refused invalid");
    let (mut edits, mut sent) = (Vec::new(), Vec::new());
    for (phone, at, flagged) in [
        (honest, "2026-06-15T11:00:00Z", false),
        (honest, "2026-06-15T17:00:00Z", true),
        (tampered, "2026-06-15T11:00:00Z", true),
    ] {
        let edit = with(&phone.reading(&unit, 2.0), "stamp", json!(phone.stamp(at, 1)));
        let request = with(&phone.request(&[&edit]), "clock", json!(clock));
        let answer = phone.sync(&with(&request, "waiting", json!(9))).expect(200).json();
        edits.push((at, flagged, id_of(&edit), answer["results"][0].clone()));
        sent.push((phone, edit));
    }
    let held = town.coordinator().all("/v1/held", 10);
    for ((at, flagged, id, result), item) in edits.iter().zip(&held) {
        let word = if *flagged { "held handset_revoked +after_revocation" } else { "held handset_revoked" };
        assert_eq!(line(result), word, "{at}: {result}");
        let told = item["flags"].as_array().is_some_and(|flags| flags.contains(&json!("after_revocation")));
        assert_eq!((item["id"].as_str().unwrap(), told), (id.as_str(), *flagged), "{at}: {item}");
        // Its handset is told the same, also when it was decided about.
        assert_eq!(result.get("flags"), item.get("flags"), "{at}: {result}");
    }
    let decisions = [("release", "already_applied"), ("refuse", "refused refused_by_person")];
    for ((_, _, id, result), (decision, word)) in edits[1..].iter().zip(decisions) {
        let body = if decision == "refuse" { json!({"reason": "not ours"}) } else { json!({}) };
        town.coordinator().post(&format!("/v1/held/{id}/{decision}"), &body).expect(200);
        let (phone, edit) = sent.iter().find(|(_, edit)| id_of(edit) == *id).unwrap();
        let again = phone.push(&[edit]);
        assert!(line(&again[0]).starts_with(word), "{decision}: {again:?}");
        assert_eq!(again[0].get("flags"), result.get("flags"), "{decision}: {again:?}");
    }
    is_clean(&world.database);
}

fn whoever_syncs_has_signed_in(backend: Backend) {
    let world = World::new(backend);
    let town = world.town();
    let unit = town.unit_in_service("FS-1", 0);
    let phone = Phone::new(&town, "technician");
    let seen_by = |role: &str| town.clients[role].get(&format!("/v1/handsets/{}", phone.id)).status;
    assert_eq!(["technician", "custodian", "viewer"].map(seen_by), [200, 404, 404]);
    // Also with nothing to send, and as somebody who may record nothing.
    for role in ["custodian", "viewer"] {
        let body = with(&phone.request(&[]), "clock", json!(NOW));
        town.clients[role].post(super::SYNC, &body).expect(200);
        assert_eq!(seen_by(role), 200, "{role}");
    }
    let by = |role: &str| with(&phone.reading(&unit, 1.0), "author", json!(town.people[role]));
    let told = phone.told(&[&by("custodian"), &by("viewer"), &by("coordinator")]);
    assert_eq!(told, ["applied", "refused forbidden", "held unknown_author"]);
    is_clean(&world.database);
}

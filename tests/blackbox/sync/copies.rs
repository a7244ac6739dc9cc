//! Two copies of one handset, which are found out, and a handset's own edits, which are not told to it again.

use blackbox::{Backend, World, none_failed, on_both, service::is_clean, world::id_of};
use serde_json::{Value, json};

use super::{EVENTS, Phone, line, results, seen, with};

on_both!(a_copy_is_found_out_and_nothing_of_it_is_lost, what_a_handset_knows_is_not_told_to_it_again,);

impl Phone {
    /// Another with the same store: it goes on where this one stands.
    fn copy(&self) -> Self {
        let (made, last) = (self.made.clone(), self.last.clone());
        Self { client: self.client.clone(), id: self.id.clone(), number: self.number, made, last }
    }
}

fn a_copy_is_found_out_and_nothing_of_it_is_lost(backend: Backend) {
    let world = World::new(backend);
    let town = world.town();
    let boss = town.coordinator();
    let mut failures = Vec::new();
    // How many each of the two writes after the copy was made, and whether the second's come first, last or in turn.
    for (before, of_one, of_two, way) in [
        (0, 1, 1, "one after the other"),
        (2, 1, 3, "one after the other"),
        (2, 3, 1, "in turn"),
        (1, 2, 2, "in one request"),
    ] {
        let case = format!("{before} before, {of_one} and {of_two} after, {way}");
        let unit = town.unit_in_service("FS-1", 0);
        let one = Phone::new(&town, "coordinator");
        let shared: Vec<Value> = (0..before).map(|_| one.reading(&unit, 1.0)).collect();
        let answer = one.answer(&shared.iter().collect::<Vec<_>>());
        if answer.get("forked").is_some() || one.known(boss)["forked"] != false {
            failures.push(format!("{case}: forked from the beginning"));
        }
        let two = one.copy();
        let write = |phone: &Phone, count: usize, name: &str| -> Vec<Value> {
            let label =
                |n: usize| phone.set("unit", &unit, json!({"label": format!("{name} {n}")}), json!({}));
            (0..count).map(label).collect()
        };
        let (first, second) = (write(&one, of_one, "One"), write(&two, of_two, "Two"));
        let both: Vec<&Value> = first.iter().chain(&second).collect();
        let pushes: Vec<Vec<&Value>> = match way {
            "in one request" => vec![both.clone()],
            "in turn" => {
                let longest = of_one.max(of_two);
                let turn =
                    |n: usize| [first.get(n), second.get(n)].into_iter().flatten().map(|edit| vec![edit]);
                (0..longest).flat_map(turn).collect()
            }
            _ => vec![first.iter().collect(), second.iter().collect()],
        };
        let mut told = Vec::new();
        let mut forked = Vec::new();
        for push in &pushes {
            let answer = one.answer(push);
            forked.push(answer["forked"] == true);
            told.extend(results(&answer));
        }
        if forked.last() != Some(&true) || (pushes.len() > 1 && forked[0]) {
            failures.push(format!("{case}: told in {forked:?}"));
        }
        let flagged = told.iter().filter(|result| line(result).ends_with("+forked")).count();
        if flagged == 0
            || told
                .iter()
                .any(|result| !["applied", "contested"].contains(&result["result"].as_str().unwrap()))
        {
            failures.push(format!("{case}: {told:?}"));
        }
        if one.known(boss)["forked"] != true {
            failures.push(format!("{case}: {}", one.known(boss)));
        }
        // Every value of the second copy is there: it wins, or is contested until somebody settles it.
        let read = boss.get(&format!("/v1/units/{unit}")).expect(200).json()["label"].clone();
        let contested = boss.all("/v1/contested", 100);
        let values = contested
            .iter()
            .filter(|item| item["id"] == json!(unit))
            .flat_map(|item| item["values"].as_array().unwrap().clone());
        let values: Vec<Value> = values.map(|value| value["value"].clone()).chain([read]).collect();
        for last in [&first[of_one - 1], &second[of_two - 1]] {
            if !values.contains(&last["body"]["label"]) {
                failures.push(format!("{case}: {} is not among {values:?}", last["body"]["label"]));
            }
        }
        let again = one.told(&both);
        if again.iter().any(|word| word != "already_applied") {
            failures.push(format!("{case}: {again:?}"));
        }
        // Enrolled anew it goes on under another number, and what it had seen it names.
        let fresh = Phone::new(&town, "coordinator");
        assert_ne!((fresh.number, &fresh.id), (one.number, &one.id));
        if fresh.answer(&[&fresh.reading(&unit, 2.0)]).get("forked").is_some() {
            failures.push(format!("{case}: still forked"));
        }
    }
    none_failed(&failures);
    is_clean(&world.database);
}

fn what_a_handset_knows_is_not_told_to_it_again(backend: Backend) {
    let world = World::new(backend);
    let town = world.town();
    let boss = town.coordinator();
    let unit = town.unit_in_service("FS-1", 0);
    let spare = town.unit_in_service("FS-6", 0);
    let (phone, other) = (Phone::new(&town, "coordinator"), Phone::new(&town, "coordinator"));
    let follow = |phone: &Phone, edits: &[&Value], mut cursor: Value| {
        let mut told = Vec::new();
        let mut answers = Vec::new();
        let mut sent = edits.to_vec();
        loop {
            // Its clock is an hour slow, however long the test takes.
            let request = with(&phone.request(&sent), "clock", json!("2026-06-15T11:00:00Z"));
            let request = with(&request, "pull", json!(true));
            let answer = phone.sync(&with(&request, "cursor", cursor)).expect(200).json();
            assert_eq!(answer["pull"], json!({"status": "ok"}), "{answer}");
            cursor = answer["cursor"].clone();
            told.extend(answer["changes"].as_array().unwrap().clone());
            answers.extend(results(&answer));
            sent.clear();
            if answer["more"] == false {
                assert_eq!(answer["fingerprints"].as_array().map(Vec::len), Some(2), "{answer}");
                return (told, answers, cursor);
            }
            assert_eq!(answer.get("fingerprints"), None, "{answer}");
        }
    };
    let (_, _, cursor) = follow(&phone, &[], Value::Null);
    let (_, _, others) = follow(&other, &[], Value::Null);
    let made = phone.new_unit("FS-2", &town.sites[0]);
    let label = phone.set("unit", &id_of(&made), json!({"label": "FS-3"}), seen(&made, &["label"]));
    let rating = phone.set("unit", &spare, json!({"rated_kw": 6.0}), json!({}));
    let maker = phone.set("unit", &spare, json!({"maker": "Alder"}), json!({}));
    let typed = phone.reading(&unit, 1.0);
    let clock = phone.reading(&unit, 2.0);
    let mut clock = with(&clock, "boot", json!(4));
    clock["body"]["occurred_source"] = json!("clock");
    let unseen = phone.set("unit", &unit, json!({"label": "FS-4"}), json!({}));
    let parked = phone.reading(&blackbox::world::new_id(), 1.0);
    let held = phone.ahead(&unit);
    let (told, answers, cursor) =
        follow(&phone, &[&made, &label, &rating, &maker, &typed, &clock, &unseen, &parked, &held], cursor);
    let words: Vec<String> = answers.iter().map(line).collect();
    assert_eq!(
        words,
        [
            "applied",
            "applied",
            "applied",
            "applied",
            "applied",
            "applied",
            "contested ?label",
            "parked missing_parent",
            "held future_event"
        ]
    );
    // What it can do by itself comes as ids and versions, whose results had them; what came out otherwise than it was made
    // comes as it is.
    let of = |told: &[Value], id: &str| {
        told.iter().filter(|change| change["id"] == id).cloned().collect::<Vec<_>>()
    };
    let echo = |edit: &Value, kind: &str, record: &str, versions: &[(&Value, i64)]| {
        let edits: Vec<Value> =
            versions.iter().map(|(edit, version)| json!({"id": edit["id"], "version": version})).collect();
        let found = of(&told, record);
        assert_eq!(found, [json!({"change": "echo", "kind": kind, "id": record, "edits": edits})], "{edit}");
    };
    let version = answers[2]["version"].as_i64().unwrap();
    echo(&rating, "unit", &spare, &[(&rating, version), (&maker, version + 1)]);
    echo(&typed, "service_event", &id_of(&typed), &[(&typed, 1)]);
    // A unit that is new comes into sight with all that it has.
    for (case, id) in [("put right", id_of(&clock)), ("contested", unit.clone()), ("new", id_of(&made))] {
        let found = of(&told, &id);
        assert_eq!((found.len(), &found[0]["change"]), (1, &json!("record")), "{case}: {found:?}");
    }
    for (case, edit) in [("parked", &parked), ("held", &held)] {
        assert_eq!(of(&told, &id_of(edit)), Vec::<Value>::new(), "{case}");
    }
    assert!(
        told.iter().filter(|change| change["change"] == "echo").all(|echo| echo.to_string().len() <= 300)
    );

    // Others are told all of it as it is, and the desk's changes come to both as they are.
    let (told, _, others) = follow(&other, &[], others);
    for id in [id_of(&made), id_of(&typed), id_of(&clock), unit.clone()] {
        let found = of(&told, &id);
        assert_eq!((found.len(), &found[0]["change"]), (1, &json!("record")), "{id}: {found:?}");
    }
    let etag = boss.get(&format!("/v1/units/{}", id_of(&made))).expect(200).etag();
    boss.patch(&format!("/v1/units/{}", id_of(&made)), &etag, &json!({"label": "FS-5"})).expect(200);
    for (phone, cursor) in [(&phone, cursor), (&other, others)] {
        let (told, _, cursor) = follow(phone, &[], cursor);
        assert_eq!(told.len(), 1, "{told:?}");
        assert_eq!(told[0]["record"]["fields"]["label"], "FS-5", "{told:?}");
        // A repeat adds nothing to anybody's feed.
        let (told, answers, _) = follow(phone, &[], cursor);
        assert_eq!((told.len(), answers.len()), (0, 0), "{told:?}");
    }
    let before = world.database.log_rows();
    phone.push(&[&made, &label, &rating, &maker, &typed, &clock, &unseen, &parked, &held]);
    assert_eq!(world.database.log_rows(), before);
    assert_eq!(boss.all(&format!("{EVENTS}?unit={unit}&kind=reading"), 10).len(), 2);
    is_clean(&world.database);
}

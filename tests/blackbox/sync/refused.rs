//! What is wrong with one edit is that edit's alone: its neighbours are recorded, and it is told where it is wrong.

use blackbox::{
    Backend, World, none_failed, on_both,
    service::is_clean,
    world::{id_of, new_id},
};
use serde_json::{Value, json};

use super::{NEWER, Phone, beside, flaws, line, of_group, reading, with};

on_both!(
    a_wrong_edit_is_refused_alone,
    too_large_an_edit_is_refused_alone,
    a_refused_edit_can_be_sent_again_as_it_should_be,
    each_role_sends_what_it_may_record,
    an_id_is_good_for_one_content,
);

const WRONG: &str = "refused invalid";

/// What is wrong, the edit, what it comes to, and where it is wrong, from the edit on.
type Case = (&'static str, Value, &'static str, Vec<&'static str>);

fn wrong_edits(phone: &Phone, unit: &str, site: &str) -> Vec<Case> {
    let read = || phone.reading(unit, 5.0);
    let set = || phone.set("unit", unit, json!({"rated_kw": 6}), json!({}));
    let made = || phone.new_unit("FS-9", site);
    let body = |member: &str, value: Value| {
        let read = read();
        with(&read, "body", with(&read["body"], member, value))
    };
    let fields = |fields: Value| with(&set(), "body", fields);
    let envelope = |case, member: &str, value, flaw| (case, with(&read(), member, value), WRONG, vec![flaw]);
    vec![
        envelope("no id", "id", Value::Null, "/id required"),
        envelope("an id that is none", "id", json!("7"), "/id invalid_id"),
        envelope("no number", "number", Value::Null, "/number required"),
        envelope("number 0", "number", json!(0), "/number out_of_range"),
        envelope(
            "a number beyond what all can read",
            "number",
            json!(9_007_199_254_740_992_u64),
            "/number out_of_range",
        ),
        envelope("no format", "format", Value::Null, "/format required"),
        envelope("format 0", "format", json!(0), "/format out_of_range"),
        envelope("no stamp", "stamp", Value::Null, "/stamp required"),
        envelope("a stamp in small letters", "stamp", json!("06gjpnv0000000000000"), "/stamp invalid_stamp"),
        envelope("a previous edit that is none", "previous", json!(6), "/previous wrong_type"),
        envelope("an author that is none", "author", json!("me"), "/author invalid_id"),
        envelope("a start below zero", "boot", json!(-1), "/boot out_of_range"),
        envelope("a kind that handsets do not write", "kind", json!("person"), "/kind unknown_word"),
        envelope("an event that is changed", "action", json!("set"), "/action unknown_word"),
        envelope("an event of another id", "record_id", json!(new_id()), "/record_id unknown_member"),
        envelope("an event with a base", "base", json!({}), "/base unknown_member"),
        envelope("no body", "body", Value::Null, "/body required"),
        envelope("a body that is a list", "body", json!([]), "/body wrong_type"),
        envelope("a member that there is not", "mood", json!("good"), "/mood unknown_member"),
        ("a group of none", of_group(&read(), &new_id(), 0), WRONG, vec!["/group/size out_of_range"]),
        (
            "a group that fits no request",
            of_group(&read(), &new_id(), 1001),
            WRONG,
            vec!["/group/size out_of_range"],
        ),
        ("a number", json!(7), WRONG, vec![" wrong_type"]),
        ("a text", json!("{}"), WRONG, vec![" wrong_type"]),
        ("a list", json!([]), WRONG, vec![" wrong_type"]),
        ("an id in the body", body("id", json!(new_id())), WRONG, vec!["/body/id unknown_member"]),
        ("no hours", body("meter_hours", Value::Null), WRONG, vec!["/body/meter_hours required"]),
        (
            "hours as a word",
            body("meter_hours", json!("five")),
            WRONG,
            vec!["/body/meter_hours invalid_hours"],
        ),
        ("hours below zero", body("meter_hours", json!(-1)), WRONG, vec!["/body/meter_hours out_of_range"]),
        ("an event of no kind", body("kind", json!("party")), WRONG, vec!["/body/kind unknown_word"]),
        ("no unit", body("unit_id", Value::Null), WRONG, vec!["/body/unit_id required"]),
        (
            "an instant without offset",
            body("occurred_at", json!("2026-06-14T12:00:00")),
            WRONG,
            vec!["/body/occurred_at offset_required"],
        ),
        (
            "a member of another kind",
            body("site_id", json!(site)),
            WRONG,
            vec!["/body/site_id unknown_member"],
        ),
        (
            "a member that the service sets",
            body("recorded_at", json!("2026-06-14T12:00:00Z")),
            WRONG,
            vec!["/body/recorded_at read_only"],
        ),
        ("no record", with(&set(), "record_id", Value::Null), WRONG, vec!["/record_id required"]),
        ("a base that is a list", with(&set(), "base", json!([])), WRONG, vec!["/base wrong_type"]),
        (
            "a base that names no edit",
            with(&set(), "base", json!({"rated_kw": [{"raw": "06GJPNV0000000000000"}]})),
            WRONG,
            vec!["/base/rated_kw/0/edit required"],
        ),
        ("nothing set", fields(json!({})), WRONG, vec!["/body empty_patch"]),
        ("a needed field removed", fields(json!({"label": null})), WRONG, vec!["/body/label required"]),
        ("a rating as a text", fields(json!({"rated_kw": "six"})), WRONG, vec!["/body/rated_kw wrong_type"]),
        (
            "two fields",
            fields(json!({"label": "", "fuel": "tea"})),
            WRONG,
            vec!["/body/label empty_text", "/body/fuel unknown_word"],
        ),
        (
            "a field that there is not",
            fields(json!({"colour": "red"})),
            WRONG,
            vec!["/body/colour unknown_member"],
        ),
        (
            "a new record of two ids",
            with(&made(), "record_id", json!(new_id())),
            WRONG,
            vec!["/record_id two_ids"],
        ),
        (
            "a new unit without a home",
            with(&made(), "body", json!({"label": "FS-9", "fuel": "petrol"})),
            WRONG,
            vec!["/body/home_site_id required"],
        ),
        ("a new record with a base", with(&made(), "base", json!({})), WRONG, vec!["/base unknown_member"]),
        (
            "a stamp of the service",
            with(&read(), "stamp", json!("06GJPNV0000000000000")),
            "refused stamp_of_another_handset",
            vec![],
        ),
    ]
}

fn a_wrong_edit_is_refused_alone(backend: Backend) {
    let world = World::new(backend);
    let town = world.town();
    let unit = town.unit_in_service("FS-1", 0);
    let phone = Phone::new(&town, "coordinator");
    let mut failures = Vec::new();
    for (case, wrong, expected, places) in wrong_edits(&phone, &unit, &town.sites[0]) {
        let good = [phone.reading(&unit, 5.0), phone.reading(&unit, 6.0)];
        let (rows, kept) = (world.database.log_rows(), beside(&world));
        let told = phone.push(&[&good[0], &wrong, &good[1]]);
        let words: Vec<String> = told.iter().map(line).collect();
        if words != ["applied", expected, "applied"] {
            failures.push(format!("{case}: {words:?}: {}", told[1]));
            continue;
        }
        let places: Vec<String> = places.iter().map(|flaw| format!("/edits/1{flaw}")).collect();
        if flaws(&told[1]) != places {
            failures.push(format!("{case}: {}", told[1]));
        }
        let named = wrong.get("id").filter(|id| id.as_str().is_some_and(|id| id.len() == 36));
        if told[1].get("id") != named {
            failures.push(format!("{case}: {}", told[1]));
        }
        // What has a name is kept for somebody to look at, once.
        let again = phone.push(&[&good[0], &wrong, &good[1]]);
        if again[1] != told[1] {
            failures.push(format!("{case}, again: {}", again[1]));
        }
        let left = (world.database.log_rows() - rows, beside(&world) - kept);
        if left != (2, i64::from(named.is_some())) {
            failures.push(format!("{case}: {left:?} rows in the log and beside it"));
        }
    }
    none_failed(&failures);
    is_clean(&world.database);
}

fn too_large_an_edit_is_refused_alone(backend: Backend) {
    let world = World::new(backend);
    let town = world.town();
    let unit = town.unit_in_service("FS-1", 0);
    let phone = Phone::new(&town, "technician");
    let most = phone.client.get("/v1/limits").expect(200).json()["edit_bytes"].as_u64().unwrap();
    let most = usize::try_from(most).unwrap();
    // Its members do not matter where it is too long; what is just not too long is looked at.
    let of = |bytes: usize| {
        let edit = with(&phone.reading(&unit, 5.0), "padding", json!(""));
        let pad = bytes - edit.to_string().len();
        with(&edit, "padding", json!("x".repeat(pad)))
    };
    let edits: Vec<Value> = (0..100)
        .map(|n| match n {
            40 => of(most + 1),
            41 => of(most),
            _ => phone.reading(&unit, 5.0),
        })
        .collect();
    for (round, word) in [(1, "applied"), (2, "already_applied")] {
        let told = phone.push(&edits.iter().collect::<Vec<_>>());
        for (n, result) in told.iter().enumerate() {
            let (expected, places) = match n {
                40 => (WRONG, vec!["/edits/40 content_too_large"]),
                41 => (WRONG, vec!["/edits/41/padding unknown_member"]),
                _ => (word, vec![]),
            };
            assert_eq!(
                (line(result).as_str(), flaws(result)),
                (expected, places.iter().map(ToString::to_string).collect()),
                "{n} of round {round}: {result}"
            );
            assert_eq!(result["id"], edits[n]["id"]);
        }
        assert_eq!(told[40]["problem"]["type"], "/problems/content_too_large");
        assert_eq!(beside(&world), 2, "both are kept for somebody to look at");
    }
    // It has used up its number, so that what comes after it has still seen what came before.
    let phone = Phone::new(&town, "coordinator");
    let rated = |kw: u64| phone.set("unit", &unit, json!({"rated_kw": kw}), json!({}));
    let edits = [rated(6), with(&rated(7), "padding", json!("x".repeat(most))), rated(8)];
    for edit in [&edits[0], &edits[1], &edits[2]] {
        let word = if edit.get("padding").is_some() { WRONG } else { "applied" };
        assert_eq!(phone.told(&[edit]), [word]);
    }
    // What has neither id nor number takes nothing with it but itself.
    let nameless = with(&with(&edits[1], "id", Value::Null), "number", Value::Null);
    assert_eq!(phone.told(&[&nameless, &rated(9)]), [WRONG, "applied"]);
    is_clean(&world.database);
}

/// Whoever repairs an edit that could not be read sends it under its id.
fn a_refused_edit_can_be_sent_again_as_it_should_be(backend: Backend) {
    let world = World::new(backend);
    let town = world.town();
    let unit = town.unit_in_service("FS-1", 0);
    let phone = Phone::new(&town, "technician");
    let good = phone.reading(&unit, 5.0);
    let wrong = with(&good, "body", reading(&unit, "yesterday", 5.0));
    let worse = with(&good, "body", reading(&unit, "tomorrow", 5.0));
    assert_eq!(phone.told(&[&wrong, &worse]), [WRONG, "refused id_reused"]);
    assert_eq!(phone.told(&[&good]), ["applied"]);
    assert_eq!(phone.told(&[&good, &wrong]), ["already_applied", "refused id_reused"]);
    assert_eq!(beside(&world), 0);
    is_clean(&world.database);
}

/// Edit by edit, what each role may write is recorded when it comes from a handset, too; what it may not is refused, and
/// blocks nothing.
fn each_role_sends_what_it_may_record(backend: Backend) {
    const ROLES: [&str; 8] =
        ["viewer", "custodian", "technician", "coordinator", "planner", "auditor", "integrator", "admin"];
    let world = World::new(backend);
    let town = world.town();
    let unit = town.unit_in_service("FS-1", 0);
    let unit = unit.as_str();
    let at = "2026-06-14T12:00:00Z";
    type Make<'m> = Box<dyn Fn(&Phone) -> Value + 'm>;
    let table: Vec<(&str, Make<'_>, [bool; 8])> = vec![
        //                                                            vi     cu     te    co    pl     au     in     ad
        (
            "a reading",
            Box::new(|p| p.reading(unit, 5.0)),
            [false, true, true, true, false, false, false, false],
        ),
        (
            "a service",
            Box::new(|p| {
                p.event(json!({"kind": "service", "unit_id": unit, "occurred_at": at, "jobs": [{"job": "oil_change"}]}))
            }),
            [false, false, true, true, false, false, false, false],
        ),
        (
            "a duty",
            Box::new(|p| {
                p.event(json!({"kind": "duty", "unit_id": unit, "occurred_at": at, "causes": ["dust"]}))
            }),
            [false, false, false, true, false, false, false, false],
        ),
        (
            "a field of a unit",
            Box::new(|p| p.set("unit", unit, json!({"rated_kw": 6}), json!({}))),
            [false, false, false, true, false, false, true, false],
        ),
        (
            "a unit retired",
            Box::new(|p| p.set("unit", &town.unit("FS-2"), json!({"retired": true}), json!({}))),
            [false, false, false, true, false, false, true, false],
        ),
        (
            "a field of a site",
            Box::new(|p| p.set("site", &town.sites[1], json!({"name": "Shelter"}), json!({}))),
            [false, false, false, true, false, false, true, false],
        ),
        (
            "a new unit",
            Box::new(|p| p.new_unit("FS-3", &town.sites[0])),
            [false, false, false, true, false, false, true, false],
        ),
        (
            "a new site",
            Box::new(|p| p.create("site", json!({"name": "Yard", "zone": "UTC"}))),
            [false, false, false, true, false, false, true, true],
        ),
    ];
    let mut failures = Vec::new();
    for (column, role) in ROLES.into_iter().enumerate() {
        let phone = Phone::new(&town, role);
        let edits: Vec<Value> = table.iter().map(|(_, make, _)| make(&phone)).collect();
        for ((what, _, may), result) in table.iter().zip(phone.push(&edits.iter().collect::<Vec<_>>())) {
            let word = line(&result);
            let right = if may[column] {
                word == "applied" || word.starts_with("contested")
            } else {
                word == "refused forbidden" && result["problem"]["type"] == "/problems/forbidden"
            };
            if !right {
                failures.push(format!("{what} by {role}: {result}"));
            }
        }
    }
    none_failed(&failures);
    // An edit counts by the rights of its author, whoever carries it in.
    let phone = Phone::new(&town, "technician").passed_to(town.coordinator());
    let label = phone.set("unit", unit, json!({"label": "FS-8"}), json!({}));
    let by = |role: &str| with(&label, "author", json!(town.people[role]));
    assert_eq!(phone.told(&[&by("technician")]), ["refused forbidden"]);
    is_clean(&world.database);
}

/// Wherever the first of an id has gone, another content under it is refused, and the first stays what it is.
fn an_id_is_good_for_one_content(backend: Backend) {
    let world = World::new(backend);
    let town = world.town();
    let unit = town.unit_in_service("FS-1", 0);
    let phone = Phone::new(&town, "coordinator");
    let newer = with(&phone.reading(&unit, 5.0), "format", json!(NEWER));
    let cases = [
        ("recorded", phone.reading(&unit, 5.0), "applied", "already_applied"),
        ("waits for a person", phone.ahead(&unit), "held future_event", "held future_event"),
        (
            "waits for its unit",
            phone.reading(&new_id(), 5.0),
            "parked missing_parent",
            "parked missing_parent",
        ),
        (
            "waits for its group",
            of_group(&phone.reading(&unit, 5.0), &new_id(), 2),
            "parked group_incomplete",
            "parked group_incomplete",
        ),
        ("of a newer format", newer, "parked newer_format", "parked newer_format"),
        (
            "refused",
            with(&phone.reading(&unit, 5.0), "stamp", json!("06GJPNV0000000000000")),
            "refused stamp_of_another_handset",
            "refused stamp_of_another_handset",
        ),
    ];
    let mut failures = Vec::new();
    for (case, edit, first, repeat) in cases {
        let mut other = edit.clone();
        other["body"]["meter_hours"] = json!(6);
        let told = phone.told(&[&edit, &other]);
        if told != [first, "refused id_reused"] {
            failures.push(format!("{case}, in one request: {told:?}"));
        }
        let told = phone.told(&[&other, &edit]);
        if told != ["refused id_reused", repeat] {
            failures.push(format!("{case}, later: {told:?}"));
        }
        // On the desk the id is taken, too, once it is in the log.
        let mut body = other["body"].clone();
        body["id"] = other["id"].clone();
        if first == "applied" {
            town.coordinator().post(super::EVENTS, &body).problem(409, "id_reused");
        }
    }
    none_failed(&failures);
    let _ = id_of;
    is_clean(&world.database);
}

//! Clocks that are wrong: how far an edit's stamp and its time can be trusted, and what the handset is told of it.

use blackbox::{
    Backend, World, none_failed, on_both,
    service::{NOW, is_clean},
    world::id_of,
};
use model::Instant;
use serde_json::{Value, json};

use super::{EVENTS, Phone, line, reading, results, with};

on_both!(
    what_happened_is_put_right,
    a_run_ends_as_much_later_as_it_begins,
    a_stamp_counts_for_minutes_ahead_at_most,
    a_handset_of_another_year_sends_all_it_has,
    the_offset_is_what_the_clocks_differ_by,
);

/// A handset's clock and the start in which it is read; a time, where it comes from and in which start it was taken; what
/// the edit comes to, and the instant that counts.
type Case<'c> = (&'c str, (&'c str, Option<u64>), (Value, Option<u64>), &'c str, &'c str);

fn what_happened_is_put_right(backend: Backend) {
    let world = World::new(backend);
    let town = world.town();
    let boss = town.coordinator();
    let clock = |at: &str| json!({"occurred_at": at, "occurred_source": "clock"});
    let typed = |at: &str| json!({"occurred_at": at, "occurred_source": "typed"});
    // Worked example S03 is the first.
    let cases: Vec<Case<'_>> = vec![
        (
            "eleven minutes fast",
            ("2026-06-15T12:11:00Z", Some(4)),
            (clock("2026-06-15T09:47:00Z"), Some(4)),
            "applied",
            "2026-06-15T09:36:00Z",
        ),
        (
            "three hours slow",
            ("2026-06-15T09:00:00Z", Some(4)),
            (clock("2026-06-15T08:00:00Z"), Some(4)),
            "applied",
            "2026-06-15T11:00:00Z",
        ),
        (
            "six years slow",
            ("2020-06-15T12:00:00Z", Some(4)),
            (clock("2020-06-14T12:00:00Z"), Some(4)),
            "applied",
            "2026-06-14T12:00:00Z",
        ),
        (
            "four years fast",
            ("2030-06-15T12:00:00Z", Some(4)),
            (clock("2030-06-13T12:00:00Z"), Some(4)),
            "applied",
            "2026-06-13T12:00:00Z",
        ),
        (
            "since 1970",
            ("1970-01-02T00:00:00Z", Some(4)),
            (clock("1970-01-01T00:00:00Z"), Some(4)),
            "applied",
            "2026-06-14T12:00:00Z",
        ),
        (
            "a zone that is written",
            ("2026-06-15T06:11:00-06:00", Some(4)),
            (clock("2026-06-15T03:47:00-06:00"), Some(4)),
            "applied",
            "2026-06-15T09:36:00Z",
        ),
        (
            "typed",
            ("2026-06-15T12:11:00Z", Some(4)),
            (typed("2026-06-15T09:47:00Z"), Some(4)),
            "applied",
            "2026-06-15T09:47:00Z",
        ),
        (
            "in another start",
            ("2026-06-15T12:11:00Z", Some(4)),
            (clock("2026-06-15T09:47:00Z"), Some(3)),
            "applied +time_doubtful",
            "2026-06-15T09:47:00Z",
        ),
        (
            "in no known start",
            ("2026-06-15T12:11:00Z", Some(4)),
            (clock("2026-06-15T09:47:00Z"), None),
            "applied +time_doubtful",
            "2026-06-15T09:47:00Z",
        ),
        (
            "measured in no known start",
            ("2026-06-15T12:11:00Z", None),
            (clock("2026-06-15T09:47:00Z"), Some(4)),
            "applied +time_doubtful",
            "2026-06-15T09:47:00Z",
        ),
        (
            "neither start known",
            ("2026-06-15T12:11:00Z", None),
            (clock("2026-06-15T09:47:00Z"), None),
            "applied +time_doubtful",
            "2026-06-15T09:47:00Z",
        ),
        (
            "ahead by the handset's clock only",
            ("2026-06-15T18:00:00Z", Some(4)),
            (clock("2026-06-15T17:30:00Z"), Some(4)),
            "applied",
            "2026-06-15T11:30:00Z",
        ),
        (
            "ahead by the service's clock only",
            ("2026-06-15T09:00:00Z", Some(4)),
            (clock("2026-06-15T10:00:00Z"), Some(4)),
            "held future_event",
            "",
        ),
        (
            "ahead in another start",
            ("2026-06-15T18:00:00Z", Some(4)),
            (clock("2026-06-15T17:30:00Z"), Some(3)),
            "held future_event +time_doubtful",
            "",
        ),
        (
            "a year ahead, typed",
            (NOW, Some(4)),
            (typed("2027-06-15T12:00:00Z"), Some(4)),
            "held future_event",
            "",
        ),
    ];
    let mut failures = Vec::new();
    for (case, (clock, boot), (time, taken), expected, counts) in cases {
        let unit = town.unit_in_service("FS-1", 0);
        let phone = Phone::new(&town, "technician");
        let mut body = json!({"kind": "reading", "unit_id": unit, "meter_hours": 5});
        for (member, value) in time.as_object().unwrap() {
            body[member] = value.clone();
        }
        let edit = with(&phone.event(body.clone()), "boot", taken.map_or(Value::Null, |boot| json!(boot)));
        let request = with(&phone.request(&[&edit]), "clock", json!(clock));
        let request = with(&request, "boot", boot.map_or(Value::Null, |boot| json!(boot)));
        let answer = phone.sync(&request).expect(200).json();
        let told = line(&answer["results"][0]);
        if told != expected {
            failures.push(format!("{case}: {}", answer["results"][0]));
            continue;
        }
        let held = boss.all("/v1/held", 100).iter().any(|item| item["id"] == edit["id"]);
        if held != expected.starts_with("held") {
            failures.push(format!("{case}: held {held}"));
        }
        if held {
            continue;
        }
        let recorded = boss.get(&format!("{EVENTS}/{}", id_of(&edit))).expect(200).json();
        if recorded["occurred_at"] != body["occurred_at"] {
            failures.push(format!("{case}: what was sent is not what is read: {recorded}"));
        }
        let told = recorded["happened_at"].as_str().or(recorded["occurred_at"].as_str()).unwrap();
        let off = (Instant::parse(told).unwrap().micros() - Instant::parse(counts).unwrap().micros()).abs();
        if off > 60_000_000 {
            failures.push(format!("{case}: told to have happened at {told}"));
        }
        // What counts decides where the reading stands among others, which is seen in the order of the list. The service's
        // clock goes on while the test runs, so that it is looked for within minutes.
        if !counts.is_empty() {
            let [early, late] =
                [-300, 300].map(|by| Instant::parse(counts).unwrap().plus_seconds(by).to_string());
            let mut order = vec![edit["id"].clone()];
            for (place, at) in [(0, early), (1, late)] {
                let other = town.happened(&unit, &at, json!({"kind": "reading", "meter_hours": 5}));
                order.insert(place * order.len(), other["id"].clone());
            }
            let listed: Vec<Value> = boss
                .all(&format!("{EVENTS}?unit={unit}&kind=reading"), 100)
                .iter()
                .map(|event| event["id"].clone())
                .collect();
            let reversed: Vec<Value> = order.iter().rev().cloned().collect();
            if listed != order && listed != reversed {
                failures.push(format!("{case}: {listed:?}, not {order:?}"));
            }
        }
    }
    none_failed(&failures);
    is_clean(&world.database);
}

/// A run that was told whole by a clock that is off comes to the hours of one that was told by a clock that is right.
fn a_run_ends_as_much_later_as_it_begins(backend: Backend) {
    let world = World::new(backend);
    let town = world.town();
    // The clock at sending, when the run began and ended by it, and what the edit comes to.
    let cases = [
        ("right", "2026-06-15T12:00:00Z", ["2026-06-15T08:00:00Z", "2026-06-15T09:30:00Z"], "applied"),
        (
            "four hours slow",
            "2026-06-15T08:00:00Z",
            ["2026-06-15T04:00:00Z", "2026-06-15T05:30:00Z"],
            "applied",
        ),
        (
            "six years slow",
            "2020-06-15T12:00:00Z",
            ["2020-06-15T08:00:00Z", "2020-06-15T09:30:00Z"],
            "applied",
        ),
        ("a year fast", "2027-06-15T12:00:00Z", ["2027-06-15T08:00:00Z", "2027-06-15T09:30:00Z"], "applied"),
        (
            "it will end",
            "2026-06-15T08:00:00Z",
            ["2026-06-15T07:00:00Z", "2026-06-15T08:30:00Z"],
            "refused invalid",
        ),
    ];
    let mut failures = Vec::new();
    let mut hours = Vec::new();
    for (case, clock, [from, to], expected) in cases {
        let unit = town.unit_in_service("FS-1", 0);
        let phone = Phone::new(&town, "technician");
        let run = json!({"kind": "run", "unit_id": unit, "occurred_at": from, "occurred_source": "clock", "stopped_at": to, "reason": "test"});
        let edit = with(&phone.event(run), "boot", json!(4));
        let request = with(&with(&phone.request(&[&edit]), "clock", json!(clock)), "boot", json!(4));
        let answer = phone.sync(&request).expect(200).json();
        let told = line(&answer["results"][0]);
        if told != expected {
            failures.push(format!("{case}: {told}, {}", answer["results"][0]));
        }
        if told == "applied" {
            hours.push((
                case,
                town.coordinator().get(&format!("/v1/units/{unit}/hours")).expect(200).json()["nominal_hours"]
                    .clone(),
            ));
        }
    }
    for (case, counted) in &hours {
        if *counted != hours[0].1 || !counted.to_string().contains("1.5") {
            failures.push(format!("{case}: {counted}"));
        }
    }
    assert_eq!(hours.len(), 4);
    none_failed(&failures);
    is_clean(&world.database);
}

fn a_stamp_counts_for_minutes_ahead_at_most(backend: Backend) {
    let world = World::new(backend);
    let town = world.town();
    let boss = town.coordinator();
    // Against a value of the service of now: what each stamp comes to, and whether it wins.
    let cases = [
        ("of the beginning of time", "1970-01-01T00:00:00Z", "contested ?label", false),
        ("of years ago", "2019-01-01T00:00:00Z", "contested ?label", false),
        ("of an hour ago", "2026-06-15T11:00:00Z", "contested ?label", false),
        ("of minutes ahead", "2026-06-15T12:04:30Z", "contested ?label", true),
        ("of an hour ahead", "2026-06-15T13:00:00Z", "contested ?label +clock_suspect", true),
        ("of years ahead", "2040-01-01T00:00:00Z", "contested ?label +clock_suspect", true),
        ("of the end of time", "2199-12-31T23:59:59Z", "contested ?label +clock_suspect", true),
    ];
    let mut failures = Vec::new();
    for (case, at, expected, wins) in cases {
        let unit = town.unit("FS-1");
        let phone = Phone::new(&town, "coordinator");
        let edit = phone.set("unit", &unit, json!({"label": "FS-2"}), json!({}));
        let edit = with(&edit, "stamp", json!(phone.stamp(at, 1)));
        let answer = phone.answer(&[&edit]);
        let told = line(&answer["results"][0]);
        let read = boss.get(&format!("/v1/units/{unit}")).expect(200).json();
        if told != expected || (read["label"] == "FS-2") != wins {
            failures.push(format!("{case}: {told}, {read}"));
        }
        // The handset's clock is never pulled ahead by stamps that others made ahead.
        let clock = answer["clock"].as_str().unwrap();
        if !(super::stamp(0, NOW, 0).as_str()..super::stamp(0, "2026-06-15T12:05:00Z", 0).as_str())
            .contains(&clock)
        {
            failures.push(format!("{case}: the service's stamp is {clock}"));
        }
        // A change at the desk, by somebody who has seen it, settles it whatever stamps there are.
        let etag = boss.get(&format!("/v1/units/{unit}")).expect(200).etag();
        let settled =
            boss.patch(&format!("/v1/units/{unit}"), &etag, &json!({"label": "FS-3"})).expect(200).json();
        let open = boss.all("/v1/contested", 100).iter().any(|item| item["id"] == json!(unit));
        if settled["label"] != "FS-3" || open {
            failures.push(format!("{case}: {settled}, contested: {open}"));
        }
        // Sent again it changes nothing any more.
        let again = phone.told(&[&edit]);
        let read = boss.get(&format!("/v1/units/{unit}")).expect(200).json();
        if again != ["already_applied"] || read["label"] != "FS-3" {
            failures.push(format!("{case}, again: {again:?}, {read}"));
        }
    }
    // The largest of all, which no date has.
    let unit = town.unit("FS-1");
    let phone = Phone::new(&town, "coordinator");
    let largest = model::stamp::Stamp { clock: u64::MAX, handset: phone.number }.to_string();
    let edit = phone.set("unit", &unit, json!({"label": "FS-2"}), json!({}));
    let told = phone.told(&[&with(&edit, "stamp", json!(largest))]);
    assert_eq!(told, ["contested ?label +clock_suspect"]);
    none_failed(&failures);
    is_clean(&world.database);
}

/// A hundred edits of a handset that thinks it is two years later, or six years earlier: none is lost, and whoever writes
/// after it came in is not overruled.
fn a_handset_of_another_year_sends_all_it_has(backend: Backend) {
    let mut world = World::new(backend);
    let mut town = world.town();
    let units = ["2028-06-15", "2020-06-15"].map(|day| {
        let unit = town.unit_in_service("FS-1", 0);
        let phone = Phone::new(&town, "coordinator");
        let edits: Vec<Value> = (0..100_u64)
            .map(|n| {
                let at = format!("{day}T{:02}:00:00Z", n / 5);
                let edit = if n % 10 == 0 {
                    phone.set("unit", &unit, json!({"label": format!("{n}")}), json!({}))
                } else {
                    phone.event(with(
                        &reading(&unit, &at, n as f64 / 10.0),
                        "occurred_source",
                        json!("clock"),
                    ))
                };
                let stamp = phone.stamp(&at, n);
                with(&with(&edit, "stamp", json!(stamp)), "boot", json!(4))
            })
            .collect();
        let request = phone.request(&edits.iter().collect::<Vec<_>>());
        let request = with(&request, "clock", json!(format!("{day}T23:00:00Z")));
        let answer = phone.sync(&request).expect(200).json();
        for (n, told) in results(&answer).iter().map(line).enumerate() {
            let ahead = if day.starts_with("2028") { " +clock_suspect" } else { "" };
            let expected = if n % 10 == 0 { "contested ?label" } else { "applied" };
            assert_eq!(told, format!("{expected}{ahead}"), "{n} of {day}");
        }
        let hours = answer["offset_seconds"].as_f64().unwrap() / 3600.0;
        assert!(if ahead_of(day) { hours < -17_000.0 } else { hours > 52_000.0 }, "{day}: {hours}");
        let listed = town.coordinator().all(&format!("{EVENTS}?unit={unit}&kind=reading"), 200);
        assert_eq!(listed.len(), 90, "{day}");
        phone.last.take();
        (unit, request, phone)
    });
    world.restart_at("2026-06-15T13:00:00Z");
    world.reach(&mut town);
    for (unit, request, mut phone) in units {
        let other = Phone::new(&town, "coordinator");
        let later = other.set("unit", &unit, json!({"label": "later"}), json!({}));
        let later = with(&later, "stamp", json!(other.stamp("2026-06-15T12:59:00Z", 1)));
        assert_eq!(other.told(&[&later]), ["contested ?label"]);
        phone.client = town.clients["coordinator"].clone();
        let again = results(&phone.sync(&request).expect(200).json());
        assert!(again.iter().all(|result| line(result) == "already_applied"), "{again:?}");
        let read = town.coordinator().get(&format!("/v1/units/{unit}")).expect(200).json();
        assert_eq!(read["label"], "later");
    }
    is_clean(&world.database);
}

fn ahead_of(day: &str) -> bool {
    day > "2026"
}

fn the_offset_is_what_the_clocks_differ_by(backend: Backend) {
    let world = World::new(backend);
    let town = world.town();
    let phone = Phone::new(&town, "technician");
    for clock in [
        NOW,
        "2026-06-15T12:11:00Z",
        "2026-06-15T01:00:00.25Z",
        "2031-01-01T00:00:00Z",
        "1970-01-01T00:00:00Z",
    ] {
        let answer = phone.sync(&with(&phone.request(&[]), "clock", json!(clock))).expect(200).json();
        let now = Instant::parse(answer["now"].as_str().unwrap()).unwrap();
        let differ = (now.micros() - Instant::parse(clock).unwrap().micros()) as f64 / 1e6;
        let told = answer["offset_seconds"].as_f64().unwrap();
        assert!((told - differ).abs() < 0.01, "{clock}: {told} told, {differ} by now");
        let known = phone.known(town.coordinator());
        // What is known of it is what it last said; a handset that only reads is written down once in a while.
        assert!(known["last_seen_at"].is_string(), "{known}");
    }
}

//! The main job: ask what is due, record a service, see the due state change and the answer explained.
//!
//! Figures that are not summed up beside their check are those of the worked example named there, one of those that the
//! project was specified with; they are not in the repository.

mod examples;

use blackbox::{
    Backend, Town, World, none_failed, on_both,
    service::NOW,
    world::{edition, fresh, id_of},
};
use model::{EventId, Instant};
use serde_json::{Value, json};

on_both!(
    a_service_moves_what_is_due,
    a_misread_is_kept_and_set_aside,
    a_voided_service_counts_again_when_reinstated,
    the_zone_where_it_stood_says_which_day_it_was,
    a_later_edition_holds_from_its_day,
    an_event_says_when_and_by_whom_it_was_recorded,
    private_text_is_shown_but_not_logged,
    a_corrected_zone_counts_at_once,
);

/// The same instant as [`NOW`] at the first site of a town.
const HERE: &str = "2026-06-15T06:00:00-06:00";

fn a_service_moves_what_is_due(backend: Backend) {
    let world = World::new(backend);
    let town = world.town();
    let boss = town.coordinator();
    let site = id_of(
        &boss.post("/v1/sites", &json!({"name": "Depot", "zone": "America/Denver"})).expect(201).json(),
    );
    let schedule = json!({"title": "Sprig", "publisher": "Tarn Valley", "basis": "maker"});
    let schedule = id_of(&boss.post("/v1/schedules", &schedule).expect(201).json());
    let edition = boss.post(&format!("/v1/schedules/{schedule}/editions"), &edition()).expect(201).json();
    let unit = json!({"label": "U7", "home_site_id": site, "fuel": "petrol"});
    let unit = id_of(&boss.post("/v1/units", &unit).expect(201).json());

    assert_eq!(due(&town, &unit)["items"], json!({}), "nothing is asked of a unit that follows no schedule");
    town.happened(
        &unit,
        "2026-05-20T10:00:00-06:00",
        json!({"kind": "commissioning", "site_id": site, "meter_hours": 0}),
    );
    assert_eq!(due(&town, &unit)["items"], json!({}), "nor of one that was only commissioned");
    let adoption = json!({"kind": "adoption", "schedule_id": schedule, "edition_id": id_of(&edition)});
    town.happened(&unit, "2026-05-20T11:00:00-06:00", adoption);
    town.happened(&unit, HERE, json!({"kind": "reading", "meter_hours": 18.4}));

    // 26 of 31 days and 18.4 of 20 hours are used; coming due begins a tenth before either limit.
    let before = due(&town, &unit);
    let first = json!({
        "items": {
            "oil_change": {
                "state": "coming_due", "governing": "hours",
                "hours": {"interval_hours": 20, "anchor_hours": 0, "limit_hours": 20, "now_hours": 18.4, "used_hours": 18.4, "left_hours": 1.6, "used_fraction": 0.92},
                "calendar": {"anchor_date": "2026-05-20", "limit_date": "2026-06-20", "interval_days": 31, "used_days": 26, "left_days": 5, "used_fraction": 0.8387},
            },
            "plug_inspect": {"state": "ok", "governing": "hours", "hours": {"limit_hours": 100, "left_hours": 81.6}, "calendar": {"limit_date": "2026-11-20", "left_days": 158}},
            "plug_replace": {"state": "ok", "governing": "calendar", "hours": {"limit_hours": 300, "left_hours": 281.6}, "calendar": {"limit_date": "2027-05-20", "left_days": 339}},
        },
    });
    shows("before the service", &first, &before);
    explains(&before, "counts_from_commissioning");
    listed_as(&town, &unit, &before);

    let service = json!({"kind": "service", "jobs": [{"job": "oil_change"}], "meter_hours": 18.4});
    town.happened(&unit, HERE, service);
    let after = due(&town, &unit);
    let regular = json!({
        "items": {"oil_change": {
            "state": "ok", "governing": "hours",
            "hours": {"interval_hours": 100, "anchor_hours": 18.4, "limit_hours": 118.4, "used_hours": 0, "left_hours": 100},
            "calendar": {"anchor_date": "2026-06-15", "limit_date": "2026-12-15", "interval_days": 183, "used_days": 0, "left_days": 183},
        }},
    });
    shows("after the service", &regular, &after);
    for other in ["plug_inspect", "plug_replace"] {
        assert_eq!(after["items"][other], before["items"][other], "{other} is another job");
    }
    listed_as(&town, &unit, &after);

    // Inspecting does not count as replacing; replacing counts as inspecting.
    let service = |job: &str| json!({"kind": "service", "jobs": [{"job": job}], "meter_hours": 18.4});
    town.happened(&unit, HERE, service("plug_inspect"));
    let inspected = due(&town, &unit);
    assert_eq!(inspected["items"]["plug_replace"], before["items"]["plug_replace"]);
    let limits =
        |hours: f64, date: &str| json!({"hours": {"limit_hours": hours}, "calendar": {"limit_date": date}});
    shows("inspected", &json!({"items": {"plug_inspect": limits(118.4, "2026-12-15")}}), &inspected);
    let other = town.unit_in_service("U8", 0);
    town.happened(&other, HERE, service("plug_replace"));
    let replaced = due(&town, &other);
    let both =
        json!({"plug_replace": limits(318.4, "2027-06-15"), "plug_inspect": limits(118.4, "2026-12-15")});
    shows("replaced", &json!({"items": both}), &replaced);

    let unknown = json!({"kind": "service", "unit_id": unit, "occurred_at": HERE, "jobs": [{"job": "oil_change"}, {"job": "polish"}]});
    let refused = boss.post("/v1/service-events", &unknown);
    refused.problem(400, "invalid_request");
    assert_eq!(refused.errors(), [("/jobs/1/job".to_owned(), "unknown_job".to_owned())]);
    assert_eq!(due(&town, &unit)["items"], inspected["items"], "what is refused changes nothing");
}

fn a_misread_is_kept_and_set_aside(backend: Backend) {
    let world = World::at(backend, "2025-06-08T15:00:00Z");
    let town = world.town();
    let unit = town.unit("U7");
    let adoption = json!({"kind": "adoption", "schedule_id": town.schedule, "edition_id": town.edition});
    town.happened(&unit, "2025-06-01T09:00:00-06:00", adoption);
    let service = json!({"kind": "service", "jobs": [{"job": "oil_change"}], "meter_hours": 421.0});
    let plausible = town.happened(&unit, "2025-06-01T09:00:00-06:00", service);
    assert_eq!(plausible["warnings"], json!([]), "{plausible}");
    let before = due(&town, &unit);

    // A06: 421.0, a week later 4231.7 where 423.2 was meant.
    let id: EventId = fresh();
    let misread = json!({"id": id, "kind": "reading", "unit_id": unit, "occurred_at": "2025-06-08T09:00:00-06:00", "meter_hours": 4231.7});
    let answer = town.record(misread.clone());
    let warning = &answer["warnings"][0];
    assert_eq!(warning["code"], "reading_set_aside", "{answer}");
    assert_eq!(warning["pointer"], "/meter_hours", "{answer}");
    assert_eq!(warning["suggested_meter_hours"], 423.2, "{answer}");

    let after = due(&town, &unit);
    for hours in ["lower_hours", "nominal_hours", "upper_hours"] {
        assert_eq!(after["engine_hours"][hours], before["engine_hours"][hours], "{hours} stay as they were");
    }
    let set_aside = json!([{"event_id": id, "meter_hours": 4231.7, "suggested_meter_hours": 423.2}]);
    assert_eq!(after["set_aside"], set_aside);
    let entry = json!({"code": "reading_set_aside", "event_id": id, "meter_hours": 4231.7, "suggested_meter_hours": 423.2});
    let trace = after["items"]["oil_change"]["trace"].as_array().unwrap();
    assert!(trace.contains(&entry), "{trace:?}");

    let read = town.coordinator().get(&format!("/v1/service-events/{id}")).expect(200).json();
    shows("the event read back", &misread, &read);
    let again = town.coordinator().post("/v1/service-events", &misread).expect(200).json();
    assert_eq!(again, answer, "a repeat gets the first answer");
}

fn a_voided_service_counts_again_when_reinstated(backend: Backend) {
    // A22: oil changes at 231.0 and at 331.0; now 340.0.
    let world = World::at(backend, "2025-07-08T16:00:00Z");
    let town = world.town();
    let unit = town.unit("U7");
    let adoption = json!({"kind": "adoption", "schedule_id": town.schedule, "edition_id": town.edition});
    town.happened(&unit, "2025-05-01T09:00:00-06:00", adoption);
    let oil = |at: &str, hours: f64| {
        let service = json!({"kind": "service", "jobs": [{"job": "oil_change"}], "meter_hours": hours});
        id_of(&town.happened(&unit, at, service))
    };
    oil("2025-05-01T09:00:00-06:00", 231.0);
    let target = oil("2025-07-01T09:00:00-06:00", 331.0);
    town.happened(&unit, "2025-07-08T10:00:00-06:00", json!({"kind": "reading", "meter_hours": 340.0}));
    let correct = |at: &str, action: &str| {
        let correction =
            json!({"kind": "correction", "action": action, "target_id": target, "reason": "another unit's"});
        id_of(&town.happened(&unit, at, correction))
    };
    let oil_is = |what: &str, state: &str, limit: f64, left: f64| {
        let found = due(&town, &unit);
        let oil = json!({"state": state, "hours": {"limit_hours": limit, "left_hours": left}});
        shows(what, &json!({"items": {"oil_change": oil}}), &found);
        found["items"].clone()
    };
    let before = oil_is("before", "ok", 431.0, 91.0);
    let void = correct("2025-07-08T09:00:00-06:00", "void");
    let voided = oil_is("voided: 9.0 overdue", "overdue", 331.0, -9.0);
    let entry = json!({"code": "completion_not_counted", "event_id": target, "correction_id": void});
    assert!(voided["oil_change"]["trace"].as_array().unwrap().contains(&entry), "{voided}");
    correct("2025-07-08T09:30:00-06:00", "reinstate");
    assert_eq!(
        oil_is("reinstated", "ok", 431.0, 91.0),
        before,
        "void and reinstate are as if nothing had been"
    );
}

fn the_zone_where_it_stood_says_which_day_it_was(backend: Backend) {
    let world = World::new(backend);
    let town = world.town();
    let harbour = json!({"name": "Harbour", "zone": "America/Halifax"});
    let harbour = id_of(&town.coordinator().post("/v1/sites", &harbour).expect(201).json());
    let [kept, lent] = ["Kept", "Lent"].map(|label| town.unit_in_service(label, 0));
    town.happened(&lent, "2026-05-20T08:00:00-06:00", json!({"kind": "placement", "site_id": harbour}));
    for unit in [&kept, &lent] {
        let service = json!({"kind": "service", "jobs": [{"job": "oil_change"}]});
        town.happened(unit, "2026-06-01T03:30:00Z", service);
    }
    let oil_is = |what: &str, unit: &str, site: &str, anchor: &str, limit: &str, due_at: &str| {
        let calendar = json!({"anchor_date": anchor, "limit_date": limit});
        let oil = json!({"state": "ok", "calendar": calendar, "due_at": due_at});
        let expected = json!({"standing_site_id": site, "items": {"oil_change": oil}});
        let found = due(&town, unit);
        shows(what, &expected, &found);
        listed_as(&town, unit, &found);
    };
    // 03:30Z is 21:30 of the day before at UTC-6, and 00:30 at UTC-3. Six months on both stand an hour further west.
    let home = &town.sites[0];
    oil_is("kept", &kept, home, "2026-05-31", "2026-11-30", "2026-11-30T07:00:00Z");
    oil_is("lent", &lent, &harbour, "2026-06-01", "2026-12-01", "2026-12-01T04:00:00Z");
    town.happened(&lent, "2026-06-10T08:00:00-06:00", json!({"kind": "placement", "site_id": home}));
    oil_is("returned", &lent, home, "2026-06-01", "2026-12-01", "2026-12-01T07:00:00Z");
}

fn a_later_edition_holds_from_its_day(backend: Backend) {
    let mut world = World::new(backend);
    let mut town = world.town();
    let unit = town.unit_in_service("U7", 0);
    let tasks = json!([
        {"task": "oil_change", "job": "oil_change", "title": "Change the oil", "limits": {"hours": 50, "months": 3}},
        {"task": "belt_inspect", "job": "belt_inspect", "title": "Inspect the belt", "limits": {"months": 24}},
    ]);
    let later =
        json!({"edition": "B", "effective_from": "2026-07-01", "source": "common practice", "tasks": tasks});
    let path = format!("/v1/schedules/{}/editions", town.schedule);
    let later = id_of(&town.coordinator().post(&path, &later).expect(201).json());
    let service = json!({"kind": "service", "jobs": [{"job": "oil_change"}], "meter_hours": 40});
    town.happened(&unit, HERE, service);
    let adoption = json!({"kind": "adoption", "schedule_id": town.schedule, "edition_id": later, "effective_from": "2026-07-01"});
    town.happened(&unit, HERE, adoption);

    let old = (town.edition.clone(), vec!["oil_change", "plug_inspect", "plug_replace"], "2026-12-15", 140.0);
    let new = (later, vec!["belt_inspect", "oil_change"], "2026-09-15", 90.0);
    // Midnight where the unit stands is 06:00Z.
    let clocks = [(NOW, &old), ("2026-07-01T05:55:00Z", &old), ("2026-07-01T06:00:00Z", &new)];
    for (clock, (edition, tasks, date, hours)) in clocks {
        if clock != NOW {
            world.restart_at(clock);
            world.reach(&mut town);
        }
        let found = due(&town, &unit);
        let oil =
            json!({"edition_id": edition, "hours": {"limit_hours": hours}, "calendar": {"limit_date": date}});
        shows(clock, &json!({"items": {"oil_change": oil}}), &found);
        assert_eq!(found["items"].as_object().unwrap().keys().collect::<Vec<_>>(), *tasks, "{clock}");
        listed_as(&town, &unit, &found);
    }
}

fn an_event_says_when_and_by_whom_it_was_recorded(backend: Backend) {
    let world = World::new(backend);
    let town = world.town();
    let unit = town.unit("U7");
    // A backdated entry: when it happened and when it was recorded are two things.
    let sent = json!({
        "id": fresh::<model::id::kind::Event>(), "kind": "reading", "unit_id": unit, "meter_hours": 12.5,
        "occurred_at": "2026-05-02T09:00:00-06:00", "on_behalf_of": town.people["custodian"],
    });
    let answer = town.clients["technician"].post("/v1/service-events", &sent).expect(201).json();
    shows("what was sent", &sent, &answer);
    assert_eq!(answer["author"], json!(town.people["technician"]), "{answer}");
    let recorded = Instant::parse(answer["recorded_at"].as_str().unwrap()).unwrap();
    let since = recorded.seconds_since(Instant::parse(NOW).unwrap());
    assert!((0..600).contains(&since), "recorded by the clock of the service: {answer}");

    let mut read = answer.clone();
    read.as_object_mut().unwrap().remove("warnings");
    let viewer = &town.clients["viewer"];
    assert_eq!(viewer.get(&format!("/v1/service-events/{}", id_of(&sent))).expect(200).json(), read);
    let listed = viewer.get(&format!("/v1/service-events?unit={unit}")).expect(200).json();
    assert_eq!(listed["items"], json!([read]));
}

fn private_text_is_shown_but_not_logged(backend: Backend) {
    let world = World::new(backend);
    let town = world.town();
    let (boss, viewer) = (town.coordinator(), &town.clients["viewer"]);
    let site = json!({"name": "Yard", "zone": "America/Denver", "note": "zanzibar on the gate"});
    let site = id_of(&boss.post("/v1/sites", &site).expect(201).json());
    let unit = json!({"label": "U7", "home_site_id": site, "fuel": "petrol", "note": "zanzibar in the tank"});
    let unit = id_of(&boss.post("/v1/units", &unit).expect(201).json());
    let reading = json!({"kind": "reading", "meter_hours": 3, "note": "zanzibar on the meter"});
    let reading = id_of(&town.happened(&unit, HERE, reading));
    let void = json!({"kind": "correction", "action": "void", "target_id": reading, "reason": "zanzibar read it", "note": "zanzibar"});
    let void = id_of(&town.happened(&unit, HERE, void));
    let etag = boss.get(&format!("/v1/sites/{site}")).expect(200).etag();
    boss.patch(&format!("/v1/sites/{site}"), &etag, &json!({"note": "zanzibar has the key"})).expect(200);

    let texts = [
        (format!("/v1/sites/{site}"), "note", "zanzibar has the key"),
        (format!("/v1/units/{unit}"), "note", "zanzibar in the tank"),
        (format!("/v1/service-events/{reading}"), "note", "zanzibar on the meter"),
        (format!("/v1/service-events/{void}"), "reason", "zanzibar read it"),
        (format!("/v1/service-events/{void}"), "note", "zanzibar"),
    ];
    for (path, member, text) in texts {
        assert_eq!(viewer.get(&path).expect(200).json()[member], text, "{path}");
    }

    let count = |sql: &str| world.database.number(&format!("SELECT count(*) AS n FROM {sql}"));
    assert_eq!(count(&format!("change_log WHERE {} LIKE '%zanzibar%'", log_text(&world))), 0);
    assert_eq!(
        count(&format!("change_log WHERE {} LIKE '%Yard%'", log_text(&world))),
        1,
        "the search finds what is there"
    );
    for fold in ["record WHERE registers", "service_event WHERE body", "outbox WHERE body"] {
        assert_eq!(count(&format!("{fold} LIKE '%zanzibar%'")), 0, "{fold}");
    }
    // Five edits carry six texts: each has its commitment in the log, and its text beside it.
    assert_eq!(count(r#"change_log WHERE body LIKE '%"note":{"private":"%'"#), 5);
    assert_eq!(count(r#"change_log WHERE body LIKE '%"reason":{"private":"%'"#), 1);
    assert_eq!(count("private_text WHERE content LIKE '%zanzibar%'"), 6);
}

/// All text of a row of the change log as one SQL expression.
fn log_text(world: &World) -> String {
    match world.database.backend() {
        Backend::Postgres => "change_log::text".to_owned(),
        Backend::Sqlite => {
            let columns = [
                "row_kind",
                "channel",
                "record_kind",
                "base",
                "stamp_raw",
                "stamp_effective",
                "occurred_raw",
                "occurred_source",
                "occurred_precision",
                "body",
            ];
            let all = "SELECT count(*) AS n FROM pragma_table_info('change_log') WHERE type = 'TEXT'";
            let known = i64::try_from(columns.len()).unwrap();
            assert_eq!(world.database.number(all), known, "every column of text is searched");
            columns.map(|column| format!("coalesce({column}, '')")).join(" || ' ' || ")
        }
    }
}

fn a_corrected_zone_counts_at_once(backend: Backend) {
    let world = World::new(backend);
    let town = world.town();
    let boss = town.coordinator();
    let stands = town.unit_in_service("Stands there", 0);
    let stood = town.unit_in_service("Stood there", 1);
    town.happened(
        &stood,
        "2026-05-01T08:00:00-06:00",
        json!({"kind": "placement", "site_id": town.sites[0]}),
    );
    town.happened(
        &stood,
        "2026-06-10T08:00:00-06:00",
        json!({"kind": "placement", "site_id": town.sites[1]}),
    );
    let units = [&stands, &stood];
    for unit in units {
        town.happened(
            unit,
            "2026-06-01T03:30:00Z",
            json!({"kind": "service", "jobs": [{"job": "oil_change"}]}),
        );
    }
    let path = format!("/v1/sites/{}", town.sites[0]);
    // A25: the same instant is 31 May at one zone and 1 June at the other. What is overdue where it stands follows.
    let cases = [
        ("America/Denver", "2026-11-30", ["2026-11-30T07:00:00Z", "2026-11-30T06:00:00Z"]),
        ("America/Halifax", "2026-12-01", ["2026-12-01T04:00:00Z", "2026-12-01T06:00:00Z"]),
    ];
    for (zone, limit, due_at) in cases {
        let etag = boss.get(&path).expect(200).etag();
        boss.patch(&path, &etag, &json!({"zone": zone})).expect(200);
        for (unit, due_at) in units.into_iter().zip(due_at) {
            let found = due(&town, unit);
            let oil = json!({"calendar": {"limit_date": limit}, "due_at": due_at});
            shows(zone, &json!({"items": {"oil_change": oil}}), &found);
            listed_as(&town, unit, &found);
        }
    }
}

/// What is due on a unit, its items by task, with their traces.
fn due(town: &Town, unit: &str) -> Value {
    let mut due = town.coordinator().get(&format!("/v1/units/{unit}/due?include=trace")).expect(200).json();
    let items = due["items"].as_array().unwrap().iter();
    due["items"] = items.map(|item| (item["task"].as_str().unwrap().to_owned(), item.clone())).collect();
    due
}

/// The list of what is due says the same of a unit as the unit's own answer.
#[track_caller]
fn listed_as(town: &Town, unit: &str, due: &Value) {
    let brief = |line: &Value| ["task", "state", "reason", "due_at"].map(|member| line[member].clone());
    let mut listed: Vec<_> =
        town.coordinator().all(&format!("/v1/due?unit={unit}"), 100).iter().map(brief).collect();
    listed.sort_by_key(|line| line[0].to_string());
    assert_eq!(listed, due["items"].as_object().unwrap().values().map(brief).collect::<Vec<_>>());
}

/// Each item says on what it rests, the first time something is due.
#[track_caller]
fn explains(due: &Value, anchor: &str) {
    let expected = [
        "edition_used",
        "policy_used",
        anchor,
        "engine_hours_now",
        "hours_limit",
        "calendar_limit",
        "governing",
        "decided",
    ];
    for (task, item) in due["items"].as_object().unwrap() {
        let trace = item["trace"].as_array().unwrap();
        let codes: Vec<_> = trace.iter().map(|entry| entry["code"].as_str().unwrap()).collect();
        assert_eq!(codes, expected, "{task}");
        assert_eq!(
            trace.last().unwrap()["state"],
            item["state"],
            "{task}: what decided it decided for its state"
        );
    }
}

/// `found` has what `expected` names.
#[track_caller]
fn shows(what: &str, expected: &Value, found: &Value) {
    let mut failures = Vec::new();
    differences(expected, found, what, &mut failures);
    none_failed(&failures);
}

/// Where `found` lacks what `expected` names: numbers count by their value, null stands for what must be absent.
fn differences(expected: &Value, found: &Value, at: &str, failures: &mut Vec<String>) {
    match expected {
        Value::Object(members) => {
            for (name, value) in members {
                differences(value, &found[name], &format!("{at}/{name}"), failures);
            }
        }
        Value::Number(number) if number.as_f64() == found.as_f64() => {}
        _ if expected == found => {}
        _ => failures.push(format!("{at}: expected {expected}, found {found}")),
    }
}

//! What the user sees, and what an edit says of that.

use super::*;

fn base(bench: &mut Bench, fields: Value) -> Value {
    let view = bench.handset().view(Kind::Unit, unit()).unwrap().unwrap();
    serde_json::to_value(view.base(&map(fields))).unwrap()
}

#[test]
fn own_edits_lie_over_the_copy_until_they_are_in_it() {
    let mut bench = Bench::new();
    bench.told(answer(json!([]), json!([depot(), pump(1)])));
    let first = bench.set(json!({"label": "Pump 2"}));
    assert_eq!(bench.fields()["label"], "Pump 2");
    let second = bench.set(json!({"label": "Pump 3"}));
    // It names the one before, which had seen the copy's.
    let edits: Vec<Value> = bench.edits();
    assert_eq!(
        edits[0]["base"],
        json!({"label": [{"edit": UNIT, "raw": pump(1)["record"]["stamp"]["raw"]}]})
    );
    assert_eq!(edits[1]["base"], json!({"label": [{"edit": first, "raw": edits[0]["stamp"]}]}));
    // Recorded, but not told yet: no state in between lacks it.
    let result = |id: &str, version: u64| json!({"id": id, "result": "applied", "version": version});
    bench.told(answer(json!([result(&first, 2), result(&second, 3)]), json!([])));
    assert_eq!(bench.fields()["label"], "Pump 3");
    let mut told = pump(3);
    told["record"]["fields"]["label"] = json!("Pump 4");
    bench.told(answer(json!([]), json!([told])));
    assert_eq!(bench.fields()["label"], "Pump 4");
}

#[test]
fn what_is_held_or_refused_does_not_show() {
    for word in ["held", "refused"] {
        let mut bench = Bench::new();
        bench.told(answer(json!([]), json!([depot(), pump(1)])));
        let id = bench.set(json!({"label": "Pump 2"}));
        bench.says(200, answer(json!([{"id": id, "result": word}]), json!([])));
        if word == "held" {
            bench.says(200, answer(json!([{"id": id, "result": word}]), json!([])));
        }
        bench.sync();
        assert_eq!(bench.fields()["label"], "Pump 1", "{word}");
        // Nor while it is offered again after a restore.
        bench.says(200, reset("restored", json!([{"id": id, "result": word}]), json!(null)));
        bench.wire.answers.push_back(Err(NoAnswer("cut".to_owned())));
        bench.around.stops = true;
        assert_eq!(bench.sync().ended, Ended::Stopped);
        assert_eq!(
            (bench.states(), bench.fields()["label"].as_str()),
            (vec!["queued"], Some("Pump 1")),
            "{word}"
        );
    }
}

#[test]
fn both_values_of_a_contested_field_are_shown_and_settled() {
    let mut bench = Bench::new();
    let mut told = pump(3);
    let names = [UNIT, SITE].map(|edit| json!({"edit": edit, "raw": told["record"]["stamp"]["raw"]}));
    let value = |name: &Value, value: &str| json!({"edit": name["edit"], "raw": name["raw"], "value": value, "author": UNIT, "at": "2026-11-03T15:03:00Z"});
    told["record"]["contested"] =
        json!({"label": [value(&names[0], "Pump 1"), value(&names[1], "Engine 2")]});
    bench.told(answer(json!([]), json!([depot(), told])));
    let view = bench.handset().view(Kind::Unit, unit()).unwrap().unwrap();
    let contested: Vec<_> = view.contested().collect();
    let values: Vec<&Value> = contested[0].1.iter().map(|rival| &rival.told["value"]).collect();
    assert_eq!((contested[0].0, values), ("label", vec![&json!("Pump 1"), &json!("Engine 2")]));
    let mut both = names.to_vec();
    both.sort_by_key(|name| name["edit"].to_string());
    assert_eq!(base(&mut bench, json!({"label": "Pump 1"}))["label"], Value::from(both));
    bench.set(json!({"label": "Pump 1"}));
    assert_eq!(bench.handset().view(Kind::Unit, unit()).unwrap().unwrap().contested().count(), 0);
}

#[test]
fn a_base_names_what_is_set_or_all_of_what_is_retired() {
    let mut bench = Bench::new();
    bench.told(answer(json!([]), json!([depot(), pump(1)])));
    let names = |base: Value| base.as_object().unwrap().keys().cloned().collect::<Vec<_>>();
    assert_eq!(names(base(&mut bench, json!({"label": "A", "serial": "B"}))), ["label"]);
    let all = ["fuel", "home_site_id", "label", "rated_kw"];
    assert_eq!(names(base(&mut bench, json!({"retired": true}))), all);
    bench.set(json!({"retired": true}));
    assert!(bench.handset().view(Kind::Unit, unit()).unwrap().unwrap().is_retired());
    assert_eq!(names(base(&mut bench, json!({"retired": null}))), ["retired"]);
}

#[test]
fn what_was_made_here_is_there_at_once() {
    let mut bench = Bench::new();
    let fields =
        map(json!({"label": "Pump 7", "home_site_id": SITE, "fuel": "diesel", "external_ids": {"gis": "7"}}));
    let id = bench.write(Wish::Create { kind: Kind::Unit, fields: fields.clone() });
    let id = Uuid::try_parse(&id).unwrap();
    assert_eq!(bench.handset().ids(Kind::Unit).unwrap(), [id]);
    let view = bench.handset().view(Kind::Unit, id).unwrap().unwrap();
    assert_eq!((view.version, view.fields()), (0, fields));
    assert!(bench.handset().view(Kind::Unit, unit()).unwrap().is_none());

    let reading = bench.reading(5.0);
    let of_unit = model::UnitId::from_uuid(unit());
    let events = bench.handset().events(of_unit).unwrap();
    assert_eq!(events.len(), 1);
    assert_eq!((events[0].id.to_string(), events[0].state), (reading, Some(crate::State::Queued)));
}

/// It is recorded by the first page of an answer, and told by a later one: in between it is there, too.
#[test]
fn what_was_made_here_stays_until_it_is_told() {
    let mut bench = Bench::new();
    bench.told(answer(json!([]), json!([depot()])));
    let fields = map(json!({"label": "Pump 9", "home_site_id": SITE, "fuel": "diesel"}));
    let id = bench.write(Wish::Create { kind: Kind::Unit, fields });
    let mut first = page(json!([]));
    first["results"] = json!([result(&id, "applied")]);
    bench.says(200, first);
    bench.wire.answers.push_back(Err(NoAnswer("cut".to_owned())));
    bench.around.stops = true;
    assert_eq!(bench.sync().ended, Ended::Stopped);
    let made = Uuid::try_parse(&id).unwrap();
    assert_eq!((bench.states(), bench.handset().ids(Kind::Unit).unwrap()), (vec!["applied"], vec![made]));
    bench.around.stops = false;
    // All was told, and it was not among that: it is out of sight.
    bench.told(answer(json!([]), json!([])));
    assert_eq!(bench.handset().ids(Kind::Unit).unwrap(), Vec::<Uuid>::new());
}

/// What the device's clock told is put right as the service will do it: within one start, by what was said of the clock then.
#[test]
fn times_of_a_wrong_clock_are_put_right() {
    let mut bench = Bench::new();
    for source in ["clock", "typed"] {
        let event = json!({"kind": "reading", "unit_id": UNIT, "occurred_at": "2026-11-03T08:00:00-07:00",
            "occurred_source": source, "meter_hours": 5});
        bench.write(Wish::Event(map(event)));
    }
    let happened = |bench: &mut Bench| {
        let events = bench.handset().events(model::UnitId::from_uuid(unit())).unwrap();
        events.iter().map(|event| event.event.get("happened_at").cloned()).collect::<Vec<_>>()
    };
    assert_eq!(happened(&mut bench), [None, None]);
    // The answer says that the clock is 118.24 s fast.
    let ids: Vec<String> = bench.handset().queue().unwrap().iter().map(|edit| edit.id.to_string()).collect();
    let waits = || answer(ids.iter().map(|id| result(id, "parked")).collect(), json!([]));
    bench.says(200, waits());
    bench.told(waits());
    assert_eq!(happened(&mut bench), [Some(json!("2026-11-03T14:58:02Z")), None]);
    // That is fixed: neither what is measured later nor another start changes it.
    let mut slower = waits();
    slower["offset_seconds"] = json!(-20);
    bench.told(slower);
    assert_eq!(happened(&mut bench), [Some(json!("2026-11-03T14:58:02Z")), None]);
    bench.open("second start");
    assert_eq!(happened(&mut bench), [Some(json!("2026-11-03T14:58:02Z")), None]);
    bench.told(waits());
    assert_eq!(happened(&mut bench), [Some(json!("2026-11-03T14:58:02Z")), None]);
}

/// Of the clock of another start nobody knows: what was written in one and answered in the next stays as it is.
#[test]
fn times_of_another_start_stay_as_they_are() {
    let mut bench = Bench::new();
    bench.told(answer(json!([]), json!([])));
    let event = json!({"kind": "reading", "unit_id": UNIT, "occurred_at": "2026-11-03T08:00:00-07:00",
        "occurred_source": "clock", "meter_hours": 5});
    let id = bench.write(Wish::Event(map(event)));
    bench.open("second start");
    let waits = || answer(json!([result(&id, "parked")]), json!([]));
    bench.says(200, waits());
    bench.told(waits());
    let events = bench.handset().events(model::UnitId::from_uuid(unit())).unwrap();
    assert_eq!(events[0].event.get("happened_at"), None);
}

/// An entry is described by what was told of it, where that is here.
#[test]
fn what_was_entered_is_as_it_was_told() {
    let mut bench = Bench::new();
    let id = bench.reading(5.0);
    let told = json!({"id": id, "unit_id": UNIT, "kind": "reading", "occurred_at": "2026-11-02T15:10:00-07:00",
        "happened_at": "2026-11-02T22:08:02Z", "meter_hours": 5, "author": person(),
        "recorded_at": "2026-11-03T15:00:01Z"});
    let entered = |bench: &mut Bench| {
        let edit = bench.handset().queue().unwrap().remove(0);
        Value::Object(bench.handset().entered(&edit).unwrap())
    };
    let written = entered(&mut bench);
    assert_eq!(
        (&written["id"], &written["meter_hours"], written.get("author")),
        (&json!(id), &json!(5.0), None)
    );
    let change =
        json!({"change": "record", "kind": "service_event", "id": id, "unit_id": UNIT, "record": told});
    bench.told(answer(json!([result(&id, "applied")]), json!([depot(), pump(1), change])));
    assert_eq!(entered(&mut bench), told);
}
